"""What somebody did with the command: full cycles 0-100-0 %, and which of them were sweeps.

A *full cycle* leaves the lower end of the range, reaches the upper end and comes back. It is a *sweep* if each way
goes in steps no larger than a quarter of the range with a rest on each, or as slowly as 10 % a second, and never
turns back. Everything faster conditions the valve and is not graded (ISO 10770-3 has conditioning cycles run before
a recording, not recorded; from memory).

Told from the command alone, averaged over tenths of a second, so that a valve without a current reading can be
verified too.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

#: Nearer to an end of the range than this is at the end.
END = 0.03
#: A way back on the way larger than this is a turn: the valve is then on another branch.
TURN = 0.02
#: Largest step of a sweep, and the fastest sweep without rests (share of the range per second).
LARGEST_STEP, FASTEST = 0.26, 0.10
_TENTH_S = 0.1
_REST_TENTHS = 8
_REST = 0.008
_GAP_TENTHS = 20


@dataclass(frozen=True, slots=True)
class Leg:
    """One way of a cycle. `rests`: levels rested on, in order, ends included (1 = full). `rate`: per second."""

    from_s: float
    to_s: float
    rests: tuple[float, ...]
    largest_step: float
    fastest: float
    turned_back: float

    @property
    def rate(self) -> float:
        """Mean rate, share of the range per second."""
        return (1.0 - 2.0 * END) / max(self.to_s - self.from_s, _TENTH_S)

    @property
    def slow(self) -> bool:
        """Whether it can be graded."""
        stepped = len(self.rests) >= 5 and self.largest_step <= LARGEST_STEP
        creeping = self.fastest <= FASTEST
        return self.turned_back <= TURN and (stepped or creeping)


@dataclass(frozen=True, slots=True)
class FullCycle:
    """From the last moment at the lower end, over the stay at the upper one, to the first back at the lower."""

    from_s: float
    top_from_s: float
    top_to_s: float
    to_s: float
    up: Leg
    down: Leg

    @property
    def sweep(self) -> bool:
        """Slow enough both ways to be graded."""
        return self.up.slow and self.down.slow


@dataclass(frozen=True, slots=True)
class Motion:
    """What the command did in a stretch.

    `under_way`: "up" from the lower end, "down" from the upper one of a cycle that began, or "" if nothing is begun.
    `reached`: how far that way has got (share of the range).
    """

    cycles: tuple[FullCycle, ...]
    under_way: str
    under_way_since_s: float | None
    reached: float

    @property
    def sweeps(self) -> tuple[FullCycle, ...]:
        """Those that can be graded."""
        return tuple(cycle for cycle in self.cycles if cycle.sweep)


def motion_of(time_s: FloatArray, demand: FloatArray) -> Motion:
    """Cycles in a stretch; `time_s`, `demand` of shape (n,), NaN where the command was not read.

    A pause of two seconds in the data breaks the cycle it is in.
    """
    tenth, level = tenths(time_s, demand)
    at_end = np.where(level <= END, -1, np.where(level >= 1.0 - END, 1, 0))
    broken = np.flatnonzero(np.diff(tenth) > _GAP_TENTHS) + 1
    cycles: list[FullCycle] = []
    tail = Motion((), "", None, math.nan)
    for a, b in itertools.pairwise([0, *broken.tolist(), level.size]):
        found, tail = _cycles(tenth[a:b] * _TENTH_S, level[a:b], at_end[a:b])
        cycles += found
    return Motion(tuple(cycles), tail.under_way, tail.under_way_since_s, tail.reached)


def tenths(time_s: FloatArray, demand: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Numbers of the tenths of a second with readings, and the mean demand in each, both of shape (m,)."""
    good = np.isfinite(demand)
    time_s, demand = time_s[good], demand[good]
    if time_s.size == 0:
        return np.zeros(0), np.zeros(0)
    number = np.floor(time_s / _TENTH_S)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    counts = np.diff(np.concatenate((starts, [time_s.size])))
    return number[starts], np.add.reduceat(demand, starts) / counts


def _cycles(time_s: FloatArray, level: FloatArray, at_end: FloatArray) -> tuple[list[FullCycle], Motion]:
    """Cycles of an unbroken stretch, and what is under way at its end."""
    nothing = Motion((), "", None, math.nan)
    where = np.flatnonzero(at_end)
    if where.size == 0:
        return [], nothing
    ends = at_end[where]
    cuts = np.flatnonzero(np.diff(ends)) + 1
    runs = [(int(ends[a]), int(where[a]), int(where[b - 1]))
            for a, b in itertools.pairwise([0, *cuts.tolist(), where.size])]  # fmt: skip
    found = []
    for (low, _, leaves), (top, reaches, parts), (_, back, _) in zip(runs, runs[1:], runs[2:], strict=False):
        if low < 0 < top:
            found.append(
                FullCycle(
                    float(time_s[leaves]),
                    float(time_s[reaches]),
                    float(time_s[parts]),
                    float(time_s[back]),
                    _leg(time_s, level, leaves, reaches),
                    _leg(time_s, 1.0 - level, parts, back),
                )
            )
    return found, _tail(time_s, level, runs)


def _tail(time_s: FloatArray, level: FloatArray, runs: list[tuple[int, int, int]]) -> Motion:
    end, _, last = runs[-1]
    after = level[last:]
    if end > 0:
        began = len(runs) > 1
        low = float(after.min())
        return Motion((), "down" if began else "", float(time_s[last]) if began else None, low)
    high = float(after.max())
    if high <= END + TURN:
        return Motion((), "", None, high)
    return Motion((), "up", float(time_s[last]), high)


def _leg(time_s: FloatArray, level: FloatArray, first: int, last: int) -> Leg:
    """One way, seen as rising (falling ones come mirrored)."""
    mirrored = bool(level[first] > level[last])
    part = level[first : last + 1] if not mirrored else 1.0 - level[first : last + 1]
    highest = np.maximum.accumulate(part)
    rests = _rests(part)
    steps = np.diff([0.0, *rests, 1.0]) if rests else np.ones(1)
    second = round(1.0 / _TENTH_S)
    fastest = float(np.max(part[second:] - part[:-second])) if part.size > second else 1.0
    return Leg(
        float(time_s[first]),
        float(time_s[last]),
        tuple(rests),
        float(np.max(steps)),
        fastest,
        float(np.max(highest - part)),
    )


def _rests(level: FloatArray) -> list[float]:
    """Levels at which it stays for at least eight tenths of a second, and both ends."""
    n = level.size - _REST_TENTHS + 1
    inner: list[float] = []
    if n > 0:
        windows = np.lib.stride_tricks.sliding_window_view(level, _REST_TENTHS)
        flat = np.flatnonzero(np.ptp(windows, axis=1) < _REST)
        if flat.size:
            groups = np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1)
            inner = [float(np.mean(level[group[0] : group[-1] + _REST_TENTHS])) for group in groups]
    return [0.0, *(u for u in inner if END < u < 1.0 - END), 1.0]
