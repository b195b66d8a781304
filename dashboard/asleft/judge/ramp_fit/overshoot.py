"""How far a current swings beyond its level at the end of a ramp, by the lag and shape that strokes have told.

A current loop of natural frequency w and damping z behind a ramp of slope r leaves, once the ramp has ended,

    e(t) = exp(-z w t) (A cos v t + B sin v t),   A = -2 z r / w,   B = r (1 - 2 z^2) / v,   v = w sqrt(1 - z^2)

(a second-order lag from its state at the corner, textbook). In the words of a fit, sum of the lags L = 2 z / w and
shape 1 / z^2: above 1 it swings. A spool that friction holds stops at the farthest point: what it makes belongs to a
current as much further on, and the two branches of a loop look as much closer together. A spool too slow for the
swing does not see it. Which it is no channel tells: anything from none to all of it, evenly. And the reading's own
filter hides some of a swing, which then is up to a third more than what is read.
"""

from __future__ import annotations

import math

import numpy as np
from asleft.judge.ramp_fit.descent import LAG, SHAPE
from asleft.judge.ramp_fit.ramps import Combined

#: Standard uncertainties by which the shape must be beyond that of two equal lags.
_SURE = 2.0
#: The most that a swing is of what is read of it.
_HIDDEN = 1.3


def overshoot_share(combined: Combined | None, k: int) -> float:
    """Farthest that the current may swing beyond its level behind ramp up (`k` = 0) or down (1), share of full."""
    if combined is None:
        return 0.0
    lag_s, shape, ramp_s = (float(combined.theta[n]) for n in (LAG, SHAPE, k))
    if lag_s <= 0.0 or shape <= 1.0 + _SURE * math.sqrt(max(float(combined.covariance[SHAPE, SHAPE]), 0.0)):
        return 0.0
    return _HIDDEN * swing(lag_s, shape, ramp_s)


def swing(lag_s: float, shape: float, ramp_s: float) -> float:
    """The same of known lag, shape (above 1) and ramp; at most what a step would swing."""
    z = 1.0 / math.sqrt(shape)
    w = 2.0 * z / lag_s
    v = w * math.sqrt(1.0 - z * z)
    step = math.exp(-math.pi * z / math.sqrt(1.0 - z * z))
    if ramp_s * w < 1e-3:
        return step
    t = np.linspace(0.0, 2.0 * math.pi / v, 200)
    left = np.exp(-z * w * t) * (-2.0 * z / w * np.cos(v * t) + (1.0 - 2.0 * z * z) / v * np.sin(v * t))
    return min(float(left.max()) / ramp_s, step)
