from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.response import MOST_EQUAL, limit, time_constants
from hypothesis import given, settings
from hypothesis import strategies as st

ramps = st.floats(0.05, 20.0)
levels = st.lists(st.floats(0.0, 1.0), min_size=2, max_size=8)


def staircase(values: list[float], hold_s: float = 1.0) -> tuple[list[float], list[float]]:
    """Steps as two vertices a millionth of a second apart."""
    t, u = [0.0], [values[0]]
    for k, value in enumerate(values[1:], start=1):
        t += [k * hold_s - 1e-6, k * hold_s]
        u += [u[-1], value]
    return [*t, len(values) * hold_s], [*u, values[-1]]


def test_a_step_takes_its_share_of_the_ramp() -> None:
    out = limit([0.0, 1.0, 1.000001, 9.0], [0.2, 0.2, 0.7, 0.7], 0.2, 2.0, 5.0)
    assert np.interp([1.0, 1.5, 2.0, 5.0], out.time_s, out.value) == pytest.approx([0.2, 0.45, 0.7, 0.7], abs=1e-6)
    assert out.limited_up_s == pytest.approx(1.0, abs=1e-5)
    assert out.limited_down_s == 0.0


def test_up_and_down_are_independent() -> None:
    out = limit([0.0, 1e-6, 4.0, 4.000001, 9.0], [0.0, 1.0, 1.0, 0.0, 0.0], 0.0, 2.0, 1.0)
    assert out.limited_up_s == pytest.approx(2.0, abs=1e-4)
    assert out.limited_down_s == pytest.approx(1.0, abs=1e-4)
    assert np.interp(4.5, out.time_s, out.value) == pytest.approx(0.5, abs=1e-5)


def test_a_slow_command_passes_unchanged() -> None:
    out = limit([0.0, 4.0, 6.0], [0.0, 1.0, 0.5], 0.0, 2.0, 2.0)
    assert (out.limited_up_s, out.limited_down_s) == (0.0, 0.0)
    assert np.interp([1.0, 5.0], out.time_s, out.value) == pytest.approx([0.25, 0.75])


def test_the_output_meets_a_moving_command_on_the_way() -> None:
    """Command rises at 0.25/s from 0.5 while the output chases at 0.5/s from 0: they meet after two seconds."""
    out = limit([0.0, 4.0], [0.5, 1.5], 0.0, 2.0, 2.0)
    assert np.interp([1.0, 2.0, 3.0], out.time_s, out.value) == pytest.approx([0.5, 1.0, 1.25])
    assert out.limited_up_s == pytest.approx(2.0)


@settings(max_examples=60, deadline=None)
@given(levels, ramps, ramps)
def test_never_faster_than_the_ramps_and_never_beyond_the_command(values, up_s, down_s) -> None:
    t, u = staircase(values)
    out = limit(t, u, u[0], up_s, down_s)
    change, took_s = np.diff(out.value), np.diff(out.time_s)
    assert np.all(change <= took_s / up_s + 1e-9)
    assert np.all(change >= -took_s / down_s - 1e-9)
    assert min(values) - 1e-9 <= min(out.value)
    assert max(out.value) <= max(values) + 1e-9
    assert np.all(np.diff(out.time_s) >= 0)


@settings(max_examples=60, deadline=None)
@given(levels, ramps, ramps)
def test_limiting_twice_changes_nothing(values, up_s, down_s) -> None:
    t, u = staircase(values)
    once = limit(t, u, u[0], up_s, down_s)
    twice = limit(once.time_s, once.value, u[0], up_s * 0.999999, down_s * 0.999999)
    at = np.linspace(0.0, t[-1], 300)
    first, second = np.interp(at, once.time_s, once.value), np.interp(at, twice.time_s, twice.value)
    assert np.abs(first - second).max() < 1e-4


@settings(max_examples=60, deadline=None)
@given(levels, st.floats(0.0, 0.5), ramps, ramps)
def test_a_higher_command_never_gives_less(values, lift, up_s, down_s) -> None:
    t, u = staircase(values)
    low = limit(t, u, u[0], up_s, down_s)
    high = limit(t, [x + lift for x in u], u[0] + lift, up_s, down_s)
    at = np.linspace(0.0, t[-1], 200)
    assert np.all(np.interp(at, high.time_s, high.value) >= np.interp(at, low.time_s, low.value) - 1e-9)


@given(st.floats(0.001, 1.0), st.floats(0.0, 1.0))
def test_sum_and_shape_say_which_two_lags(lag_s, shape) -> None:
    first, second = time_constants(lag_s, shape)
    assert first + second == pytest.approx(lag_s)
    assert 0.0 <= second < first
    assert 4.0 * first * second / lag_s**2 == pytest.approx(min(shape, MOST_EQUAL), abs=1e-9)
