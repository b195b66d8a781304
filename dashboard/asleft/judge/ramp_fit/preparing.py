"""What is made of a stroke before it is fitted: whether at all, its two levels, its current read as demand.

A press that moves every three seconds makes two hundred strokes in ten minutes; ten either way tell a ramp to a few
hundredths of its tolerance. So there is a reserve of strokes either way, which the first quarter of an hour of the
densest production does not use up, and after that one a minute. A stroke that disagrees with what was known is worth
more: the next six in its direction are then fitted.

Missed: a ramp that is wrong now and then, and never in the strokes that are fitted (one in ten at the densest).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.types import FloatArray

RESERVE = 150.0
PER_S = 1.0 / 60.0
AFTER_SURPRISE = 6.0


@dataclass(frozen=True, slots=True)
class FitBudget:
    """Strokes that may still be fitted, either way, as of a time (s)."""

    up: float = RESERVE
    down: float = RESERVE
    at_s: float = float("inf")

    def at(self, now_s: float) -> FitBudget:
        """Filled up by the time that has passed, at work or not."""
        more = PER_S * max(now_s - self.at_s, 0.0)
        return FitBudget(min(self.up + more, RESERVE), min(self.down + more, RESERVE), now_s)

    def enough(self, *, rising: bool) -> bool:
        """Whether one more stroke may be fitted."""
        return (self.up if rising else self.down) >= 1.0

    def spent(self, *, rising: bool, surprise: bool) -> FitBudget:
        """After one stroke was fitted; `surprise`: it disagreed with what was known."""
        left = (self.up if rising else self.down) - 1.0
        left = max(left, AFTER_SURPRISE) if surprise else max(left, 0.0)
        return replace(self, up=left) if rising else replace(self, down=left)


# What the dwells on either side of a stroke say of its two levels, as one weighted reading each.
#
# A stroke's own samples hold a quarter of a second of either level; the level's noise would then make up a third of
# the variance of its ramp. The whole dwell tells the level, and counts as one sample of as many readings.

#: A level counts as at most so many readings: what drifts slowly in it does not average out.
_MOST_WEIGHT = 1000.0
#: A dwell further from the stroke's own end than this many standard errors is another level.
_OTHER_LEVEL = 4.0


@dataclass(frozen=True, slots=True)
class Rest:
    """Mean current (A) of `n` readings at one level, the last of them at `to_s`."""

    current_a: float
    n: float
    to_s: float

    @classmethod
    def of(cls, time_s: FloatArray, current_a: FloatArray) -> Rest:
        """From readings, shape (n,); none give `NO_REST`."""
        return cls(float(current_a.mean()), float(time_s.size), float(time_s[-1])) if time_s.size else NO_REST

    def joined(self, later: Rest) -> Rest:
        """This level's readings and further ones."""
        n = self.n + later.n
        return Rest((self.n * self.current_a + later.n * later.current_a) / n, n, later.to_s) if n else self

    def without(self, time_s: FloatArray, current_a: FloatArray) -> Rest:
        """Less those of the given readings that are counted in it already."""
        both = current_a[time_s <= self.to_s]
        n = self.n - both.size
        return Rest((self.n * self.current_a - float(both.sum())) / n, n, self.to_s) if n > 0 else NO_REST


NO_REST = Rest(0.0, 0.0, -np.inf)


