"""Which ramps show beside a command that climbs by itself: lines, S-curves, stairs, steps, with noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.ramp_fit.strokes import identifiable_ramps, shows_from_s
from hypothesis import given, settings
from hypothesis import strategies as st

DT_S = 0.01
REST = np.zeros(60)


def climb(ramp_s: float, every: int, size: float = 0.8, noise: float = 2e-4, seed: int = 1):
    """A rise at 1 / ramp_s renewed every so many readings, with rests before and after."""
    n = round(ramp_s * size / DT_S)
    k = np.arange(n) // every * every
    demand = np.concatenate((REST, k * DT_S / ramp_s, REST + size))
    demand = demand + noise * np.random.default_rng(seed).standard_normal(demand.size)
    return np.arange(demand.size) * DT_S, demand


def behind(time_s: np.ndarray, demand: np.ndarray, ramp_s: float) -> float:
    """How far a limiter that falls back at once is behind at most, step by step."""
    r, most = float(demand[0]), 0.0
    for u, dt in zip(demand[1:].tolist(), np.diff(time_s).tolist(), strict=True):
        r = min(u, r + dt / ramp_s)
        most = max(most, u - r)
    return most


@settings(max_examples=40, deadline=None)
@given(ramp_s=st.floats(0.4, 20.0), size=st.floats(0.2, 1.0), seed=st.integers(0, 99))
def test_a_line_shows_what_is_15_percent_slower(ramp_s, size, seed) -> None:
    time_s, demand = climb(ramp_s, 1, size, 0.0, seed)
    assert shows_from_s(time_s, demand, 0.0) == pytest.approx(ramp_s / 0.87, rel=0.07)


@settings(max_examples=60, deadline=None)
@given(
    ramp_s=st.floats(0.4, 20.0),
    every=st.sampled_from([2, 4, 5, 8, 10]),
    noise=st.sampled_from([0.0, 2e-4, 2e-3]),
    seed=st.integers(0, 99),
)
def test_stairs_show_no_ramp_of_their_own_slope(ramp_s, every, noise, seed) -> None:
    time_s, demand = climb(ramp_s, every, noise=noise, seed=seed)
    up, down = identifiable_ramps(time_s.tolist(), demand.tolist(), noise)
    least = ramp_s * (1.0 if every * DT_S > 0.25 * ramp_s else 1.08)
    assert up >= least
    assert down == math.inf
    if every * DT_S < 0.1 * ramp_s:
        assert up <= 1.35 * ramp_s


@pytest.mark.parametrize("every", [1, 4, 10])
def test_a_limiter_there_is_behind_by_an_eighth_and_more(every) -> None:
    time_s, demand = climb(2.0, every, noise=0.0)
    shows = shows_from_s(time_s, demand, 0.0)
    assert behind(time_s, demand, shows) >= 0.13 * 0.8
    assert behind(time_s, demand, shows) <= 0.13 * 0.8 + every * DT_S / 2.0 + 1e-9


def test_an_s_curve_is_told_by_its_steepest_part() -> None:
    x = np.linspace(0.0, 1.0, 201)
    demand = np.concatenate((REST, x * x * (3 - 2 * x), REST + 1.0))
    time_s = np.arange(demand.size) * DT_S
    assert 1.0 / 1.5 * 2.0 < shows_from_s(time_s, demand, 0.0) < 1.15 * 2.0


def test_any_ramp_shows_beside_a_step() -> None:
    path_t, path_u = [0.0, 1.0, 1.000001, 3.0, 3.000001, 4.0], [0.0, 0.0, 0.6, 0.6, 0.2, 0.2]
    assert identifiable_ramps(path_t, path_u, 3e-4) == (0.0, 0.0)


def test_noise_and_rest_show_nothing() -> None:
    time_s = np.arange(500) * DT_S
    demand = 0.5 + 3e-4 * np.random.default_rng(2).standard_normal(500)
    assert identifiable_ramps(time_s.tolist(), demand.tolist(), 3e-4) == (math.inf, math.inf)
    assert identifiable_ramps([0.0, 1.0], [0.3, 0.3], 0.0) == (math.inf, math.inf)


def test_risers_as_high_as_the_climb_show_little() -> None:
    """Two risers read over several samples each: any ramp near their slope is behind by half the climb."""
    demand = np.concatenate((REST, np.linspace(0, 0.4, 4), np.full(6, 0.4), np.linspace(0.4, 0.8, 4), REST + 0.8))
    assert shows_from_s(np.arange(demand.size) * DT_S, demand, 0.0) > 0.13 / 0.8
