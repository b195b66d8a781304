"""A law as levels tell it: what bends is straightened, what nobody saw bend is left as it is."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.preparing import Law


def law_of(levels: dict[float, float]) -> Law:
    """From current by demand."""
    law = Law()
    for demand, current_a in levels.items():
        law = law.updated(demand, current_a)
    return law


def test_a_law_that_bends_at_its_levels_is_made_straight() -> None:
    demand = np.linspace(0.0, 1.0, 9)
    current = 0.2 + 0.8 * (demand + 0.03 * np.sin(2.0 * np.pi * demand))
    made = law_of(dict(zip(demand.tolist(), current.tolist(), strict=True))).straightened(current)
    assert np.abs(made - (0.2 + 0.8 * demand)).max() < 1e-6
    assert np.abs(current - made).max() > 0.02


@pytest.mark.parametrize("short_a", [0.05, 0.1])
def test_a_top_level_that_is_cut_off_bends_no_current_below_it(short_a: float) -> None:
    levels = {u: 0.2 + 0.8 * u for u in (0.0, 0.11, 0.31, 0.6)}
    current = np.linspace(0.2, 0.68, 50)
    made = law_of({**levels, 1.0: 1.0 - short_a}).straightened(current)
    assert np.array_equal(made, current)


@pytest.mark.parametrize(("bend", "above_a"), [(0.0, 0.015), (0.0, 0.06), (0.03, 0.06)])
@pytest.mark.parametrize("rise_a", [2e-5, 1e-3])
def test_levels_that_have_one_current_bend_none_below_them(rise_a: float, bend: float, above_a: float) -> None:
    """A cut takes two levels and more; between them and the next lower one nobody saw where it begins."""

    def current_a(u: float) -> float:
        return 0.2 + 0.8 * (u + bend * np.sin(2.0 * np.pi * u))

    levels = {u: current_a(u) for u in (0.0, 0.1, 0.2, 0.3, 0.42)}
    current = np.linspace(0.2, levels[0.42] + 0.01, 60)
    limit_a = levels[0.42] + above_a
    cut = law_of({**levels, 0.8: limit_a, 0.9: limit_a + rise_a})
    assert cut.straightened(current) == pytest.approx(law_of(levels).straightened(current), abs=1e-9)


def test_levels_far_from_zero_say_nothing_of_a_jump_there() -> None:
    """A knee at 0.5: slope 0.9 below and 0.7 above it; carried to zero, the upper line would begin 0.1 too high."""

    def current_a(u: float) -> float:
        return 0.2 + 0.9 * min(u, 0.5) + 0.7 * max(u - 0.5, 0.0)

    law = law_of({u: current_a(u) for u in (0.0, 0.86, 0.94, 0.96, 1.0)})
    demand = np.linspace(0.0, 0.5, 40)
    asked = law.straightened(np.array([current_a(u) for u in demand.tolist()]))
    straight = 0.2 + 0.8 * demand
    assert np.abs(asked - straight).max() < 0.06  # the knee itself, and no step of 0.1 at zero
    assert asked[1] - asked[0] > 0.5 * 0.8 * demand[1]


def test_a_driver_that_is_off_and_a_reading_that_stands_still_are_no_law() -> None:
    learner = Learner(1.0, 1.0, off_below=0.05, noise_a=1e-3)
    learner.hear_law(0.0, 0.0, 1e-3, 0.8)
    learner.hear_law(1.0, 0.9, 1e-6, 0.8)
    assert learner.law == []
    learner.hear_law(0.5, 0.6, 1e-3, 0.8)
    assert len(learner.law) == 3
