"""A stretch in which a controller's command outran the driver's ramp, fitted, as one row of numbers.

Such a command does not rest before or after its jump: the controller goes on correcting. So its path is its own
readings, averaged over a few samples, and a jump where it jumps; the driver sees the jump itself, while the reading's
filter spreads it over some samples.

A ramp the command hardly outruns is told from the command's own way by its finest details, which a sampled reading
does not have; so a direction in which the limiter never fell behind by a tenth of the command says nothing of
its ramp, whatever the fit makes of it.
"""

from __future__ import annotations

import itertools

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.intake.columns import CLOCK, CURRENT, DEMAND, TIME
from asleft.judge.intake.scale import Scale
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.ramp_estimate import without
from asleft.judge.ramp_fit.ramp_identifiability import identifiable_ramps
from asleft.judge.types import FloatArray

#: A change of this much from one reading to the next (and eight times the noise) belongs to a jump.
_JUMP = 0.02
_OVER = 0.1  # of the steepest change: where a jump ends
_JUMP_LASTS_S = 0.08
_BLOCK = 5
_STEP_S = 1e-6
#: How far the command must have been ahead of a limiter with the ramps found, in that direction.
_AHEAD = 0.1


def outrun_stroke(data: FloatArray, scale: Scale, learner: Learner) -> Stroke | None:
    """Fit samples of shape (ROWS, n) that begin and end with the ramps not at work; None without a current."""
    if not scale.has_current or data.shape[1] < 4 * _BLOCK:
        return None
    time_s, demand = data[TIME], data[DEMAND]
    path_t, path_u = creeping_path(time_s, demand, scale)
    fit = learner.fit(path_t, path_u, time_s, data[CURRENT], scale)
    ahead = _ahead(path_t, path_u, float(fit.own[0]), float(fit.own[1]))
    information, gradient, active = fit.information, fit.gradient, [fit.active_up_s, fit.active_down_s]
    for k in (0, 1):
        if ahead[k] < _AHEAD:
            information, gradient = without(information, gradient, k)
            active[k] = 0.0
    head = (
        float(time_s[0]),
        float(time_s[-1]),
        path_u[0],
        path_u[-1],
        min(path_u),
        max(path_u),
        *active,
        *identifiable_ramps(path_t, path_u, scale.demand_noise),
        fit.chi2,
    )
    upper = information[np.triu_indices(fit.theta.size)]
    numbers = np.concatenate((fit.theta, gradient, upper, fit.own)).tolist()
    return Stroke._make((*head, *numbers, float(max(ahead) < _AHEAD), float(data[CLOCK, -1])))


def _ahead(path_t: list[float], path_u: list[float], up_s: float, down_s: float) -> tuple[float, float]:
    """How far the path gets ahead of a limiter with these ramps, upwards and downwards."""
    rise, fall = 1.0 / max(up_s, _STEP_S), 1.0 / max(down_s, _STEP_S)
    limited, above, below = path_u[0], 0.0, 0.0
    for (t0, t1), u in zip(itertools.pairwise(path_t), path_u[1:], strict=True):
        limited += min(max(u - limited, -fall * (t1 - t0)), rise * (t1 - t0))
        above, below = max(above, u - limited), max(below, limited - u)
    return above, below


def creeping_path(time_s: FloatArray, demand: FloatArray, scale: Scale) -> tuple[list[float], list[float]]:
    """Vertices of a command that creeps and jumps, times ascending, demand within 0..1."""
    path_t: list[float] = []
    path_u: list[float] = []
    at = 0
    for a, b in _jumps(time_s, demand, scale):
        if a < at + 3:
            continue
        _creep(time_s[at:a], demand[at:a], path_t, path_u)
        before = float(np.clip(demand[a - 3 : a], 0.0, 1.0).mean())
        after = float(np.clip(demand[b : b + 3], 0.0, 1.0).mean())
        share = np.clip((demand[a - 1 : b + 1] - before) / (after - before), 0.0, 1.0)
        share[0], share[-1] = 0.0, 1.0
        missing = 1.0 - 0.5 * (share[1:] + share[:-1])
        at_s = float(time_s[a - 1] + missing @ np.diff(time_s[a - 1 : b + 1]))
        path_t += [at_s, at_s + _STEP_S]
        path_u += [before, after]
        at = b + 1
    _creep(time_s[at:], demand[at:], path_t, path_u)
    kept = [0] + [k for k in range(1, len(path_t)) if path_t[k] > path_t[k - 1] + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def _jumps(time_s: FloatArray, demand: FloatArray, scale: Scale) -> list[tuple[int, int]]:
    """First and last sample of each jump: the one on which it is first seen, and the one that has all of it."""
    change = np.abs(np.diff(demand))
    least = max(_JUMP, 8.0 * scale.demand_noise)
    out: list[tuple[int, int]] = []
    k = 0
    while k < change.size:
        if change[k] < least:
            k += 1
            continue
        top = k
        while top + 1 < change.size and change[top + 1] > change[top]:
            top += 1
        first, last = k, top
        while first > 0 and change[first - 1] > _OVER * change[top]:
            first -= 1
        while last + 1 < change.size and change[last + 1] > _OVER * change[top]:
            last += 1
        if time_s[last + 1] - time_s[first] <= max(_JUMP_LASTS_S, 2.5 * scale.interval_s) and last + 3 < demand.size:
            out.append((first + 1, last + 1))
        k = last + 1
    return out


def _creep(time_s: FloatArray, demand: FloatArray, path_t: list[float], path_u: list[float]) -> None:
    """Add the readings of a stretch without a jump: first and last at their times, between them means of blocks."""
    n = time_s.size
    if n == 0:
        return
    inside = np.clip(demand, 0.0, 1.0)
    edge = min(3, n)
    path_t.append(float(time_s[0]))
    path_u.append(float(inside[:edge].mean()))
    whole = n - n % _BLOCK
    if n >= 3 * _BLOCK:
        times = time_s[:whole].reshape(-1, _BLOCK).mean(axis=1)
        path_t += times.tolist()
        path_u += inside[:whole].reshape(-1, _BLOCK).mean(axis=1).tolist()
    if n > 1:
        path_t.append(float(time_s[-1]))
        path_u.append(float(inside[n - edge :].mean()))
