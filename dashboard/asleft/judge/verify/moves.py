"""Steps of the command, told from the command alone: how far a limiter could follow each before the next.

A step goes from one level on which the command rests to another. While it rests there the limiter goes on, so how
long it rests decides how much of the ramp there is to be seen.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.types import FloatArray
from asleft.judge.verify.recognise import tenths

#: Levels that lie no further apart are one (share of the range).
SAME_LEVEL = 0.02
#: What rests for less is on its way (tenths of a second), and what takes longer from rest to rest is no step.
_REST_TENTHS, _STEP_TENTHS = 3, 6
_TENTH_S = 0.1


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
    rests = _rests(number, level)
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


def _rests(number: FloatArray, level: FloatArray) -> list[tuple[float, float, float]]:
    """Stretches on one level: first and last tenth, and the level."""
    out: list[tuple[float, float, float]] = []
    first = 0
    for k in range(1, level.size + 1):
        if (
            k < level.size
            and abs(level[k] - level[first]) <= SAME_LEVEL
            and number[k] - number[k - 1] <= _REST_TENTHS
        ):
            continue
        if number[k - 1] - number[first] + 1 >= _REST_TENTHS:
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
