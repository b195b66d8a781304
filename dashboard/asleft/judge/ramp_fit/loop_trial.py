"""Does the current overshoot? The two stories of a lag, told side by side over some strokes.

A lag and a delay, and a loop that overshoots, delay a ramp alike and differ at its corners alone: each is an optimum
of its own, with a ridge between them, and a fit that begins at the one does not come to the other. So the loop's
story is followed beside the usual one, by the same recursive least squares, and each new stroke is asked which of
the two had foretold it better, before either learns from it: a sum of such gains needs no allowance for what is
fitted (Dawid, Journal of the Royal Statistical Society A 147, 1984, from memory).

Misses: swings of which single strokes show hardly anything, in fewer than some dozens of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.ramp_fit.descent import DELAY, DOWN, LAG, PARAMETERS, UP, Model, Tangent
from asleft.judge.ramp_fit.response import MIN_RAMP_S, MOST_SWING
from asleft.judge.types import FloatArray

#: Shape of a loop before anything is known, and its standard uncertainty; that of its delay (s).
_SHAPE, _SHAPE_U, _DELAY_U_S = 3.0, 1.5, 0.02
_LEAST_LAG_S = 0.005
#: Gain in chi-square from which the loop is believed, and the most that one stroke may gain.
_BELIEVED, _MOST_GAIN = 30.0, 10.0
#: Chi-square a sample up to which a story explains a stroke.
_EXPLAINS = 1.5
#: Strokes by which both stories first learn, and those asked in all.
_LEARN, _ASKED = 6.0, 60.0
#: Weight that earlier strokes keep at each new one.
_KEEP = 0.99


@dataclass(eq=False, frozen=True, slots=True)
class LoopTrial:
    """How the loop's story does: strokes asked, chi-square gained over the usual one, and what is known in it.

    `start`: parameters (5,) before any stroke; `information` (5, 5) and `target` (5,) as a learner's.
    """

    asked: float
    gained: float
    start: FloatArray
    information: FloatArray
    target: FloatArray

    @classmethod
    def begun(cls, usual: FloatArray) -> LoopTrial:
        """From the usual story's parameters (5,): all that comes late is the loop's."""
        lag_s = max(float(usual[LAG] + usual[DELAY]), _LEAST_LAG_S)
        start = np.array([usual[UP], usual[DOWN], lag_s, 0.0, _SHAPE])
        return cls(0.0, 0.0, start, np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS))

    @classmethod
    def from_row(cls, row: Sequence[float]) -> LoopTrial:
        """Inverse of `row`."""
        numbers = np.array(row[2:])
        square = numbers[PARAMETERS:-PARAMETERS].reshape(PARAMETERS, PARAMETERS)
        return cls(row[0], row[1], numbers[:PARAMETERS], square, numbers[-PARAMETERS:])

    def row(self) -> list[float]:
        """As plain numbers."""
        return [
            self.asked,
            self.gained,
            *self.start.tolist(),
            *self.information.ravel().tolist(),
            *self.target.tolist(),
        ]

    @property
    def open(self) -> bool:
        """Whether more strokes are to be asked."""
        return self.asked < _ASKED and not self.believed

    @property
    def believed(self) -> bool:
        """Whether the loop is the better story."""
        return self.gained > _BELIEVED

    def precision(self) -> FloatArray:
        """Of what is known before any stroke, (5, 5)."""
        return np.diag([1e-2, 1e-2, self.start[LAG] ** -2.0, _DELAY_U_S**-2.0, _SHAPE_U**-2.0])

    def guess(self) -> FloatArray:
        """Parameters (5,) by this story."""
        before = self.precision()
        found = np.linalg.solve(self.information + before, self.target + before @ self.start)
        least = [MIN_RAMP_S, MIN_RAMP_S, 0.25 * _LEAST_LAG_S, -0.2, 1.0]
        out: FloatArray = np.clip(found, least, [np.inf, np.inf, np.inf, 0.2, MOST_SWING])
        return out

    def asking(self, model: Model, usual: FloatArray, noise_a: float, interval_s: float) -> LoopTrial:
        """After one more stroke: which story had foretold it, then what it says within this one."""
        guess = self.guess()
        cost, information, slope = _of_own_instant(model.tangent_at(guess), noise_a, interval_s)
        gain = _of_own_instant(model.tangent_at(usual), noise_a, interval_s)[0] - cost
        if cost > _EXPLAINS * model.time_s.size:  # what neither story explains speaks for none
            gain = min(gain, 0.0)
        return LoopTrial(
            self.asked + 1.0,
            self.gained + (min(max(gain, -_MOST_GAIN), _MOST_GAIN) if self.asked >= _LEARN else 0.0),
            self.start,
            _KEEP * self.information + information,
            _KEEP * self.target + information @ guess + slope,
        )


def _of_own_instant(here: Tangent, noise_a: float, interval_s: float) -> tuple[float, FloatArray, FloatArray]:
    """Chi-square, information (5, 5) and slope (5,) of a stroke whose instant is known to an interval only."""
    information, slope = here.information / noise_a**2, here.slope / noise_a**2
    column, total = information[:, DELAY], information[DELAY, DELAY] + 12.0 / interval_s**2
    own = float(slope[DELAY]) / total
    cost = here.point.squares / noise_a**2 - own * float(slope[DELAY])
    return cost, information - np.outer(column, column) / total, slope - column * own
