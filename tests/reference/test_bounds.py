"""The Cramer-Rao bounds of the benchmark, and the fit against scipy as an oracle."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from asleft.judge.ramp_fit.descent import Prior
from asleft.judge.ramp_fit.ramps import fit_stroke
from log_bounds import Chain, Step, Truth, bounds, fisher, ramp_answer

TRUTH = Truth(0.2, 1.0, 1.0, 2.0, (0.012, 0.016), 0.008)
CHAIN = Chain(9e-4, 2e-4)
STEPS = tuple(
    Step(1.0033 + 3.0 * k, *pair) for k, pair in enumerate([(0.0, 0.4), (0.4, 1.0), (1.0, 0.4), (0.4, 0.0)] * 4)
)
TIME = np.arange(round(100 * (STEPS[-1].at_s + 3.0))) / 100


@pytest.mark.parametrize(
    ("share", "t10", "t90"),
    [(0.05, 0.147377, 0.950000), (0.1, 0.184141, 0.999995), (0.2, 0.239658, 1.137277), (0.5, 0.353380, 1.732012)],
)
def test_a_ramp_into_a_lag_crosses_where_the_closed_form_says(share: float, t10: float, t90: float) -> None:
    """y = (t - tau + tau e^(-t/tau)) / T minus the same T later (terms of IEC 60469); the second lag next to none."""
    t = np.linspace(0.0, 3.0, 300_001)
    y = ramp_answer(t, 1.0, (share, 1e-7))
    assert t[np.searchsorted(y, 0.1)] == pytest.approx(t10, abs=2e-5)
    assert t[np.searchsorted(y, 0.9)] == pytest.approx(t90, abs=2e-5)


def test_the_bound_of_a_mean_and_of_two_levels_alone() -> None:
    """Long rests and no ramps to learn: each end of the line is a mean, s / sqrt n."""
    step = Step(500.0, 0.0, 1.0)
    time_s = np.arange(100_000) / 100
    bound = bounds(TRUTH, Chain(9e-4, 1e-9), [step, Step(990.0, 1.0, 0.0)], time_s)
    assert bound["current_at_zero"] == pytest.approx(9e-4 / np.sqrt(51_000), rel=0.02)
    assert bound["current_at_full"] == pytest.approx(9e-4 / np.sqrt(49_000), rel=0.02)


def test_the_bound_falls_as_the_root_of_the_strokes_and_rises_with_the_noise() -> None:
    few, many = bounds(TRUTH, CHAIN, STEPS[:8], TIME[STEPS[8].at_s > TIME]), bounds(TRUTH, CHAIN, STEPS, TIME)
    noisy = bounds(TRUTH, Chain(18e-4, 4e-4), STEPS, TIME)
    for name in ("ramp_up", "ramp_down", "current_at_full"):
        assert few[name] / many[name] == pytest.approx(np.sqrt(2.0), rel=0.05)
        assert noisy[name] / many[name] == pytest.approx(2.0, rel=1e-6)


def test_what_is_not_known_costs() -> None:
    """Every nuisance parameter can only raise the bound (the inverse of a block is at least its own inverse)."""
    information, _ = fisher(TRUTH, CHAIN, STEPS, TIME)
    alone_a, alone_s = 1.0 / np.sqrt(information[0, 0]), 1.0 / np.sqrt(information[2, 2])
    together = bounds(TRUTH, CHAIN, STEPS, TIME)
    assert together["ramp_up"] > 1.05 * alone_s
    assert together["current_at_zero"] >= alone_a
    clipped = Truth(0.2, 1.0, 1.0, 2.0, (0.012, 0.016), 0.008, clipped=True)
    assert bounds(clipped, CHAIN, STEPS, TIME)["current_at_zero"] > 1.5 * together["current_at_zero"]


def test_the_fit_of_a_stroke_is_that_of_a_general_least_squares_solver() -> None:
    """scipy's trust-region solver on the same model, gain and offset free: the same ramp and the same spread."""
    rng = np.random.default_rng(11)
    time_s = np.arange(120) / 100
    size, noise = 0.5, 9e-4
    for _ in range(6):
        true_s = rng.uniform(0.4, 1.2)
        clean = 0.2 + 0.8 * (0.1 + size * ramp_answer(time_s - 0.3, size * true_s, (0.02, 0.008)))
        current = clean + noise * rng.standard_normal(time_s.size)

        def residual(theta: np.ndarray, current: np.ndarray = current) -> np.ndarray:
            y = ramp_answer(time_s - 0.3 - theta[1], size * theta[0], (0.02, 0.008))
            basis = np.column_stack((np.ones(y.size), y))
            return np.asarray(current - basis @ np.linalg.lstsq(basis, current, rcond=None)[0]) / noise

        oracle = least_squares(residual, [true_s * 1.2, 0.0], x_scale=[0.1, 0.01], xtol=1e-12, ftol=1e-12)
        covariance = np.linalg.inv(oracle.jac.T @ oracle.jac)
        fit = fit_stroke(
            [0.0, 0.3, 0.300001, float(time_s[-1])],
            [0.1, 0.1, 0.6, 0.6],
            time_s,
            current,
            start=np.array([true_s * 1.2, true_s * 1.2, 0.028, 0.0, 4 * 0.02 * 0.008 / 0.028**2]),
            prior=Prior(0.028, 1e-14, 0.0, 1.0, 4 * 0.02 * 0.008 / 0.028**2, 1e-12),
            noise_a=noise,
            interval_s=1e3,  # the delay is as free as the solver's
            shared=False,
        )
        sd = float(np.sqrt(covariance[0, 0]))
        assert fit.own[0] == pytest.approx(oracle.x[0], abs=0.35 * sd)  # it stops where the rest is a Newton step
        step = np.linalg.solve(fit.information[np.ix_([0, 3], [0, 3])] + 1e-9 * np.eye(2), fit.gradient[[0, 3]])
        assert fit.theta[0] + step[0] == pytest.approx(oracle.x[0], abs=0.05 * sd)
        marginal = np.linalg.inv(fit.information[np.ix_([0, 3], [0, 3])])
        assert np.sqrt(marginal[0, 0]) == pytest.approx(sd, rel=0.25)
