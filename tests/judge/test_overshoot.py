"""What a current swings beyond its level, against the loop simulated step by step."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.ramps import Combined, overshoot_share, swing
from asleft.judge.valve.end_pressure import end_estimate
from scipy import optimize, signal
from synth import dwell, sheet
from test_characteristic import CUSHION, cycles, measured


def simulated(lag_s: float, shape: float, ramp_s: float) -> float:
    """Second-order loop behind a ramp from 0 to 1, by small steps."""
    damping = 1.0 / np.sqrt(shape)
    frequency = 2.0 * damping / lag_s
    step_s, value, rate, highest = 1e-5, 0.0, 0.0, 0.0
    for k in range(int((ramp_s + 10.0 * lag_s) / step_s)):
        asked = min(k * step_s / ramp_s, 1.0)
        rate += step_s * frequency * (frequency * (asked - value) - 2.0 * damping * rate)
        value += step_s * rate
        highest = max(highest, value)
    return highest - 1.0


@pytest.mark.parametrize(("lag_s", "shape", "ramp_s"), [(0.03, 3.0, 0.4), (0.06, 2.0, 1.0), (0.02, 6.0, 0.3)])
def test_the_swing_is_that_of_the_loop(lag_s: float, shape: float, ramp_s: float) -> None:
    assert swing(lag_s, shape, ramp_s) == pytest.approx(simulated(lag_s, shape, ramp_s), rel=0.05)
    assert swing(lag_s, shape, 0.0) == pytest.approx(simulated(lag_s, shape, 1e-5), rel=0.05)


def test_a_lag_that_is_not_surely_a_loop_does_not_swing() -> None:
    theta = np.array([0.4, 0.4, 0.03, 0.0, 1.5])
    told = Combined(theta, np.diag([1e-6] * 4 + [0.04]), 9, 9, 1.0)
    assert overshoot_share(told, 0, None) > 0.0
    assert overshoot_share(Combined(theta, np.diag([1e-6] * 4 + [0.1]), 9, 9, 1.0), 0, None) == 0.0
    assert overshoot_share(None, 0, None) == 0.0


def read_as(lag_s: float, shape: float, filter_s: float, ramp_s: float) -> tuple[float, float]:
    """Lag and shape of the loop, with a delay, that a loop's answer to a ramp behind a first-order filter looks like.

    Least squares over the answer itself, noise apart, as strokes are fitted.
    """
    time_s = np.arange(0.0, ramp_s + 12.0 * (lag_s + filter_s), 5e-4)
    slow = signal.TransferFunction([1.0], np.polymul([0.25 * shape * lag_s**2, lag_s, 1.0], [filter_s, 1.0]))
    asked = np.clip(time_s / ramp_s, 0.0, 1.0)
    seen = signal.lsim(slow, asked, time_s)[1]

    def left(x: np.ndarray) -> np.ndarray:
        model = signal.TransferFunction([1.0], [0.25 * x[1] * x[0] ** 2, x[0], 1.0])
        late = np.clip((time_s - x[2]) / ramp_s, 0.0, 1.0)
        return np.asarray(signal.lsim(model, late, time_s)[1]) - seen

    found = optimize.least_squares(left, [lag_s, shape, filter_s], x_scale=[0.01, 1.0, 0.01]).x
    return float(found[0]), float(found[1])


@pytest.mark.parametrize(
    ("damping", "natural_hz", "low_pass_hz", "ramp_s"),
    [(0.72, 10.4, 9.4, 0.6), (0.54, 13.0, 12.3, 1.9), (0.46, 19.2, 14.7, 1.35), (0.5, 5.0, 40.0, 1.8)],
)
def test_what_the_filter_of_the_reading_hides_of_a_swing_is_reckoned_with(damping, natural_hz, low_pass_hz, ramp_s):
    frequency = 2.0 * np.pi * natural_hz
    lag_s, shape = 2.0 * damping / frequency, 1.0 / damping**2
    read_lag_s, read_shape = read_as(lag_s, shape, 1.0 / (2.0 * np.pi * low_pass_hz), ramp_s)
    told = Combined(np.array([ramp_s, ramp_s, read_lag_s, 0.0, read_shape]), np.diag([1e-9] * 5), 9, 9, 1.0)
    true = simulated(lag_s, shape, ramp_s)
    if low_pass_hz < natural_hz * 1.2:
        assert swing(read_lag_s, read_shape, ramp_s) < 0.6 * true, "what is read swings much less"
    assert overshoot_share(told, 0, low_pass_hz) == pytest.approx(true, rel=0.35)
    assert overshoot_share(told, 0, None) > 0.75 * true, "a filter nobody told of leaves it open"


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_what_friction_holds_of_a_swing_lies_within_the_uncertainty(share: float) -> None:
    """Pressure of a current 0.4 % further on, or not, and a loop as much narrower."""
    far = 0.004
    held = dwell(1.0, 1.0, pressure_bar=200.0 + share * far * 190.0)
    found = end_estimate([held] * 9, sheet(), at_full=True, instrument_u_bar=0.0, swing=far)
    assert found is not None
    assert abs(found.value - 200.0) < found.expanded() < 1.2 * 0.6 * far * 190.0
    loop = measured(cycles(CUSHION, 10, half=0.02 - 0.5 * share * far), swing=far).hysteresis
    assert loop is not None
    assert abs(loop.value - 4.0) < loop.expanded() + 0.01
