from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.features import Stroke
from asleft.judge.ramp_fit.descent import DELAY, PARAMETERS, Prior
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.ramps import StrokeFit, combine, fit_stroke, ramp_estimate, stroke_matrices
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from synth import drive

PRIOR = Prior(0.02, 0.05**2, 0.0, 0.05**2)


def fit_one(
    size: float,
    true_s: float,
    *,
    guess_s: float,
    up: bool = True,
    lags_s: tuple[float, ...] = (0.02,),
    noise_a: float = 5e-4,
    late_s: float = 0.0,
    gain: float = 1.0,
    seed: int = 1,
    shared: bool = True,
    rest_guess: tuple[float, float, float] = (0.02, 0.0, 0.5),
    beside: Callable[[np.ndarray, np.random.Generator], np.ndarray] | None = None,
) -> StrokeFit:
    """One step of `size`, sampled at 100 Hz, fitted from `guess_s`; the instant is known to the sample only.

    The stretch covers the guess too, as the allowance for settling sees to. `beside`: other noise, in place of white.
    """
    n = int(1000 * (0.3 + 1.1 * max(true_s, guess_s) * size + 0.4))
    demand = np.full(n, 0.1 if up else 0.1 + size)
    demand[300:] = 0.1 + size if up else 0.1
    current = 0.2 + 0.8 * gain * drive(demand, up_s=true_s, down_s=true_s, lags_s=lags_s)
    shift = round(1000 * late_s)
    time_s = np.arange(n - 100)[::10] * 1e-3
    rng = np.random.default_rng(seed)
    noise = noise_a * rng.standard_normal(time_s.size) if beside is None else beside(time_s, rng)
    measured = current[np.clip(np.arange(n - 100)[::10] - shift, 0, n - 1)] + noise
    u0, u1 = (0.1, 0.1 + size) if up else (0.1 + size, 0.1)
    return fit_stroke(
        [0.0, 0.29, 0.30, float(time_s[-1])],
        [u0, u0, u1, u1],
        time_s,
        measured,
        start=np.array([guess_s, guess_s, *rest_guess]),
        prior=PRIOR,
        noise_a=noise_a,
        interval_s=0.01,
        shared=shared,
    )


@settings(max_examples=40, deadline=None)
@given(st.floats(0.2, 0.9), st.floats(0.3, 10.0), st.booleans(), st.floats(0.7, 1.4), st.integers(0, 10_000))
def test_a_ramp_is_found_from_a_part_of_the_stroke(size, true_s, up, wrong, seed) -> None:
    """Within one percent, or within the uncertainty it states where a short stroke cannot do better."""
    fit = fit_one(size, true_s, guess_s=true_s * wrong, up=up, seed=seed)
    k = 0 if up else 1
    curvature = fit.information + np.diag([1e-6, 1e-6, 1 / PRIOR.lag_var, 1 / PRIOR.delay_var, 1 / PRIOR.shape_var])
    sd = np.sqrt(np.linalg.inv(curvature)[k, k])
    assert fit.own[k] == pytest.approx(true_s, abs=max(0.01 * true_s, 5.0 * sd))
    assert fit.chi2 == pytest.approx(1.0, abs=0.9)


