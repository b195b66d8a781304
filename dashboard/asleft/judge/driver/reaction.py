"""How long the current takes to follow, beside the ramps: measured as left once, and whether it has moved since.

The mean response time is lag plus delay of the strokes' common fit, the first moment of the answer to a step. It is
known far better than either of the two (their errors cancel in the sum: some hundredths of a millisecond from ten
minutes), and it does not depend on ramps, span or the shape of the lag. As left is the mean of the first five
adequate points of production after a revision. `response-changed` when the change, less its expanded uncertainty, is
more than a quarter of the lag as left and 5 ms; lag and delay by themselves then say whether the driver and coil
follow more slowly or a reading comes late.

Misses: less than that; production without strokes that can be fitted; a lag that belongs to the first five points
already. Cries wolf: a recording whose channels are read at another instant of their interval after a restart (its
delay changes by up to that interval, which is why the limit is never under one interval). On simulated healthy valves
the response time of ten minutes scatters by 0.1 ms, a fiftieth of the smallest limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from asleft.judge.ramp_fit.descent import DELAY, LAG
from asleft.judge.ramp_fit.ramps import Combined

_POINTS = 5
LEAST_S = 0.005
SHARE = 0.25
#: A point whose response time is known worse than this (k = 1) is not adequate.
_ADEQUATE_S = 0.002


class Answer(NamedTuple):
    """Lag and delay of one set of strokes, and the standard uncertainty of their sum (s)."""

    lag_s: float
    delay_s: float
    u_s: float

    @property
    def response_s(self) -> float:
        """Mean response time."""
        return self.lag_s + self.delay_s


@dataclass(frozen=True, slots=True)
class Reaction:
    """The first adequate points; five of them are as left (measured) and stay so."""

    first: tuple[Answer, ...] = ()

    def seen(self, combined: Combined | None) -> Reaction:
        """With the point that these strokes make, if as left is still open and they are adequate."""
        answer = answer_of(combined)
        if answer is None or len(self.first) >= _POINTS or answer.u_s > _ADEQUATE_S:
            return self
        return Reaction((*self.first, answer))

    @property
    def left(self) -> Answer | None:
        """As left (measured), with the uncertainty of a mean that scatters as the points did; None while open."""
        if len(self.first) < _POINTS:
            return None
        rows = np.array(self.first)
        each = float(np.sqrt((rows[:, 2] ** 2).mean()))
        scatter = float((rows[:, 0] + rows[:, 1]).std(ddof=1))
        return Answer(float(rows[:, 0].mean()), float(rows[:, 1].mean()), max(each, scatter) / math.sqrt(_POINTS))


def answer_of(combined: Combined | None) -> Answer | None:
    """Lag, delay and the uncertainty of their sum from a joint fit, None without one."""
    if combined is None:
        return None
    variance = float(combined.covariance[np.ix_([LAG, DELAY], [LAG, DELAY])].sum())
    if not (math.isfinite(variance) and variance >= 0.0):
        return None
    return Answer(float(combined.theta[LAG]), float(combined.theta[DELAY]), math.sqrt(variance))
