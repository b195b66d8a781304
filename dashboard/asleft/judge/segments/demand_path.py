"""The command as the driver sees it: where it moves, how steeply, and as a path of few vertices."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from asleft.judge.segments.command_noise import driver_demand
from asleft.judge.segments.dwells import mean_of
from asleft.judge.segments.stairs import stairs_slope
from asleft.judge.segments.step_time import Dating, step_time
from asleft.judge.types import FloatArray

_STEP_S = 1e-6


def moving(demand: FloatArray, window: int, threshold: float) -> npt.NDArray[np.bool_]:
    """Where the range of the last `window` samples exceeds `threshold`, shape (n,)."""
    if demand.size < 2:
        return np.zeros(demand.size, dtype=bool)
    highest = lowest = np.concatenate((np.full(window - 1, demand[0]), demand))
    covered = 1  # samples that each extreme looks back over; doubling, then the rest
    while covered < window:
        more = min(covered, window - covered)
        highest = np.maximum(highest[more:], highest[:-more])
        lowest = np.minimum(lowest[more:], lowest[:-more])
        covered += more
    result: npt.NDArray[np.bool_] = (highest - lowest) > threshold
    return result


def demand_path(
    time_s: FloatArray,
    demand: FloatArray,
    flags: npt.NDArray[np.bool_],
    move: float,
    noise: float,
    dating: Dating | None = None,
) -> tuple[list[float], list[float]]:
    """The command as a path: a constant (its mean) where it rests, a jump where it steps, else its own samples.

    Samples at the end of a move that already lie on the next level are dropped: fewer vertices, less noise. Beyond
    the ends of its range the driver sees the end, and so does the path. `dating` dates steps with what is known of
    the reading's filter; without it the sum over what was missing does.
    """
    edges = [0, *(np.flatnonzero(np.diff(flags)) + 1).tolist(), flags.size]
    runs = list(itertools.pairwise(edges))
    path_t: list[float] = []
    path_u: list[float] = []
    near = max(0.5 * move, 4.0 * noise)

    def level_of(a: int, b: int) -> float:
        return driver_demand(mean_of(demand[a:b]), dating.wire_sd if dating is not None else 0.0)

    for number, (a, b) in enumerate(runs):
        if not flags[a]:
            level = level_of(a, b)
            path_t += [float(time_s[a]), float(time_s[b - 1])]
            path_u += [level, level]
            continue
        stop = b
        if number + 1 < len(runs):
            following = level_of(*runs[number + 1])
            at_s = None
            if number > 0 and dating is not None:
                at_s = dating.date(time_s, demand, a, b, (path_u[-1], following), near)
            elif number > 0:
                at_s = step_time(time_s, demand, a, b, following, near)
            if at_s is not None:
                while len(path_t) > 1 and path_t[-1] >= at_s:  # a step dated into the rest before it ends that rest
                    path_t.pop()
                    path_u.pop()
                path_t += [at_s, at_s + _STEP_S]
                path_u += [path_u[-1], following]
                continue
            off = np.flatnonzero(np.abs(demand[a:b] - following) > near)
            stop = a + (int(off[-1]) + 1 if off.size else 0)
            path_t += [float(x) for x in time_s[a:stop]]
            path_u += np.clip(demand[a:stop], 0.0, 1.0).tolist()
            if stop < b:
                path_t.append(float(time_s[stop]))
                path_u.append(following)
        else:
            path_t += [float(x) for x in time_s[a:b]]
            path_u += np.clip(demand[a:b], 0.0, 1.0).tolist()
    newest = itertools.accumulate(path_t, max)
    kept = [0] + [k for k, before in enumerate(newest, 1) if k < len(path_t) and path_t[k] > before + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def steepness(time_s: FloatArray, demand: FloatArray, interval_s: float) -> tuple[float, float]:
    """Steepest sustained rise and fall of the command itself (1/s, both >= 0).

    Over the longest stretch that is still as steep (to 15 %) for a ramp, because the steepest of many short stretches
    is steeper than the ramp by its noise. A move over within 60 ms or five samples is a step: from sample to sample.
    """
    shortest = max(5, round(0.06 / interval_s))
    rise = fall = 0.0
    rising = falling = True
    k = shortest
    while k < demand.size and (rising or falling):
        slope = (demand[k:] - demand[:-k]) / (time_s[k:] - time_s[:-k])
        if rising:
            up = float(slope.max())
            rising = up > 0.0 and up >= 0.85 * rise
            rise = up if rising else rise
        if falling:
            down = -float(slope.min())
            falling = down > 0.0 and down >= 0.85 * fall
            fall = down if falling else fall
        k *= 2
    up_stairs, down_stairs = stairs_slope(time_s, demand), stairs_slope(time_s, -demand)
    rise = rise if up_stairs is None else min(rise, up_stairs)
    fall = fall if down_stairs is None else min(fall, down_stairs)
    least = 0.9 * float(np.ptp(demand)) / (shortest * interval_s)
    if rise > least or fall > least:
        slope = np.diff(demand) / np.diff(time_s)
        rise = float(slope.max()) if rise > least else rise
        fall = -float(slope.min()) if fall > least else fall
    return rise, fall
