"""Which strokes tell a ramp: those whose command the ramp clearly held back (`ramp_identifiability`).

A ramp that the command hardly outruns is told from the command's own way by its finest details, which a sampled
reading does not have. So a stroke counts for a ramp only where the common estimate is slower than what shows in
that stroke. The common one: near the border a stroke's own noise would choose for the slow side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.ramp_fit.ramps import UPPER, Combined, combine, stroke_matrices
from asleft.judge.types import FloatArray

#: A ramp known worse than this (s) is not known at all.
_KNOWN_S = 1e3


@dataclass(frozen=True, slots=True)
class Told:
    """What strokes tell of one ramp: value and standard uncertainty (s), by which of them, and a bound.

    No `carriers`: none tells it. `below_s`: if it is not told, it is shorter than this.
    """

    value_s: float
    sd_s: float
    carriers: tuple[Stroke, ...]
    below_s: float


def ramp_estimate(strokes: Sequence[Stroke], moves: Sequence[Stroke], combined: Combined, k: int) -> Told:
    """Ramp up (`k` = 0) or down (1) from strokes that add up to `combined`; `moves`: those that go that way."""
    tell = _telling(moves, _value(combined, k), k)
    shows = [s.identifiable_down_s if k else s.identifiable_up_s for s in moves]
    if tell and len(tell) < len(moves):
        kept = {id(s) for s in tell}
        again = combine([s if id(s) in kept else without_ramp(s, k) for s in strokes])
        combined = again if again is not None else combined
        tell = [s for s in _telling(moves, _value(combined, k), k) if id(s) in kept]
    value_s, sd_s = _value(combined, k), math.sqrt(max(float(combined.covariance[k, k]), 0.0))
    held = any((s.active_up_s, s.active_down_s)[k] > 0.0 for s in moves)
    at_most = value_s + 2.0 * sd_s if held and sd_s < _KNOWN_S else 0.0
    return Told(value_s, sd_s, tuple(tell), max(float(np.median(shows)), at_most))


def _value(combined: Combined, k: int) -> float:
    return float(combined.theta[k])


def _telling(moves: Sequence[Stroke], value_s: float, k: int) -> list[Stroke]:
    return [
        s
        for s in moves
        if (s.active_up_s, s.active_down_s)[k] > 0.0
        and (s.h00, s.h11)[k] > 0.0
        and (s.identifiable_up_s, s.identifiable_down_s)[k] <= max(value_s, 0.0)
    ]


def without_ramp(stroke: Stroke, k: int) -> Stroke:
    """A stroke that says nothing of one ramp."""
    _, gradient, information = (x[0] for x in stroke_matrices([stroke]))
    information, gradient = without(information, gradient, k)
    numbers = [*stroke]
    numbers[_G0:_OWN] = [*gradient.tolist(), *information[UPPER].tolist()]
    return Stroke._make(numbers)


_G0, _OWN = Stroke._fields.index("g0"), Stroke._fields.index("own_up_s")


def without(information: FloatArray, gradient: FloatArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Information and gradient with one parameter marginalised out (Schur complement): nothing is known of it."""
    column, own = information[:, k], float(information[k, k])
    if own <= 0.0:
        return information, gradient
    rest = information - np.outer(column, column) / own
    rest[k, :] = rest[:, k] = 0.0
    slope = gradient - column * (float(gradient[k]) / own)
    slope[k] = 0.0
    return rest, slope
