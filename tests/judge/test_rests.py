"""Dwells beside a stroke as weighted readings of its two levels."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.preparing import NO_REST, Rest, Rests

TIME = np.arange(60) * 0.01


def test_readings_counted_already_are_not_counted_twice() -> None:
    rng = np.random.default_rng(2)
    all_of_them = rng.standard_normal(200)
    time_s = np.arange(200) * 0.01
    rest = Rest.of(time_s[:150], all_of_them[:150]).joined(Rest.of(time_s[150:], all_of_them[150:]))
    assert rest.current_a == pytest.approx(all_of_them.mean())
    apart = rest.without(time_s[170:], all_of_them[170:])
    assert (apart.n, apart.current_a) == (170, pytest.approx(all_of_them[:170].mean()))
    assert rest.without(time_s + 5.0, all_of_them) == rest
    assert rest.without(time_s, all_of_them) == NO_REST


def test_a_level_weighs_as_many_readings_as_it_has_up_to_a_thousand() -> None:
    rests = Rests(Rest(0.2, 225.0, -1.0), Rest(0.6, 4e6, 9.0))
    time_s, current, weight = rests.joined(TIME, np.full(60, 0.4))
    assert (current[0], current[-1]) == (0.2, 0.6)
    assert (time_s[0], time_s[-1]) == (TIME[0], TIME[-1])
    assert (weight[0], weight[1], weight[-1] ** 2) == (15.0, 1.0, pytest.approx(1000.0))


def test_without_dwells_the_samples_stand_alone() -> None:
    time_s, _, weight = Rests().joined(TIME, np.full(60, 0.4))
    assert np.array_equal(time_s, TIME)
    assert np.array_equal(weight, np.ones(60))


def test_a_dwell_at_another_level_is_left_out() -> None:
    rng = np.random.default_rng(4)
    current = 0.4 + 1e-3 * rng.standard_normal(60)
    same, other = Rest(0.4, 200.0, -1.0), Rest(0.405, 200.0, 9.0)
    rests = Rests.beside(TIME, current, 25, same, other, 1e-3)
    assert rests.before == same
    assert rests.after == NO_REST
