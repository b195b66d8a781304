"""The driver's model in continuous time: the rate limiter on demand, exact, and what the lags after it are called.

A demand is a path: vertices (time, value) joined by straight lines; a step is two vertices close together. The
limiter turns a path into a path, the lags have a closed form on each straight piece (`response`), so the cost grows
with the number of vertices and not with the sample rate, and no step-size error enters the estimates.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

_SAME = 1e-12
#: Below this the limiter is as good as absent; keeps rates finite.
MIN_RAMP_S = 1e-5


@dataclass(frozen=True, slots=True)
class Limited:
    """What the limiter made of a path, and for how long it held it back in either direction (s).

    For each piece between two vertices: `held`, 1 by the ramp up, -1 by the ramp down, 0 not; and `kept`, the share
    of a small difference of the value before it that is still there at its start (all where the ramp goes on, none
    where the path follows the demand again).
    """

    time_s: list[float]
    value: list[float]
    limited_up_s: float
    limited_down_s: float
    held: list[int] = field(default_factory=list)
    kept: list[float] = field(default_factory=list)


def limit(time_s: Sequence[float], value: Sequence[float], start: float, up_s: float, down_s: float) -> Limited:
    """Rate-limit a path to +1/`up_s` and -1/`down_s` per second, from `start`; times strictly increasing."""
    rate_up = 1.0 / max(up_s, MIN_RAMP_S)
    rate_down = -1.0 / max(down_s, MIN_RAMP_S)
    out_t = [time_s[0]]
    out_r = [start]
    held: list[int] = []
    kept: list[float] = []
    r = start
    share = 1.0
    held_up = held_down = 0.0
    for (t, t1), (u, u1) in zip(itertools.pairwise(time_s), itertools.pairwise(value), strict=True):
        slope = (u1 - u) / (t1 - t)
        while t1 - t > _SAME:
            error = u - r
            apart = error > _SAME or error < -_SAME
            if not apart and rate_down <= slope <= rate_up:
                out_t.append(t1)
                out_r.append(u1)
                held.append(0)
                kept.append(0.0)
                r, share = u1, 1.0
                break
            up = error > 0.0 if apart else slope > rate_up
            rate = rate_up if up else rate_down
            closing = rate - slope
            span = t1 - t
            meet = error / closing if apart and (closing > _SAME or closing < -_SAME) else math.inf
            held.append(1 if up else -1)
            kept.append(share)
            if 0.0 < meet < span:
                span = meet
                r += rate * meet
                t += meet
                u = r
                onward = min(max(slope, rate_down), rate_up)
                share = (onward - slope) / closing
            else:
                r += rate * span
                t, u, share = t1, u1, 1.0
            if up:
                held_up += span
            else:
                held_down += span
            out_t.append(t)
            out_r.append(r)
    return Limited(out_t, out_r, held_up, held_down, held, kept)


#: Nearly equal time constants are kept this far from equal, where partial fractions still have digits to spare.
MOST_EQUAL = 0.98
#: Shape of the loop that swings most (damping 0.39).
MOST_SWING = 6.5


def time_constants(lag_s: float, shape: float) -> tuple[float, float]:
    """The larger and the smaller of two first-order lags in a row.

    `lag_s` is their sum; `shape` = 4 tau1 tau2 / lag_s^2 is 0 for a single lag and 1 for two equal ones. The answer
    is smooth in these two (it depends on sum and product only), which a fit needs where the two lags meet.
    """
    root = math.sqrt(1.0 - min(max(shape, 0.0), MOST_EQUAL))
    return 0.5 * lag_s * (1.0 + root), 0.5 * lag_s * (1.0 - root)
