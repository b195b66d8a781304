"""What a current swings beyond its level, against the loop simulated step by step."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.ramp_fit.ramps import Combined, overshoot_share, swing
from asleft.judge.valve.end_pressure import end_estimate
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
    assert overshoot_share(told, 0) > 0.0
    assert overshoot_share(Combined(theta, np.diag([1e-6] * 4 + [0.1]), 9, 9, 1.0), 0) == 0.0
    assert overshoot_share(None, 0) == 0.0


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
