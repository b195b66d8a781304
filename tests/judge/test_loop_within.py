"""A loop that grew within the readings, by both branches; what moves both the same way is none."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.loop_within import Wider, loop_within
from asleft.judge.types import Verdict
from asleft.sheet.model import Tolerance
from synth import dwell, sheet

SPAN_BAR = 190.0
#: Command and way of arrival: no level is reached from both sides.
CYCLE = ((0.6, 1.0), (1.0, 1.0), (0.7, -1.0), (0.3, -1.0))
Moved = Callable[[float, float, float], float]  # of demand, arrival and time (s), in bar


def visits(moved: Moved, cycles: int = 14, seed: int = 1) -> list[Dwell]:
    rng = np.random.default_rng(seed)
    out = []
    for k in range(cycles):
        for place, (u, way) in enumerate(CYCLE):
            at = 40.0 * k + 10.0 * place
            bar = 10.0 + SPAN_BAR * u - 3.0 * way + moved(u, way, at) + 0.05 * rng.standard_normal()
            out.append(dwell(u, 0.2 + 0.8 * u, from_s=at, to_s=at + 4.0, pressure_bar=bar, arrival=way))
    return out


def told(moved: Moved, verdict: Verdict = Verdict.NOT_OBSERVED, *, cold: bool = False) -> Wider | None:
    dwells = visits(moved)
    plain = sheet()
    left = {**plain.as_left, "hysteresis": 3.0}
    tolerance = {**plain.tolerance, "hysteresis": Tolerance(float("inf"), 2.0)}
    context: Any = SimpleNamespace(
        sheet=sheet(as_left=left, tolerance=tolerance),
        results={"hysteresis": SimpleNamespace(verdict=verdict)},
        found=SimpleNamespace(held=None, judged_pressure=dwells),
        seen=SimpleNamespace(dwells=dwells, oil_may_be_cold=cold),
    )
    return loop_within(cast("FindingContext", context))


def rubs(share: Callable[[float], float]) -> Moved:
    """A loop wider by `share(time)` of the span: half of it on either branch."""
    return lambda _u, way, at: -way * 0.5 * share(at) * SPAN_BAR


@pytest.mark.parametrize(
    "share",
    [
        lambda at: 0.04 if at > 300.0 else 0.0,
        lambda at: 0.04 * min(max(at - 200.0, 0.0) / 350.0, 1.0),
        lambda at: 0.04 if at % 200.0 > 120.0 else 0.0,
    ],
    ids=["steps", "creeps", "comes and goes"],
)
def test_both_branches_that_move_outward_at_one_time_make_a_wider_loop(share: Callable[[float], float]) -> None:
    wider = told(rubs(share))
    assert wider is not None
    assert wider.by_pct == pytest.approx(4.0, abs=0.5)


def test_what_is_less_than_the_tolerance_is_left_in_peace() -> None:
    assert told(rubs(lambda at: 0.015 if at > 300.0 else 0.0)) is None


def test_thick_oil_is_no_friction() -> None:
    assert told(rubs(lambda at: 0.04 if at > 300.0 else 0.0), cold=True) is None


def test_a_loop_whose_width_is_seen_needs_no_other_sight() -> None:
    assert told(rubs(lambda at: 0.04 if at > 300.0 else 0.0), Verdict.IN) is None


@pytest.mark.parametrize(
    "moved",
    [
        lambda _u, _way, at: 8.0 if at > 300.0 else 0.0,
        lambda u, _way, at: -0.06 * SPAN_BAR * u if at % 200.0 > 120.0 else 0.0,
        lambda _u, _way, at: 8.0 if at % 40.0 < 20.0 and at % 160.0 < 80.0 else 0.0,
        lambda _u, way, at: -12.0 if way > 0.0 and at % 200.0 > 120.0 else 0.0,
    ],
    ids=["a spring that gives way", "a gauge at times", "a spring in step with the cycle", "a load on the way up"],
)
def test_what_moves_both_branches_the_same_way_or_one_alone_is_no_loop(moved: Moved) -> None:
    assert told(moved) is None
