"""A current read as the demand that makes it, so that a driver whose law bends can be fitted as if it were straight.

The limiter acts on the demand and the law comes after it, so a straight ramp of the demand is a bent one of the
current. The law is known where the command has rested: means of current at each level, forgotten slowly. Between
levels a monotone curve goes through them; where the current leaves zero command by a jump, all in the jump is zero.

Missed: bends between two levels. What lag makes of a bend (the lag comes after the law) is of second order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

_SAME = 0.01
_MOST = 60
_KEPT = 0.98
#: A law that bends less than this (share of span) is taken as straight.
_STRAIGHT = 0.003
_AT_ZERO = 2e-3
_JUMP = 0.01
#: Share of the range that levels must span to say that the highest one alone is off their line.
_REACH = 0.3


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
        if len(out) > _MOST:
            out.remove(min(out))
        return Law(tuple(sorted(out, key=lambda level: level[1])))

    def straightened(self, current_a: FloatArray) -> FloatArray:
        """Currents (n,) as a straight law between the same ends would have them; as they are while none bends."""
        if len(self.levels) < 3:
            return current_a
        _, u, i = np.array(self.levels).T
        reach, rise = u[-1] - u[0], i[-1] - i[0]
        if reach < 0.1 or rise <= 0.0 or np.any(np.diff(i) <= 0.0):
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
