from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.intake import TIME, Scale
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.preparing import AFTER_SURPRISE, PER_S, RESERVE, FitBudget
from asleft.judge.segments.segments import Carry, Cut, cut
from synth import columns, recording

SCALE = Scale(0.01, 3e-4, 0.006, 0.8, has_current=True)


def cut_all(samples, learner: Learner) -> Cut:
    data = columns((samples.channels["command"] - 4.0) / 16.0, current=samples.channels["current"])
    data[TIME] = samples.time_s
    return cut(data, Carry(), SCALE, learner, flush=True)


def test_filled_up_by_time_and_never_over_the_reserve() -> None:
    fit_budget = FitBudget(up=0.5, down=RESERVE, at_s=100.0).at(160.0)
    assert fit_budget.up == pytest.approx(0.5 + 60.0 * PER_S)
    assert fit_budget.down == RESERVE
    assert fit_budget.at(99.0).up == fit_budget.up  # a clock put back takes nothing
    assert FitBudget().at(1.7e9).up == RESERVE


def test_once_used_up_one_stroke_a_minute_is_fitted_either_way() -> None:
    """The figures that the memory and processor time of a valve rest on."""
    fit_budget = FitBudget(up=0.0, down=0.0, at_s=0.0).at(600.0)
    assert (fit_budget.up, fit_budget.down) == (pytest.approx(10.0), pytest.approx(10.0))
    assert (FitBudget().up, FitBudget().down) == (150.0, 150.0)
    assert FitBudget(up=1.0).spent(rising=True, surprise=True).up == 6.0


def test_either_way_has_its_own() -> None:
    fit_budget = FitBudget(up=1.0, down=1.0, at_s=0.0).spent(rising=True, surprise=False)
    assert not fit_budget.enough(rising=True)
    assert fit_budget.enough(rising=False)


def test_a_surprise_has_the_next_ones_fitted() -> None:
    fit_budget = FitBudget(up=1.0, down=1.0, at_s=0.0).spent(rising=False, surprise=True)
    assert (fit_budget.up, fit_budget.down) == (1.0, AFTER_SURPRISE)
    assert FitBudget(up=90.0).spent(rising=True, surprise=True).up == 89.0


def test_every_stroke_of_a_log_is_fitted() -> None:
    samples = recording([0.2, 0.7] * 60, hold_s=1.0, up_s=0.4, down_s=0.4)
    assert len(cut_all(samples, Learner(0.4, 0.4)).strokes) == 119


def used_up() -> Learner:
    learner = Learner(0.4, 0.4)
    cut_all(recording([0.2, 0.7] * 20, hold_s=1.0, up_s=0.4, down_s=0.4), learner)  # what is usual is known
    learner.fit_budget = [0.0, 0.0, 1000.0]
    return learner


def test_once_the_reserve_is_used_up_time_refills_it() -> None:
    samples = recording([0.2, 0.7] * 60, hold_s=1.0, up_s=0.4, down_s=0.4)
    result = cut_all(samples, used_up())
    lasts_s = float(np.ptp(samples.time_s))
    assert len(result.dwells) == 120
    assert len(result.strokes) == pytest.approx(2.0 * lasts_s * PER_S, abs=3.0)


def test_a_changed_ramp_is_found_all_the_same() -> None:
    learner = used_up()
    result = cut_all(recording([0.2, 0.7] * 60, hold_s=1.0, up_s=0.6, down_s=0.4), learner)
    assert learner.up_s == pytest.approx(0.6, rel=0.01)
    rising = [s for s in result.strokes if s.to_demand > s.from_demand]
    assert np.median([s.own_up_s for s in rising]) == pytest.approx(0.6, rel=0.01)
    assert len(rising) > sum(s.to_demand < s.from_demand for s in result.strokes)
