"""The command as the driver sees it: where it moves, and as a path of few vertices."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from asleft.judge.medians import level_of
from asleft.judge.noise.command_noise import driver_demand
from asleft.judge.ramp_fit.step_time import Dating, step_time
from asleft.judge.types import FloatArray

_STEP_S = 1e-6
_LEFT = 2.0  # standard deviations of a reading: further from its level it has left it


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

    def acting(a: int, b: int) -> float:
        return driver_demand(level_of(demand[a:b]), dating.wire_sd if dating is not None else 0.0)

    for number, (a, b) in enumerate(runs):
        if not flags[a]:
            level = acting(a, b)
            path_t += [float(time_s[a]), float(time_s[b - 1])]
            path_u += [level, level]
            continue
        following = acting(*runs[number + 1]) if number + 1 < len(runs) else None
        if number > 0 and following is not None:
            if dating is not None:
                at_s = dating.date(time_s, demand, a, b, (path_u[-1], following), near)
            else:
                at_s = step_time(time_s, demand, a, b, following, near)
            if at_s is not None:
                _step_to(path_t, path_u, at_s, following)
                continue
        stop = b if following is None else _reached(demand, a, b, following, near)
        if number > 0:
            a = _left_at(demand, runs[number - 1][0], a, path_u[-1], noise)
            path_t[-1] = float(time_s[a - 1])
        path_t += [float(x) for x in time_s[a:stop]]
        path_u += np.clip(demand[a:stop], 0.0, 1.0).tolist()
        if following is not None and stop < b:
            path_t.append(float(time_s[stop]))
            path_u.append(following)
    newest = itertools.accumulate(path_t, max)
    kept = [0] + [k for k, before in enumerate(newest, 1) if k < len(path_t) and path_t[k] > before + 1e-9]
    return [path_t[k] for k in kept], [path_u[k] for k in kept]


def _step_to(path_t: list[float], path_u: list[float], at_s: float, level: float) -> None:
    """Append a step to `level` at `at_s`; dated into the rest before it, it ends that rest."""
    while len(path_t) > 1 and path_t[-1] >= at_s:
        path_t.pop()
        path_u.pop()
    path_t += [at_s, at_s + _STEP_S]
    path_u += [path_u[-1], level]


def _reached(demand: FloatArray, a: int, b: int, level: float, near: float) -> int:
    """Index in [a, b] from which on a move already lies on the level that follows it."""
    off = np.flatnonzero(np.abs(demand[a:b] - level) > near)
    return a + (int(off[-1]) + 1 if off.size else 0)


def _left_at(demand: FloatArray, first: int, a: int, level: float, noise: float) -> int:
    """Index of the first sample of a move seen at `a` that has left the level it rested at since `first`.

    A move is only seen when it has gone some way; a limiter that starts with the command must not start later.
    """
    while a - 2 > first and abs(demand[a - 1] - level) > _LEFT * noise:
        a -= 1
    return a
