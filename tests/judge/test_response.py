"""The closed form of model and derivatives against lags one by one, and against differences of it."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.response import Limited, answer, derivatives, limit, pieces_of, time_constants
from hypothesis import given, settings
from hypothesis import strategies as st
from lags import one_lag, two_lags
from synth import drive

AT_S = np.arange(0.0, 6.0, 0.01)
STEP = ([0.0, 1.0, 1.000001, 3.0, 3.000001, 6.0], [0.2, 0.2, 0.8, 0.8, 0.3, 0.3])
CAUGHT = ([0.0, 0.5, 0.500001, 1.1, 1.2, 1.200001, 2.5, 6.0], [0.1, 0.1, 0.9, 0.9, 0.6, 0.4, 0.4, 0.4])
RAMPED = ([0.0, 1.0, 2.0, 2.1, 6.0], [0.0, 0.0, 1.0, 0.9, 0.9])
OVERTAKEN = ([0.0, 0.5, 0.500001, 1.5, 1.500001, 1.9, 6.0], [0.0, 0.0, 1.0, 1.0, 0.2, 1.0, 1.0])
THETA = (1.2, 2.0, 0.03, 0.004, 0.5)


def sampled(noise: float) -> tuple[list[float], list[float]]:
    """A controller's own ramps, each sample a vertex."""
    u = np.interp(AT_S, [0.0, 1.0, 2.5, 3.0, 4.0, 6.0], [0.1, 0.1, 0.9, 0.9, 0.2, 0.2])
    return AT_S.tolist(), np.clip(u + np.random.default_rng(5).normal(0.0, noise, u.size), 0.0, 1.0).tolist()


def one_by_one(path, theta) -> np.ndarray:
    """The same model by one lag at a time and partial fractions."""
    up_s, down_s, lag_s, delay_s, shape = theta
    return two_lags(limit(*path, path[1][0], up_s, down_s), time_constants(lag_s, shape), AT_S - delay_s)


def closed(path, theta) -> tuple[np.ndarray, np.ndarray]:
    up_s, down_s, lag_s, delay_s, shape = theta
    pieces = pieces_of(limit(*path, path[1][0], up_s, down_s))
    return (
        answer(pieces, lag_s, shape, AT_S - delay_s),
        derivatives(pieces, (up_s, down_s), lag_s, shape, AT_S - delay_s),
    )


@pytest.mark.parametrize("path", [STEP, CAUGHT, RAMPED, OVERTAKEN, sampled(0.0), sampled(3e-4)])
@pytest.mark.parametrize("shape", [0.05, 0.5, 0.97])
def test_values_and_derivatives(path, shape) -> None:
    theta = np.array([*THETA[:4], shape])
    values, table = closed(path, theta)
    assert values == pytest.approx(one_by_one(path, theta), abs=1e-13)
    assert table[0] == pytest.approx(values, abs=1e-13)
    for k in range(5):
        small = 1e-6 * max(theta[k], 0.05)
        more, less = theta.copy(), theta.copy()
        more[k] += small
        less[k] -= small
        by_difference = (one_by_one(path, more) - one_by_one(path, less)) / (2.0 * small)
        assert np.abs(table[k + 1] - by_difference).max() < 3e-5 * max(np.abs(by_difference).max(), 1.0)


def loop_step_by_step(path, theta) -> np.ndarray:
    """A second-order loop behind the limiter, by small steps."""
    up_s, down_s, lag_s, delay_s, shape = theta
    damping = 1.0 / np.sqrt(shape)
    frequency = 2.0 * damping / lag_s
    limited = limit(*path, path[1][0], up_s, down_s)
    step_s = 2e-5
    t = np.arange(0.0, 6.0, step_s)
    asked = np.interp(t, limited.time_s, limited.value).tolist()
    value, rate, out = asked[0], 0.0, []
    for goal in asked:
        rate += step_s * frequency * (frequency * (goal - value) - 2.0 * damping * rate)
        value += step_s * rate
        out.append(value)
    return np.interp(AT_S - delay_s, t + step_s, out)


