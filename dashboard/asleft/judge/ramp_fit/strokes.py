"""A move of the command from one settled level to another, fitted, as one row of numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.intake.intake import CLOCK, CURRENT, DEMAND, TIME, Scale
from asleft.judge.ramp_fit.demand_path import Dating, demand_path, moving
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.preparing import NO_REST, Rest, Rests
from asleft.judge.ramp_fit.ramps import UPPER
from asleft.judge.types import FloatArray

# How slow a driver's ramp must be to show beside a command that climbs by itself: a controller's own ramp.
#
# A limiter of T seconds over the full span, that falls back at once, is behind a command u by
#
#     f(1/T) = max over t1 < t2 of  u(t2) - u(t1) - (t2 - t1) / T,
#
# the largest climb of u(t) - t / T. It shows where that is an eighth of the whole climb, or more. For a line of C
# seconds over the full span f is climb x (1 - C / T), so that T = 1.15 C shows; an S-curve is told by its steepest
# part, and a ramp of any length by all of it, so that noise counts little. Stairs (a controller that renews its ramp
# every 20 to 100 ms) leave any limiter a riser behind, whatever its ramp: what one of three quarters of T is behind
# comes on top of the eighth.
#
# f is convex and decreases in 1/T; Newton's steps from below reach f = b without passing it (Dinkelbach, Management
# Science 13, 1967, from memory: the steepest stretch that climbs by more than b).
#
# A step within a microsecond, as a path has it where it could be dated, leaves every limiter behind: any ramp shows.
# What it misses: ramps that show only in the finest details of stairs, between one reading and the next.

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


def stroke_of(
    data: FloatArray,
    window: int,
    lead: int,
    scale: Scale,
    learner: Learner,
    *,
    excluded: bool,
    before: Rest = NO_REST,
    after: Rest = NO_REST,
    far: bool = False,
) -> Stroke | None:
    """Fit one stroke, `data` of shape (ROWS, n); None if the command did not really move or there is no current.

    `window`: samples over which a move is told; `lead`: settled samples before it. `before`, `after`: the dwells on
    either side, which tell the two levels better than the few samples of them in `data`. `far`: the ramps may be far
    from what is known of them.
    """
    demand, time_s = data[DEMAND], data[TIME]
    low, high = float(demand.min()), float(demand.max())
    if not scale.has_current or high - low < 3.0 * scale.move or time_s.size < 2 * lead:
        return None
    flags = moving(demand, window, scale.move)
    # Some drivers clip the noise on the wire at their ends, some do not: half of it, until levels tell (`estimates`).
    clipped = 0.5 * learner.wire_noise(scale.interval_s).sd
    dating = Dating(learner.known_filter(), scale.interval_s, scale.demand_noise, clipped)
    path_t, path_u = demand_path(time_s, demand, flags, scale.move, scale.demand_noise, dating)
    learner.know_filter(dating.taught())
    rests = Rests.beside(time_s, data[CURRENT], lead, before, after, learner.fit_noise_a())
    fit = learner.fit(path_t, path_u, time_s, data[CURRENT], scale, dating.interval_equivalent_s(), rests, far=far)
    upper = fit.information[UPPER]
    head = (
        float(time_s[0]),
        float(time_s[-1]),
        path_u[0],
        path_u[-1],
        low,
        high,
        fit.active_up_s,
        fit.active_down_s,
        *identifiable_ramps(path_t, path_u, scale.demand_noise),
        fit.chi2,
    )
    numbers = np.concatenate((fit.theta, fit.gradient, upper, fit.own)).tolist()
    return Stroke._make((*head, *numbers, float(excluded), float(data[CLOCK, -1])))
