"""What somebody did with the command: full cycles 0-100-0 %, which of them were sweeps, and single steps.

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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

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


# Steps of the command, told from the command alone: how far a limiter could follow each before the next.
#
# A step goes from one level on which the command rests to another. While it rests there the limiter goes on, so how
# long it rests decides how much of the ramp there is to be seen.

#: Levels that lie no further apart are one (share of the range).
SAME_LEVEL = 0.02
#: What rests for less is on its way (tenths of a second), and what takes longer from rest to rest is no step.
_LEAST_REST_TENTHS, _STEP_TENTHS = 3, 6


@dataclass(frozen=True, slots=True)
class Move:
    """One step of the command; levels as shares of its range.

    `start`: where the limiter stood as it went, `run`: how far it came from there.

    It goes at `at_s` and rests there until `until_s`; `moves_on`: and then goes elsewhere, else the readings end.
    """

    at_s: float
    until_s: float
    from_level: float
    to_level: float
    moves_on: bool
    start: float = math.nan
    run: float = math.nan

    @property
    def rising(self) -> bool:
        """Whether it goes up."""
        return self.to_level > self.from_level

    @property
    def size(self) -> float:
        """How far the command went."""
        return abs(self.to_level - self.from_level)

    @property
    def stayed_s(self) -> float:
        """How long the command stayed where it went."""
        return self.until_s - self.at_s

    @property
    def begun_early(self) -> bool:
        """Whether the ramp of the step before had not finished."""
        return abs(self.start - self.from_level) > SAME_LEVEL

    @property
    def whole(self) -> bool:
        """Whether the limiter could go all the way."""
        return self.run >= self.size - SAME_LEVEL


def moves_of(time_s: FloatArray, demand: FloatArray) -> list[Move]:
    """Steps in a stretch, oldest first; `time_s`, `demand` of shape (n,), NaN where the command was not read."""
    number, level = tenths(time_s, demand)
    rests = _stretches_at_rest(number, level)
    changes = [_change_s(time_s, demand, before, after) for before, after in itertools.pairwise(rests)]
    out = []
    for k, (before, after) in enumerate(itertools.pairwise(rests)):
        if after[0] - before[1] > _STEP_TENTHS or abs(after[2] - before[2]) <= SAME_LEVEL:
            continue
        end_s = (after[1] + 1.0) * _TENTH_S
        until_s = min(changes[k + 1], end_s + _TENTH_S) if k + 1 < len(changes) else end_s
        moves_on = k + 1 < len(changes) or after[1] < number[-1]
        out.append(Move(changes[k], until_s, before[2], after[2], moves_on))
    return out


def _change_s(
    time_s: FloatArray, demand: FloatArray, before: tuple[float, float, float], after: tuple[float, float, float]
) -> float:
    """When the command passed half of the way between two rests."""
    a, b = np.searchsorted(time_s, [before[1] * _TENTH_S, (after[0] + 1.0) * _TENTH_S])
    way = math.copysign(1.0, after[2] - before[2])
    passed = np.flatnonzero(way * (demand[a:b] - 0.5 * (before[2] + after[2])) > 0.0)
    return float(time_s[a + passed[0]]) if passed.size else (before[1] + 1.0) * _TENTH_S


def limited(moves: Iterable[Move], up_s: float, down_s: float) -> list[Move]:
    """The same steps with how far a limiter of these ramps (s over the full span, 0: none) came in each.

    It starts each at the place that it had reached in the one before, so a step back out of an unfinished ramp is
    shorter than the command's.
    """
    out: list[Move] = []
    place, until_s = math.nan, -math.inf
    for move in moves:
        if not math.isfinite(place) or move.at_s - until_s > 1.0:
            place = move.from_level  # it rested there, or nothing is known of before
        ramp_s = up_s if move.to_level > place else down_s
        way = move.to_level - place
        run = abs(way) if ramp_s <= 0.0 else min(abs(way), (move.until_s - move.at_s) / ramp_s)
        out.append(replace(move, start=place, run=run))
        place, until_s = place + math.copysign(run, way), move.until_s
    return out


def _stretches_at_rest(number: FloatArray, level: FloatArray) -> list[tuple[float, float, float]]:
    """Stretches on one level: first and last tenth, and the level."""
    out: list[tuple[float, float, float]] = []
    first = 0
    for k in range(1, level.size + 1):
        if (
            k < level.size
            and abs(level[k] - level[first]) <= SAME_LEVEL
            and number[k] - number[k - 1] <= _LEAST_REST_TENTHS
        ):
            continue
        if number[k - 1] - number[first] + 1 >= _LEAST_REST_TENTHS:
            out.append((float(number[first]), float(number[k - 1]), float(np.median(level[first:k]))))
        first = k
    return _joined(out)


def _joined(rests: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Rests on one level that a short loss of readings parts, as one."""
    out: list[tuple[float, float, float]] = []
    for rest in rests:
        if out and abs(rest[2] - out[-1][2]) <= SAME_LEVEL and rest[0] - out[-1][1] <= 10.0 * _STEP_TENTHS:
            out[-1] = (out[-1][0], rest[1], out[-1][2])
        else:
            out.append(rest)
    return out
