"""Round places along an axis: numbers, or moments of the plant's clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from asleft.web.evidence.picture import Axis
from asleft.web.figures.chart import numeral, ticks

_S, _MIN, _H, _DAY = 1e3, 60e3, 3600e3, 86_400e3
#: Steps between marks of a clock, ms.
_STEPS = (
    *(k * _S for k in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30)),
    *(k * _MIN for k in (1, 2, 5, 10, 20, 30)),
    *(k * _H for k in (1, 2, 3, 6, 12)),
    *(k * _DAY for k in (1, 2, 3, 5, 7, 14, 28, 56, 91, 182)),
)  # fmt: skip


def marks_of(axis: Axis, most: int) -> list[tuple[float, str]]:
    """Places and their words, at most about `most`."""
    if not axis.clock:
        return [(value, numeral(value)) for value in ticks(axis.low, axis.high, most)]
    step = next((one for one in _STEPS if (axis.high - axis.low) / one <= most), _STEPS[-1])
    first = -(-axis.low // step) * step
    places = [first + k * step for k in range(int((axis.high - first) // step) + 1)]
    return [(at, moment(at, step)) for at in places]


def moment(wall_ms: float, step_ms: float) -> str:
    """A place on the plant's clock with as much as tells marks of that distance apart."""
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=wall_ms)
    if step_ms >= _DAY:
        return f"{at.day} {at:%b}"
    if step_ms >= _MIN:
        return f"{at:%H:%M}" if at.hour or at.minute else f"{at.day} {at:%b}"
    if step_ms >= _S:
        return f"{at:%H:%M:%S}"
    return f"{at:%S}.{at.microsecond // 100_000} s"