@pytest.mark.parametrize("shape", [1.3, 4.0, 6.0])
def test_a_loop_that_overshoots_is_a_pair_of_lags(shape) -> None:
    theta = np.array([*THETA[:4], shape])
    values, table = closed(STEP, theta)
    assert values.dtype == table.dtype == float
    assert np.abs(values - loop_step_by_step(STEP, theta)).max() < 2e-4
    assert table[0] == pytest.approx(values, abs=1e-13)
    for k in range(5):
        small = 1e-6 * max(theta[k], 0.05)
        more, less = theta.copy(), theta.copy()
        more[k] += small
        less[k] -= small
        by_difference = (closed(STEP, more)[0] - closed(STEP, less)[0]) / (2.0 * small)
        assert np.abs(table[k + 1] - by_difference).max() < 3e-5 * max(np.abs(by_difference).max(), 1.0)


def test_a_ramp_that_never_held_the_demand_back_has_no_derivative() -> None:
    _, table = closed(RAMPED, (0.5, 0.5, *THETA[2:]))
    assert not table[1].any()
    assert np.abs(table[3]).max() > 0.1


def test_one_lag_alone_is_the_edge_of_two() -> None:
    values, table = closed(STEP, (*THETA[:4], 0.0))
    assert values == pytest.approx(one_lag(limit(*STEP, 0.2, 1.2, 2.0), 0.03, AT_S - 0.004), abs=1e-6)
    assert np.all(np.isfinite(table))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=7),
    st.floats(0.1, 8.0),
    st.floats(0.1, 8.0),
    st.floats(-0.03, 0.03),
)
def test_any_staircase(levels, up_s, down_s, delay_s) -> None:
    t, u = [0.0], [levels[0]]
    for k, level in enumerate(levels[1:], start=1):
        t += [0.8 * k, 0.8 * k + 1e-6]
        u += [u[-1], level]
    path = ([*t, 6.0], [*u, u[-1]])
    theta = np.array([up_s, down_s, 0.02, delay_s, 0.4])
    values, table = closed(path, theta)
    assert values == pytest.approx(one_by_one(path, theta), abs=1e-12)
    assert table[0] == pytest.approx(values, abs=1e-12)
    # the delay moves all of it: its derivative integrates to the change (by trapezia, as far as samples tell)
    assert float(-np.trapezoid(table[4], AT_S)) == pytest.approx(values[-1] - values[0], abs=1e-2)


@settings(max_examples=40, deadline=None)
@given(st.data(), st.integers(2, 8), st.floats(-2.0, 2.0), st.floats(0.002, 3.0), st.floats(0.0, 0.9))
def test_the_lags_are_linear(data, n, factor, lag_s, shape) -> None:
    t = [0.5 * k for k in range(n)]
    a, b = (data.draw(st.lists(st.floats(0.0, 1.0), min_size=n, max_size=n)) for _ in range(2))
    at = np.linspace(0.0, t[-1] + 2.0, 100)

    def lagged(values: list[float]) -> np.ndarray:
        return answer(pieces_of(Limited(t, values, 0.0, 0.0)), lag_s, shape, at)

    summed = lagged([x + factor * y for x, y in zip(a, b, strict=True)])
    assert summed == pytest.approx(lagged(a) + factor * lagged(b), abs=1e-7)


def test_before_the_path_the_lags_rest_and_after_it_they_settle() -> None:
    y = answer(pieces_of(Limited([0.0, 1.0], [0.3, 0.8], 1.0, 0.0)), 0.1, 0.5, np.array([-5.0, 0.0, 50.0]))
    assert y == pytest.approx([0.3, 0.3, 0.8])


@pytest.mark.parametrize("taus", [(0.02, 0.01), (0.05, 0.001), (0.012, 0.016)])
def test_two_lags_in_a_row_agree_with_marching(taus) -> None:
    demand = np.concatenate((np.zeros(200), np.full(1800, 0.6), np.full(1500, 0.1)))
    marched = drive(demand, up_s=1.0, down_s=0.5, lags_s=taus)
    t, u = [0.0, 0.2 - 1e-6, 0.2, 2.0 - 1e-6, 2.0, 3.5], [0.0, 0.0, 0.6, 0.6, 0.1, 0.1]
    lag_s = sum(taus)
    pieces = pieces_of(limit(t, u, 0.0, 1.0, 0.5))
    out = answer(pieces, lag_s, 4.0 * taus[0] * taus[1] / lag_s**2, np.arange(demand.size) * 1e-3)
    assert out == pytest.approx(marched, abs=4e-3)