def slow_sine(time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return 7e-4 * np.sin(2.0 * np.pi * (0.45 * time_s + rng.uniform())) + 5e-5 * rng.standard_normal(time_s.size)


def filtered(time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """White noise behind a lag of 50 ms, of 0.5 mA."""
    keep = np.exp(-0.01 / 0.05)
    steps = 5e-4 * np.sqrt(1.0 - keep**2) * rng.standard_normal(time_s.size + 100)
    return np.asarray(signal.lfilter([1.0], [1.0, -keep], steps)[100:])


def white(time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return 5e-4 * rng.standard_normal(time_s.size)


@pytest.mark.parametrize("beside", [white, slow_sine, filtered])
def test_a_ramp_is_as_unsure_as_the_noise_is_slow(beside) -> None:
    """Of one size each; taken for white, the slow ones leave ramps off by three to seven times what is said."""
    off = []
    for seed in range(60):
        fit = fit_one(0.6, 3.0, guess_s=3.0, seed=seed, beside=beside)
        curvature = fit.information + np.diag(
            [0.0, 1e-6, 1 / PRIOR.lag_var, 1 / PRIOR.delay_var, 1 / PRIOR.shape_var]
        )
        off.append((fit.own[0] - 3.0) / np.sqrt(np.linalg.inv(curvature)[0, 0]))
    assert 0.7 < np.sqrt(np.mean(np.square(off))) < 1.6


def test_the_other_ramp_gets_no_information() -> None:
    fit = fit_one(0.5, 1.0, guess_s=1.0)
    assert fit.active_up_s == pytest.approx(0.5, rel=0.1)
    assert fit.active_down_s == 0.0
    assert fit.information[1, 1] == 0.0
    assert np.all(np.linalg.eigvalsh(fit.information) > -1e-3 * np.trace(fit.information))


def test_a_changed_gain_is_no_second_finding() -> None:
    assert fit_one(0.6, 2.0, guess_s=2.0, gain=1.3).own[0] == pytest.approx(2.0, rel=0.005)


def test_a_late_channel_is_a_delay_and_not_a_slower_ramp() -> None:
    fit = fit_one(0.6, 1.0, guess_s=1.0, late_s=0.04)
    assert fit.own[0] == pytest.approx(1.0, rel=0.01)
    assert fit.own[DELAY] == pytest.approx(0.04, abs=0.01)


@pytest.mark.parametrize("lags_s", [(0.028,), (0.012, 0.016), (0.025, 0.003)])
def test_short_ramps_are_not_lengthened_by_what_lags_behind(lags_s) -> None:
    """Ramps of 60 to 105 ms: a model with one lag where two are reads them 1 to 5 % too long."""
    learner = Learner(0.3, 0.3)
    strokes = []
    for k in range(120):
        fit = fit_one((0.2, 0.35)[k % 2], 0.3, guess_s=0.3, lags_s=lags_s, seed=k, noise_a=3e-4)
        strokes.append(stroke_of(fit))
        learner.learn(strokes[-1])
    found = combine(strokes)
    assert found is not None
    assert found.theta[0] == pytest.approx(0.3, rel=0.01)


def stroke_of(fit: StrokeFit, **changes: float) -> Stroke:
    """A stroke as cutting would make it."""
    head = (0.0, 1.0, 0.1, 0.6, 0.1, 0.6, fit.active_up_s, fit.active_down_s, 50.0, 0.0, fit.chi2)
    upper = fit.information[np.triu_indices(PARAMETERS)]
    stroke = Stroke._make((*head, *fit.theta, *fit.gradient, *upper, *fit.own, 0.0, 10.0))
    return stroke._replace(**changes)


def test_a_stroke_that_agrees_is_linearised_at_the_common_guess() -> None:
    rest = tuple(fit_one(0.5, 1.0, guess_s=1.0).own[2:])
    near, far = fit_one(0.5, 1.0, guess_s=1.001, rest_guess=rest), fit_one(0.5, 1.0, guess_s=1.5)
    alone = fit_one(0.5, 1.0, guess_s=1.001, shared=False, rest_guess=rest)
    assert near.theta[0] == 1.001
    assert far.theta[0] == far.own[0] == pytest.approx(1.0, rel=0.01)
    assert alone.theta[0] == alone.own[0]


def test_timing_is_known_to_a_sample_only() -> None:
    """Marginalising dt^2/12 per stroke must cost information on delay and on a short ramp."""
    fit = fit_one(0.3, 0.3, guess_s=0.3)
    assert fit.information[DELAY, DELAY] <= 12.0 / 0.01**2 * (1 + 1e-9)


def test_scatter_of_short_strokes_matches_the_stated_uncertainty() -> None:
    """Without the marginalisation the uncertainty is stated several times too small."""
    errors, sds = [], []
    rng = np.random.default_rng(5)
    for seed in range(60):
        late_s = float(rng.integers(-5, 5)) * 1e-3  # where in the sample interval the step fell
        fit = fit_one(0.4, 0.6, guess_s=0.6, noise_a=2e-4, late_s=0.02 + late_s, seed=seed)
        combined = combine([stroke_of(fit)])
        assert combined is not None
        errors.append(combined.theta[0] - 0.6)
        sds.append(np.sqrt(combined.covariance[0, 0]) / combined.scatter)
    ratio = np.std(errors) / np.mean(sds)
    assert 0.5 < ratio < 1.5


def test_two_strokes_tell_more_than_one_and_n_as_root_n() -> None:
    fits = [fit_one(0.4, 1.0, guess_s=1.0, seed=k) for k in range(16)]
    strokes = [stroke_of(f) for f in fits]
    one, all_of_them = combine(strokes[:1]), combine(strokes)
    assert one is not None
    assert all_of_them is not None
    gained = np.sqrt(one.covariance[0, 0] / one.scatter**2) / np.sqrt(
        all_of_them.covariance[0, 0] / all_of_them.scatter**2
    )
    assert gained == pytest.approx(4.0, rel=0.25)
    assert all_of_them.carriers_up == 16
    assert all_of_them.theta[0] == pytest.approx(1.0, rel=0.003)


def test_the_sum_of_forms_is_the_joint_least_squares_problem() -> None:
    rng = np.random.default_rng(3)
    truth = np.array([1.2, 0.8, 0.03, 0.01, 0.4])
    strokes = []
    for _ in range(30):
        root = rng.standard_normal((PARAMETERS, PARAMETERS)) * np.array([1e3, 1e3, 1e4, 1e4, 1e2])
        h = root.T @ root
        at = truth + rng.standard_normal(PARAMETERS) * np.array([0.02, 0.02, 2e-3, 2e-3, 0.05])
        # The gradient of an exact quadratic form whose optimum is the truth.
        fit = StrokeFit(at, h, h @ (truth - at), at, 1.0, 0.5, 0.5)
        strokes.append(stroke_of(fit))
    found = combine(strokes)
    assert found is not None
    assert found.theta == pytest.approx(truth, rel=1e-4)


def test_one_odd_stroke_hardly_moves_the_rest() -> None:
    strokes = [stroke_of(fit_one(0.5, 1.0, guess_s=1.0, seed=k)) for k in range(20)]
    odd = stroke_of(fit_one(0.5, 2.0, guess_s=2.0, seed=99))
    found = combine([*strokes, odd])
    assert found is not None
    assert found.theta[0] == pytest.approx(1.0, rel=0.01)
    assert found.scatter > 1.5


def exact(own: np.ndarray, h: np.ndarray, at: np.ndarray | None = None, **changes: float) -> Stroke:
    """A stroke whose form is exact: optimum `own` (5,), information `h` (5 x 5), taken at `at`."""
    at = own if at is None else at
    return stroke_of(StrokeFit(at, h, h @ (own - at), own, 1.0, 0.5, 0.5), **changes)


@pytest.mark.parametrize("sigmas", [12.0, 40.0, 400.0])
def test_an_odd_stroke_pulls_no_more_than_five_of_its_standard_deviations(sigmas) -> None:
    """Huber: beyond five standard deviations the pull of a stroke grows no further, however far off it lies."""
    truth, n = np.array([1.0, 1.0, 0.03, 0.01, 0.5]), 40
    h = np.diag([1e4, 1e4, 1e8, 1e8, 1e4])  # each knows its ramp to 10 ms
    odd = truth + np.array([sigmas * 0.01, 0.0, 0.0, 0.0, 0.0])
    found = combine([*(exact(truth, h) for _ in range(n)), exact(odd, h)])
    assert found is not None
    pull = (found.theta[0] - 1.0) / 0.01
    assert pull == pytest.approx(5.0 / n, rel=0.1)


def test_a_stroke_within_three_standard_deviations_counts_in_full() -> None:
    truth, n = np.array([1.0, 1.0, 0.03, 0.01, 0.5]), 9
    h = np.diag([1e4, 1e4, 1e8, 1e8, 1e4])
    found = combine([*(exact(truth, h) for _ in range(n)), exact(truth + np.array([0.03, 0, 0, 0, 0]), h)])
    assert found is not None
    assert found.theta[0] == pytest.approx(1.0 + 0.03 / (n + 1), rel=1e-6)


def test_a_bound_holds_for_the_truth_and_not_for_the_estimate_alone() -> None:
    """A ramp that no stroke tells is shorter than its bound in 39 of 40 cases, not in every second one."""
    rng = np.random.default_rng(6)
    h = np.diag([400.0, 400.0, 1e8, 1e8, 1e4])  # each stroke knows its ramp to 50 ms
    held = 0
    for _ in range(200):
        owns = np.array([0.3, 0.3, 0.03, 0.01, 0.5]) + 0.05 * rng.standard_normal((4, 1)) * np.eye(5)[0]
        strokes = [exact(own, h, identifiable_up_s=0.2) for own in owns]
        combined = combine(strokes)
        assert combined is not None
        held += ramp_estimate(strokes, strokes, combined, 0).below_s >= 0.3
    assert held >= 0.95 * 200


def test_scatter_is_seen_though_all_strokes_are_taken_at_one_guess() -> None:
    """Strokes that do not agree among themselves must widen the uncertainty, wherever they were linearised."""
    rng = np.random.default_rng(4)
    guess = np.array([1.0, 1.0, 0.03, 0.01, 0.5])
    h = np.diag([1e4, 1e4, 1e8, 1e8, 1e4])

    def strokes(spread_s: float) -> list[Stroke]:
        out = []
        for _ in range(60):
            own = guess + rng.standard_normal(PARAMETERS) * np.array([0.01, 0.01, 1e-4, 1e-4, 0.01])
            own[0] += spread_s * rng.standard_normal()
            out.append(stroke_of(StrokeFit(guess, h, h @ (own - guess), own, 1.0, 0.5, 0.5)))
        return out

    calm, wild = combine(strokes(0.0)), combine(strokes(0.06))
    assert calm is not None
    assert wild is not None
    assert calm.scatter == pytest.approx(1.0, abs=0.15)
    assert wild.scatter > 1.8
    assert wild.covariance[0, 0] > 3.0 * calm.covariance[0, 0]


def test_strokes_taken_at_a_poor_guess_of_the_lag_are_left_out_where_others_tell_enough() -> None:
    good = [stroke_of(fit_one(0.4, 0.3, guess_s=0.3, seed=k)) for k in range(20)]
    first = good[0]
    off = [s._replace(t0=s.t0 * 1.5, t2=2.0 * s.t2) for s in good[:6]]
    found, alone = combine([*off, *good]), combine(good)
    assert found is not None
    assert alone is not None
    assert found.theta == pytest.approx(alone.theta)
    assert combine(off[:1]) is not None
    assert first.t2 > 0


def test_nothing_combined_is_nothing() -> None:
    assert combine([]) is None


def test_matrices_come_back_as_they_went_in() -> None:
    fit = fit_one(0.5, 1.0, guess_s=1.1)
    theta, gradient, information = stroke_matrices([stroke_of(fit), stroke_of(fit)])
    assert theta[1] == pytest.approx(fit.theta)
    assert gradient[0] == pytest.approx(fit.gradient)
    assert information[1] == pytest.approx((fit.information + fit.information.T) / 2, rel=1e-9, abs=1e-9)


def test_misfit_costs_weight() -> None:
    good = fit_one(0.5, 1.0, guess_s=1.0, noise_a=5e-4)
    bad = replace(good, chi2=9.0)
    assert combine([stroke_of(good)]) is not None
    noisy = fit_one(0.5, 1.0, guess_s=1.0, noise_a=5e-4, seed=2)
    assert noisy.chi2 < 2.0
    assert bad.chi2 > noisy.chi2
