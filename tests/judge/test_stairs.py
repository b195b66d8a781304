"""Commands in stairs: their slope is that over whole treads."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.segments.demand_path import steepness
from asleft.judge.segments.stairs import stairs_slope
from hypothesis import given, settings
from hypothesis import strategies as st

DT_S = 0.01


def climb(ramp_s: float, every: int, size: float = 0.8, noise: float = 2e-4, seed: int = 1):
    """A rise at 1 / ramp_s renewed every so many readings, with rests before and after."""
    n = round(ramp_s * size / DT_S)
    k = np.arange(n) // every * every
    demand = np.concatenate((np.zeros(60), k * DT_S / ramp_s, np.full(60, size)))
    demand = demand + noise * np.random.default_rng(seed).standard_normal(demand.size)
    return np.arange(demand.size) * DT_S, demand


@settings(max_examples=40, deadline=None)
@given(ramp_s=st.floats(0.6, 6.0), every=st.sampled_from([4, 5, 8, 10]), seed=st.integers(0, 99))
def test_the_slope_is_that_of_the_ramp(ramp_s, every, seed) -> None:
    time_s, demand = climb(ramp_s, every, seed=seed)
    slope = stairs_slope(time_s, demand)
    assert slope is not None
    assert 1.0 / slope == pytest.approx(ramp_s, rel=0.12)
    assert steepness(time_s, demand, DT_S)[0] == pytest.approx(1.0 / ramp_s, rel=0.12)
    assert steepness(time_s, -demand, DT_S)[1] == pytest.approx(1.0 / ramp_s, rel=0.12)


def test_neither_a_step_nor_a_slope_nor_a_jog_is_stairs() -> None:
    time_s, smooth = climb(1.0, 1)
    assert stairs_slope(time_s, smooth) is None
    step = np.concatenate((np.zeros(100), np.full(100, 0.7)))
    jog = np.concatenate((np.zeros(50), np.full(60, 0.3), np.full(60, 0.6), np.full(60, 0.9)))
    for demand in (step, jog):
        assert stairs_slope(np.arange(demand.size) * DT_S, demand) is None
    assert stairs_slope(np.arange(4) * DT_S, np.zeros(4)) is None
    assert steepness(np.arange(200) * DT_S, step, DT_S)[0] == pytest.approx(70.0)


def test_an_s_curve_in_stairs_is_as_steep_as_its_middle() -> None:
    x = np.arange(200) // 8 * 8 / 200
    demand = np.concatenate((np.zeros(60), x * x * (3 - 2 * x), np.ones(60)))
    slope = stairs_slope(np.arange(demand.size) * DT_S, demand)
    assert slope == pytest.approx(1.5 / 2.0, rel=0.07)  # the derivative in the middle is 1.5 over the mean
