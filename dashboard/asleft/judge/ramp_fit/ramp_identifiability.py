"""How slow a driver's ramp must be to show beside a command that climbs by itself: a controller's own ramp.

A limiter of T seconds over the full span, that falls back at once, is behind a command u by

    f(1/T) = max over t1 < t2 of  u(t2) - u(t1) - (t2 - t1) / T,

the largest climb of u(t) - t / T. It shows where that is an eighth of the whole climb, or more. For a line of C
seconds over the full span f is climb x (1 - C / T), so that T = 1.15 C shows; an S-curve is told by its steepest
part, and a ramp of any length by all of it, so that noise counts little. Stairs (a controller that renews its ramp
every 20 to 100 ms) leave any limiter a riser behind, whatever its ramp: what one of three quarters of T is behind
comes on top of the eighth.

f is convex and decreases in 1/T; Newton's steps from below reach f = b without passing it (Dinkelbach, Management
Science 13, 1967, from memory: the steepest stretch that climbs by more than b).

A step within a microsecond, as a path has it where it could be dated, leaves every limiter behind: any ramp shows.
What it misses: ramps that show only in the finest details of stairs, between one reading and the next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.types import FloatArray

#: How far a limiter is behind, as a share of the climb, where it shows: 1 - 1 / 1.15.
_SHOWS = 0.13
#: Peaks of noise in a path, in standard deviations of one reading.
_PEAKS = 6.0
#: A faster limiter, by which that is told what stairs make of any.
_FASTER = 1.3
_STEP_PER_S = 1e4  # steeper than any reading climbs: only dated steps are
_ROUNDS = 30


def identifiable_ramps(path_t: Sequence[float], path_u: Sequence[float], noise: float) -> tuple[float, float]:
    """The shortest ramp up and ramp down (s over the full span) that show in a path; see `shows_from_s`."""
    time_s, demand = np.array(path_t), np.array(path_u)
    return shows_from_s(time_s, demand, noise), shows_from_s(time_s, -demand, noise)


def shows_from_s(time_s: FloatArray, demand: FloatArray, noise: float) -> float:
    """The shortest ramp (s over the full span) that shows while the command climbs; infinite where it does not.

    `time_s`, `demand` of shape (n,), the command as the driver sees it, times ascending, joined by lines; give
    `-demand` for the ramp down. `noise`: standard deviation of what the path has of it.
    """
    climb = _behind(time_s, demand, 0.0)[0]
    least = _SHOWS * climb + _PEAKS * noise
    if climb <= least:
        return math.inf
    if _behind(time_s, demand, _STEP_PER_S)[0] >= least:
        return 0.0
    rate = _steepest(time_s, demand, least)
    for _ in range(_ROUNDS):
        stairs = _behind(time_s, demand, _FASTER * rate)[0]
        if least + stairs >= climb:
            return math.inf
        slower = _steepest(time_s, demand, least + stairs)
        if slower > 0.995 * rate:
            break
        rate = slower
    return 1.0 / rate if rate > 0.0 else math.inf


def _behind(time_s: FloatArray, demand: FloatArray, per_s: float) -> tuple[float, int, int]:
    """How far the command gets ahead of a limiter of `per_s`, and from where to where."""
    beyond = demand - per_s * time_s
    lowest = np.minimum.accumulate(beyond)
    last = int(np.argmax(beyond - lowest))
    first = int(np.argmin(beyond[: last + 1]))
    return float(beyond[last] - lowest[last]), first, last


def _steepest(time_s: FloatArray, demand: FloatArray, climb: float) -> float:
    """The rate (1/s) of a limiter that is just `climb` behind."""
    rate = 0.0
    for _ in range(_ROUNDS):
        behind, first, last = _behind(time_s, demand, rate)
        if behind <= climb * (1.0 + 1e-9) or last == first:
            break
        rate = float(demand[last] - demand[first] - climb) / float(time_s[last] - time_s[first])
    return rate
