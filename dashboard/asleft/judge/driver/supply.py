"""Supply voltage in production, from the means of dwells."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import Stretch

#: Relative standard uncertainty where one dwell alone cannot show how much the supply moves.
_ALONE = 0.01
#: Dwells in which a supply reading that never moved stands on one value, share up to which two are one, what numbers
#: are rounded to (V), how finely the current must be read (share of its span), how far the command went meanwhile.
_LEAST_STILL, _SAME_DIGIT, _ROUND_V, _FINE, _SWUNG = 6, 1e-12, 0.01, 5e-4, 0.15
_ROUNDING, _MOST_DIGITS = 1e-6, 4


def supply_estimate(dwells: Sequence[Dwell], *, recorded: bool, instrument_u_v: float) -> Estimate | str:
    """Mean supply (V) over dwells in production, or why it is not observed.

    The supply sags with the load, so that dwells scatter by more than their noise; the scatter between them is what
    the mean is uncertain by. `instrument_u_v`: standard uncertainty of the reading's calibration.
    """
    if not recorded:
        return "supply not recorded"
    rows = [d for d in dwells if d.producing > 0.5 and math.isfinite(d.supply_v)]
    if not rows:
        return "not producing"
    values = np.array([d.supply_v for d in rows])
    n = values.size
    mean = float(values.mean())
    return Estimate(
        value=mean,
        repeatability=float(values.std(ddof=1)) / math.sqrt(n) if n > 1 else _ALONE * abs(mean),
        dof=float(max(n - 1, 1)),
        systematic=math.hypot(instrument_u_v, _rounding_u_v(values)),
        segments=n,
        from_s=rows[0].from_s,
        to_s=rows[-1].to_s,
        command_min_pct=100.0 * min(d.demand for d in rows),
        command_max_pct=100.0 * max(d.demand for d in rows),
    )


def _rounding_u_v(values: FloatArray) -> float:
    """Standard uncertainty (V) of a number that is always the same by its rounding: the last digit over sqrt 12.

    Values that differ average out what they are rounded by.
    """
    if np.ptp(values) > _SAME_DIGIT * abs(values[0]):
        return 0.0
    steps = (10.0**-digits for digits in range(_MOST_DIGITS))
    return next((step for step in steps if _is_rounded(values[0], step)), 0.0) / math.sqrt(12.0)


def _is_rounded(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < _ROUNDING


def supply_never_moved(dwells: Sequence[Dwell], span_a: float, resolution_a: float) -> list[Stretch]:
    """A supply reading that stood on one value from the first row on, whatever the load; empty if it did not.

    A coarse converter's may, and a register of two digits behind the point beside a regulated supply: so it must be
    neither, where the current of the same log is read in steps of `resolution_a`, fine against its span. Finer than
    that every supply sags and hums.
    """
    rows = [d for d in dwells if d.producing > 0.5 and math.isfinite(d.supply_v)]
    if len(rows) < _LEAST_STILL or resolution_a > _FINE * abs(span_a):
        return []
    value, demands = rows[0].supply_v, [d.demand for d in rows]
    same = all(abs(d.supply_v - value) <= _SAME_DIGIT * abs(value) for d in rows)
    if not same or _is_rounded(value, _ROUND_V) or max(demands) - min(demands) < _SWUNG:
        return []
    return [Stretch("stuck:supply", rows[0].from_s, rows[-1].to_s, {"value": value})]


#: Commands that are one level.
_ONE_LEVEL = 0.01


def cut_by_supply(dwells: Sequence[Dwell], least_v: float, tolerance_a: float, span_a: float) -> frozenset[float]:
    """When dwells began (unix s) that lack current while the supply was below `least_v`; none where it always was.

    By a tolerance less than the same command had with its supply. Those of higher commands lack it too, whether they
    were met with the supply there or not. A dither that beats, and a limit that follows the supply, hide the one
    current of all that is cut off, so the reading of the supply says it.
    """
    low, whole = ([d for d in dwells if (d.supply_v < least_v) is so] for so in (True, False))
    cut = []
    for dwell in low:
        like = [d.current_a - span_a * (d.demand - dwell.demand) for d in whole if _same_level(d, dwell)]
        if like and float(np.median(like)) - dwell.current_a > tolerance_a:
            cut.append(dwell.demand)
    lowest = min(cut, default=math.inf) - _ONE_LEVEL
    return frozenset(d.from_s for d in low if d.demand > lowest)


def _same_level(one: Dwell, other: Dwell) -> bool:
    return abs(one.demand - other.demand) < _ONE_LEVEL
