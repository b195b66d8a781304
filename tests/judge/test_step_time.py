"""Dating steps: closed forms of a first-order reading, and what happens where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.demand_path import CommandFilter, Dating, demand_path, moving, small_steps, step_time

DT = 0.01


def reading(late_s: float, filter_s: float, *, noise: float = 0.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """A step from 0.3 to 0.6 at 0.5 s + `late_s`, behind one lag, 100 a second."""
    t = np.arange(120) * DT
    u = 0.3 + 0.3 * (1.0 - np.exp(-np.maximum(t - 0.5 - late_s, 0.0) / filter_s))
    return t, u + noise * np.random.default_rng(seed).standard_normal(t.size)


def dated(
    known: CommandFilter, late_s: float, filter_s: float, *, noise: float = 0.0, seed: int = 0
) -> tuple[float, Dating]:
    t, u = reading(late_s, filter_s, noise=noise, seed=seed)
    told = max(noise, 2e-4)
    dating = Dating(known, DT, told)
    near = max(0.006, 6.0 * told)
    at_s = dating.date(t, u, int(np.flatnonzero(np.abs(u - 0.3) > near)[0]), 110, (0.3, 0.6), near)
    assert at_s is not None
    return at_s, dating


def taught(filter_s: float, steps: int = 40) -> CommandFilter:
    known = CommandFilter()
    for k in range(steps):
        _, dating = dated(known, (k * 0.618 % 1.0) * DT, filter_s, noise=2e-4, seed=k)
        known = dating.taught()
    return known


@pytest.mark.parametrize("filter_s", [0.004, 0.008, 0.012])
def test_the_filter_is_learnt_from_the_steps_themselves(filter_s: float) -> None:
    keep = taught(filter_s).keep()
    assert keep == pytest.approx(np.exp(-DT / filter_s), abs=0.01)


@pytest.mark.parametrize("filter_s", [0.004, 0.008, 0.012])
def test_with_the_filter_known_a_step_is_dated_to_a_hundredth_of_a_sample(filter_s: float) -> None:
    """Exact: a reading e^(-s/tau) short of the new level stands s behind the step."""
    known = taught(filter_s)
    for late_s in np.linspace(0.0003, 0.0097, 9):
        at_s, dating = dated(known, float(late_s), filter_s)
        assert at_s - filter_s == pytest.approx(0.5 + late_s, abs=2e-4)
        assert dating.interval_equivalent_s() < 0.1 * DT


def test_the_stated_timing_error_is_that_of_the_noise() -> None:
    known = taught(0.008, 200)
    off, stated = [], []
    for k in range(200):
        at_s, dating = dated(known, 0.004, 0.008, noise=3e-3, seed=1000 + k)
        off.append(at_s - 0.512)
        stated.append(dating.variances_s2[0])
    assert 0.8 < np.std(off) / np.sqrt(np.median(stated)) < 1.25


def test_without_a_filter_a_step_is_known_to_a_sample() -> None:
    known = taught(1e-4)
    assert known.keep() is None
    _, dating = dated(known, 0.004, 1e-4)
    assert dating.interval_equivalent_s() == pytest.approx(DT)


def test_steps_that_are_unlike_widen_the_timing() -> None:
    """Two kinds of step under one filter: no first-order filter makes both."""
    known = CommandFilter()
    for k in range(60):
        _, dating = dated(known, (k * 0.618 % 1.0) * DT, (0.004, 0.012)[k % 2], noise=2e-4, seed=k)
        known = dating.taught()
    assert known.misfit() > 5.0
    assert taught(0.008).misfit() < 1.5


def test_uneven_samples_teach_nothing() -> None:
    t, u = reading(0.003, 0.008)
    t = t + 0.004 * (np.arange(t.size) % 2)
    dating = Dating(CommandFilter(), DT, 2e-4)
    assert dating.date(t, u, int(np.flatnonzero(u > 0.306)[0]), 110, (0.3, 0.6), 0.003) is not None
    assert dating.tails == []


def test_no_date_for_what_is_no_step() -> None:
    t = np.arange(150) * DT
    ramp = np.interp(t, [0.5, 0.8], [0.2, 0.6])
    assert Dating(CommandFilter(), DT, 2e-4).date(t, ramp, 51, 94, (0.2, 0.6), 0.003) is None
    assert step_time(t, ramp, 51, 94, 0.6, 0.003) is None


@pytest.mark.parametrize("steps", [1, 2])
def test_the_second_step_of_a_log_is_dated_by_the_filter_already(steps: int) -> None:
    """What a step shows of the filter counts in its own date; the filter is then known from two or three steps."""
    off, stated = [], []
    for k in range(100):
        known = CommandFilter()
        for earlier in range(steps):
            _, dating = dated(
                known, (0.13 + 0.37 * (k + earlier)) % 1.0 * DT, 0.008, noise=2e-4, seed=7 * k + earlier
            )
            known = dating.taught()
        late_s = (k * 0.618 % 1.0) * DT
        at_s, dating = dated(known, late_s, 0.008, noise=2e-4, seed=5000 + k)
        off.append(at_s - 0.508 - late_s)
        stated.append(np.sqrt(dating.variances_s2[0]))
    dated_well = np.array(stated) < 0.05 * DT
    assert np.mean(dated_well) > 0.9
    z = np.array(off)[dated_well] / np.array(stated)[dated_well]
    assert np.mean(np.abs(z) < 2.0) > 0.9


def test_the_first_step_of_a_log_is_known_to_a_sample() -> None:
    _, dating = dated(CommandFilter(), 0.004, 0.008, noise=2e-4)
    assert dating.interval_equivalent_s() == pytest.approx(DT)


def test_no_date_for_a_move_between_two_levels_that_both_lie_beyond_full() -> None:
    """The driver sees no step there, whatever the command does."""
    t, u = reading(0.0, 0.004)
    assert Dating(CommandFilter(), DT, 2e-4).date(t, u, 51, 94, (1.0, 1.0), 0.003) is None


def test_a_rest_that_steps_by_less_than_a_move_is_two_levels() -> None:
    """0.7 % of the command, where a move begins at 1 %: taken for one level, both strokes beside it are mistaken."""
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, 8.0, 0.01)
    true = np.select([time_s < 2.0, time_s < 4.0, time_s < 6.0], [0.0, 0.489, 0.496], 1.0)
    demand = true + 0.0012 * rng.standard_normal(time_s.size)
    flags = moving(demand, 5, 0.01)
    path_t, path_u = demand_path(time_s, demand, flags, 0.01, 0.0012)
    for at_s, level in ((1.0, 0.0), (3.0, 0.489), (3.9, 0.489), (4.1, 0.496), (5.5, 0.496), (7.0, 1.0)):
        assert np.interp(at_s, path_t, path_u) == pytest.approx(level, abs=0.0006)
    assert np.all(np.diff(path_t) > 0.0)


@pytest.mark.parametrize("alike", [0.0, 0.7])
def test_noise_on_a_level_is_no_step(alike: float) -> None:
    """White, or as a filter of the reading leaves it, alike from sample to sample."""
    rng = np.random.default_rng(7)
    for _ in range(200):
        noise = rng.standard_normal(600)
        for k in range(1, noise.size):
            noise[k] = alike * noise[k - 1] + np.sqrt(1.0 - alike**2) * noise[k]
        assert small_steps(0.5 + 0.001 * noise, 0.001) == []