@dataclass(frozen=True, slots=True)
class Rests:
    """The levels before and after a stroke, beyond its own samples."""

    before: Rest = NO_REST
    after: Rest = NO_REST

    @classmethod
    def beside(
        cls, time_s: FloatArray, current_a: FloatArray, lead: int, before: Rest, after: Rest, noise_a: float
    ) -> Rests:
        """Of the dwells that agree with the stroke's own first and last `lead` samples (noise `noise_a` each)."""
        first, last = current_a[:lead], current_a[-lead:]
        before = before.without(time_s[:lead], first)
        return cls(_agreeing(before, first, noise_a), _agreeing(after, last, noise_a))

    def joined(self, time_s: FloatArray, current_a: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Times, readings and root weights of the stroke's samples with the two levels at its ends."""
        head, foot = min(self.before.n, _MOST_WEIGHT), min(self.after.n, _MOST_WEIGHT)
        times = np.concatenate(([time_s[0]], time_s, [time_s[-1]]))
        values = np.concatenate(([self.before.current_a], current_a, [self.after.current_a]))
        weight = np.ones(times.size)
        weight[0], weight[-1] = np.sqrt(head), np.sqrt(foot)
        kept = slice(0 if head else 1, None if foot else -1)
        return times[kept], values[kept], weight[kept]


def _agreeing(rest: Rest, own: FloatArray, noise_a: float) -> Rest:
    if rest.n <= 0.0 or own.size == 0:
        return NO_REST
    off = abs(rest.current_a - float(own.mean()))
    return rest if off < _OTHER_LEVEL * noise_a * np.sqrt(1.0 / rest.n + 1.0 / own.size) else NO_REST


# A current read as the demand that makes it, so that a driver whose law bends can be fitted as if it were straight.
#
# The limiter acts on the demand and the law comes after it, so a straight ramp of the demand is a bent one of the
# current. The law is known where the command has rested: means of current at each level, forgotten slowly. Between
# levels a monotone curve goes through them; where the current leaves zero command by a jump, all in the jump is
# zero.
#
# Missed: bends between two levels. What lag makes of a bend (the lag comes after the law) is of second order.

_SAME = 0.01
_MOST_STROKES = 60
_KEPT = 0.98
#: A law that bends less than this (share of span) is taken as straight.
_STRAIGHT = 0.003
_AT_ZERO = 2e-3
_JUMP = 0.01
#: Share of the range that levels must span to say that the highest one alone is off their line.
_REACH = 0.3
#: Levels between which the current rises by less than this share of what it does on the whole have one.
_FLAT = 0.2


@dataclass(frozen=True, slots=True)
class Law:
    """Levels in ascending order: weight, mean demand (share of full), mean current (A)."""

    levels: tuple[tuple[float, float, float], ...] = ()

    @classmethod
    def from_row(cls, row: Sequence[float]) -> Law:
        """Inverse of `row`."""
        return cls(tuple((row[k], row[k + 1], row[k + 2]) for k in range(0, len(row), 3)))

    def row(self) -> list[float]:
        """As plain numbers."""
        return [number for level in self.levels for number in level]

    def updated(self, demand: float, current_a: float) -> Law:
        """With one more settled dwell."""
        demand = min(max(demand, 0.0), 1.0)
        out = list(self.levels)
        for k, (weight, u, i) in enumerate(out):
            if abs(u - demand) < _SAME and (u <= _AT_ZERO) == (demand <= _AT_ZERO):
                more = _KEPT * weight + 1.0
                out[k] = (more, u + (demand - u) / more, i + (current_a - i) / more)
                return Law(tuple(sorted(out, key=lambda level: level[1])))
        out.append((1.0, demand, current_a))
        if len(out) > _MOST_STROKES:
            out.remove(min(out))
        return Law(tuple(sorted(out, key=lambda level: level[1])))

    def straightened(self, current_a: FloatArray) -> FloatArray:
        """Currents (n,) as a straight law between the same ends would have them; as they are while none bends."""
        if len(self.levels) < 3:
            return current_a
        _, u, i = np.array(self.levels).T
        below = _below_plateau(u, i)
        u, i = u[:below], i[:below]
        reach, rise = u[-1] - u[0], i[-1] - i[0]
        if u.size < 3 or reach < 0.1 or rise <= 0.0 or np.any(np.diff(i) <= 0.0):
            return current_a
        line = i[0] + rise * (u - u[0]) / reach
        if np.max(np.abs(i - line)) < _STRAIGHT * rise / reach or _only_the_top_is_off(u, i):
            return current_a
        u, i = _with_jump(u, i)
        first, last = (u[1] - u[0]) / (i[1] - i[0]), (u[-1] - u[-2]) / (i[-1] - i[-2])
        demand = _between(np.clip(current_a, i[0], i[-1]), i, u)
        demand += np.minimum(current_a - i[0], 0.0) * (first if first > 0.0 else reach / rise)
        demand += np.maximum(current_a - i[-1], 0.0) * last
        out: FloatArray = i[0] + rise * (demand - u[0]) / reach
        return out


def _below_plateau(u: FloatArray, i: FloatArray) -> int:
    """How many levels lie below those at the top that all have one current: a limit's, which tells no demand."""
    rises = np.diff(i) * (u[-1] - u[0]) > _FLAT * (i[-1] - i[0]) * np.diff(u)
    flat = int(np.argmax(rises[::-1])) if rises.any() else 0
    return u.size - flat - 1 if flat else u.size


def _only_the_top_is_off(u: FloatArray, i: FloatArray) -> bool:
    """Whether all levels but the highest lie on a line: that one is cut off, or lies beyond a knee somewhere.

    Where between the two highest the law leaves the line nobody saw, and a curve through them would bend it below.
    """
    if u.size < 4 or u[-2] - u[0] < _REACH * (u[-1] - u[0]):
        return False
    line = i[0] + (i[-2] - i[0]) * (u[:-1] - u[0]) / (u[-2] - u[0])
    return bool(np.max(np.abs(i[:-1] - line)) < _STRAIGHT * (i[-2] - i[0]) / (u[-2] - u[0]))


def _between(current_a: FloatArray, i: FloatArray, u: FloatArray) -> FloatArray:
    """Demand at currents (n,) within the levels: a monotone cubic (Fritsch and Carlson 1980, from memory)."""
    from scipy.interpolate import PchipInterpolator

    out: FloatArray = PchipInterpolator(i, u)(current_a)
    return out


def _with_jump(u: FloatArray, i: FloatArray) -> tuple[FloatArray, FloatArray]:
    """With the foot of a jump at zero command, where the other levels lie on a line that begins above.

    That line must reach as far as it is carried on: a knee further up would pass for a jump.
    """
    if u[0] > _AT_ZERO or u.size < 4 or u[1] - u[0] > u[-1] - u[1]:
        return u, i
    slope, start = np.polyfit(u[1:], i[1:], 1)
    off = np.abs(i[1:] - start - slope * u[1:]).max()
    span = slope + start - i[0]
    if start - i[0] > _JUMP * span and off < _STRAIGHT * span:
        return np.insert(u, 1, u[0]), np.insert(i, 1, start)
    return u, i
