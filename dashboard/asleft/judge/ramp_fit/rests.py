"""What the dwells on either side of a stroke say of its two levels, as one weighted reading each.

A stroke's own samples hold a quarter of a second of either level; the level's noise would then make up a third of the
variance of its ramp. The whole dwell tells the level, and counts as one sample of as many readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

#: A level counts as at most so many readings: what drifts slowly in it does not average out.
_MOST = 1000.0
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
        head, foot = min(self.before.n, _MOST), min(self.after.n, _MOST)
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
