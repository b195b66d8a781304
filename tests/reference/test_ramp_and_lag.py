from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.ramp_fit.descent import UP, Prior
from asleft.judge.ramp_fit.ramps import fit_stroke
from asleft.judge.ramp_fit.response import Limited, answer, limit, pieces_of

# Terms of IEC 60469 / IEEE 181: transition, 10 % and 90 % reference levels, settling. All values: closed form.
# tau/T, time of 10 % and of 90 % in units of the ramp T.
CROSSINGS = [
    (0.05, 0.147377, 0.950000),
    (0.1, 0.184141, 0.999995),
    (0.2, 0.239658, 1.137277),
    (0.5, 0.353380, 1.732012),
]
# tau/T, by how much 1.25 x (10 to 90 %) overstates the ramp. Closed form, from the row above.
OVERSTATED = [(0.05, 0.003), (0.1, 0.020), (0.2, 0.122), (0.5, 0.723)]


def lag(path: Limited, tau_s: float, at_s: np.ndarray) -> np.ndarray:
    """The judge's answer with a single lag; its second, a microsecond at the least, delays by as much."""
    return answer(pieces_of(path), tau_s, 0.0, at_s + 1e-6)


def ramp_of(ramp_s: float) -> Limited:
    """What the limiter makes of a full step at t = 0, watched for twenty ramps."""
    return limit([0.0, 1e-9, 20.0 * ramp_s], [0.0, 1.0, 1.0], 0.0, ramp_s, 5.0)


def step() -> Limited:
    """A step with no ramp at all."""
    return Limited([0.0, 1e-10, 20.0], [0.0, 1.0, 1.0], 0.0, 0.0)


def crossing(path: Limited, tau_s: float, level: float) -> float:
    t = np.linspace(0.0, path.time_s[-1], 2_000_001)
    return float(np.interp(level, lag(path, tau_s, t), t))


@pytest.mark.parametrize("ramp_s", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.5])
def test_ramp_into_lag_follows_its_closed_form(ramp_s: float, share: float) -> None:
    """Closed form: y = (t - tau + tau e^(-t/tau)) / T for t <= T, then minus the same shifted by T."""
    tau = share * ramp_s
    t = np.linspace(0.0, 5.0 * ramp_s, 501)

    def rising(at: np.ndarray) -> np.ndarray:
        on = np.maximum(at, 0.0)
        return (on - tau + tau * np.exp(-on / tau)) / ramp_s

    expected = rising(t) - rising(t - ramp_s)
    assert lag(ramp_of(ramp_s), tau, t) == pytest.approx(expected, abs=2e-8)


@pytest.mark.parametrize(("share", "t10", "t90"), CROSSINGS)
@pytest.mark.parametrize("ramp_s", [1.0, 2.5])
def test_ten_and_ninety_per_cent_of_ramp_into_lag(share: float, t10: float, t90: float, ramp_s: float) -> None:
    path = ramp_of(ramp_s)
    assert crossing(path, share * ramp_s, 0.1) / ramp_s == pytest.approx(t10, abs=2e-6)
    assert crossing(path, share * ramp_s, 0.9) / ramp_s == pytest.approx(t90, abs=2e-6)


def test_a_bare_ramp_spends_four_fifths_between_ten_and_ninety_per_cent() -> None:
    """Closed form: 10-90 % of a linear ramp T is .8 T."""
    path = ramp_of(2.0)
    assert crossing(path, 1e-6, 0.9) - crossing(path, 1e-6, 0.1) == pytest.approx(1.6, abs=1e-5)


@pytest.mark.parametrize(("share", "excess"), OVERSTATED)
def test_why_the_judge_fits_the_model_instead_of_scaling_rise_time(share: float, excess: float) -> None:
    """The usual 1.25 x (10 to 90 %) calls the ramp too long by as much as the closed form says; the fit does not."""
    path = ramp_of(1.0)
    usual = 1.25 * (crossing(path, share, 0.9) - crossing(path, share, 0.1))
    assert usual - 1.0 == pytest.approx(excess, abs=6e-4)
    t = np.arange(-1.0, 6.0, 0.01)
    current = 0.2 + 0.8 * lag(ramp_of(1.0), share, t)
    fit = fit_stroke(
        [-5.0, 0.0, 1e-9, 20.0],
        [0.0, 0.0, 1.0, 1.0],
        t,
        current,
        start=np.array([1.4, 1.0, 0.05, 0.0, 0.1]),
        prior=Prior(0.05, 4.0, 0.0, 1.0, 0.0, 1e-8),
        noise_a=1e-4,
        interval_s=0.01,
        shared=False,
    )
    assert fit.own[UP] == pytest.approx(1.0, abs=2e-3)


# Settling of a first-order lag to within 5, 2 and 1 %, and its 10 to 90 %, in time constants. Closed form.
@pytest.mark.parametrize(("within", "time_constants"), [(0.05, 2.995732), (0.02, 3.912023), (0.01, 4.605170)])
@pytest.mark.parametrize("tau_s", [0.02, 0.3])
def test_first_order_settling(within: float, time_constants: float, tau_s: float) -> None:
    settled = lag(step(), tau_s, np.array([time_constants * tau_s]))
    assert settled[0] == pytest.approx(1.0 - within, abs=1e-7)
    assert time_constants == pytest.approx(-math.log(within), abs=1e-6)


def test_first_order_rise_time() -> None:
    """Closed form: tau ln 9."""
    tau = 0.4
    assert (crossing(step(), tau, 0.9) - crossing(step(), tau, 0.1)) / tau == pytest.approx(2.197225, abs=1e-5)


@pytest.mark.parametrize(
    ("ramp_s", "interval_s", "noise_a"), [(1.0, 0.01, 2e-3), (2.0, 0.02, 1e-3), (4.0, 0.01, 5e-4)]
)
def test_uncertainty_of_a_ramp_is_that_of_a_line_fit(ramp_s: float, interval_s: float, noise_a: float) -> None:
    """Closed form: slope of n samples dt apart, se = s sqrt(12 / (n (n^2 - 1))) / dt; T = b / slope carries it over.

    It holds where ends and lag are known (long plateaus, a narrow prior) and the instant of the step is not.
    """
    span_a, tau = 0.8, 1e-3
    t = np.arange(-40.0 * ramp_s, 41.0 * ramp_s, interval_s)
    path = limit([-99.0 * ramp_s, 0.0, 1e-9, 99.0 * ramp_s], [0.0, 0.0, 1.0, 1.0], 0.0, ramp_s, 1.0)
    rng = np.random.default_rng(4)
    current = 0.2 + span_a * lag(path, tau, t) + noise_a * rng.standard_normal(t.size)
    fit = fit_stroke(
        [-99.0 * ramp_s, 0.0, 1e-9, 99.0 * ramp_s],
        [0.0, 0.0, 1.0, 1.0],
        t,
        current,
        start=np.array([ramp_s, 1.0, tau, 0.0, 0.0]),
        prior=Prior(tau, 1e-12, 0.0, 1.0, 0.0, 1e-10),
        noise_a=noise_a,
        interval_s=interval_s,
    )
    n = round(ramp_s / interval_s)
    se_slope = noise_a * math.sqrt(12.0 / (n * (n**2 - 1))) / interval_s
    expected = ramp_s**2 / span_a * se_slope
    keep = [0, 2, 3, 4]  # the other ramp never acted
    information = fit.information[np.ix_(keep, keep)] + np.diag([0.0, 1e12, 1.0, 1e10])
    assert math.sqrt(np.linalg.inv(information)[0, 0]) == pytest.approx(expected, rel=0.06)
    assert abs(fit.own[UP] - ramp_s) < 4.0 * expected


@pytest.mark.parametrize("interval_s", [0.005, 0.01, 0.05])
def test_when_a_sampled_step_happened_is_known_to_an_interval(interval_s: float) -> None:
    """Closed form: a rectangular distribution of width dt has variance dt^2 / 12 (JCGM 100:2008, 4.3.7).

    Noise is as good as absent, so that nothing else is left in the uncertainty of one stroke's delay.
    """
    t = np.arange(-10.0, 20.0, interval_s)
    fit = fit_stroke(
        [-50.0, 0.0, 1e-9, 50.0],
        [0.0, 0.0, 1.0, 1.0],
        t,
        0.2 + 0.8 * lag(ramp_of(1.0), 1e-3, t),
        start=np.array([1.0, 1.0, 1e-3, 0.0, 0.0]),
        prior=Prior(1e-3, 1e-12, 0.0, 1e6, 0.0, 1e-10),
        noise_a=1e-6,
        interval_s=interval_s,
    )
    keep = [0, 2, 3, 4]
    covariance = np.linalg.inv(fit.information[np.ix_(keep, keep)] + np.diag([0.0, 1e12, 0.0, 1e10]))
    assert covariance[2, 2] == pytest.approx(interval_s**2 / 12.0, rel=0.02)
