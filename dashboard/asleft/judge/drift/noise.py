"""How much the points of a quantity scatter by themselves: learnt over a first stretch, then fixed.

A chart takes means of up to six points, a producing hour. Their variance is learnt from successive differences (von
Neumann 1941), which a slow drift or a single step hardly moves, over the first 600 hours of production after a
revision and then kept: a chart whose yardstick follows the machine would follow its faults. Three corrections make
it honest. Few differences: a variance of nu degrees of freedom s^2 is enlarged so that the *expected* false-alarm
rate, not the typical one, keeps the budget: with G = ln(run length), E exp(-G c^2 s^2 / sigma^2) = exp(-G) gives c^2
= nu / (2 G) (exp(2 G / nu) - 1). Slow swings (a day's temperature): where means over eight hours differ by clearly
more than single hours say, the long-run variance of the former counts, as the limit theorem for sums asks. Short
hours: what is averaged less scatters more, by the scatter within hours.

What it misses: swings slower than a day; they are told from drift by nothing but time.

All numbers may be arrays of one shape (many valves at once, as the benchmark has them); in the judge they are
floats.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from asleft.judge.types import FloatArray

if TYPE_CHECKING:
    #: One valve, or many at once.
    Value = float | FloatArray
else:  # what a stored state holds: many at once are the benchmark's, and never stored
    Value = float

HOUR_POINTS = 6
#: Differences of hours after which the scatter is fixed, seven weeks of two shifts. What the enlargement below costs
#: falls with their number: a shift of half a sigma is seen 13 % later than with the scatter known from 240, 7 % later
#: from 600 (run length 10,000).
REFERENCE_HOURS = 600
_SLOW_HOURS = 8
_CAP = 12.0  # a squared difference counts at most as so many times the mean one: an outlier is no noise
_SLOW_CAP = 4.0  # closer, because a single step or outlier is in 16 of the differences of eight hours
_SLOW_LOSS = 1.075  # what that cap takes from normal noise
_SLOW_DOF = 1.3  # degrees of freedom of eight overlapping second differences
_MARGIN = 1.02  # for what caps take from the scatter, and for tails somewhat heavier than normal
_REACH = 3.0  # sigma about the median of an hour within which its points count as they are
_KNOWN = 30  # differences from which the scatter within hours is known well enough for that
_FEW = 6


@dataclass(slots=True)
class Noise:
    """Sums of squared differences that each expect the variance, and how many.

    Half squared differences of points within hours and of hours; of eight hours a sixth of squared second
    differences, which no steady drift is in.
    """

    within: Value = 0.0
    within_n: int = 0
    hours: Value = 0.0
    hours_n: int = 0
    shortness: float = 0.0  # sum over the differences of hours of (1/n + 1/n') / 2 - 1/6
    slow: Value = 0.0
    slow_n: int = 0
    recent: list[Value] = field(default_factory=list)  # newest means of hours
    recent_n: list[int] = field(default_factory=list)  # and of how many points each is

    def point(self, value: Value, before: Value) -> None:
        """Two successive points of one hour."""
        if self.hours_n < REFERENCE_HOURS:
            self.within = self.within + _capped(0.5 * (value - before) ** 2, self.within, self.within_n, _CAP)
            self.within_n += 1

    def hour(self, mean: Value, points: int) -> None:
        """The mean of a further hour, of so many points."""
        if self.hours_n >= REFERENCE_HOURS:
            return
        if self.recent:
            self.hours = self.hours + _capped(0.5 * (mean - self.recent[-1]) ** 2, self.hours, self.hours_n, _CAP)
            self.shortness += 0.5 / points + 0.5 / self.recent_n[-1] - 1.0 / HOUR_POINTS
            self.hours_n += 1
        self.recent = [*self.recent[1 - 3 * _SLOW_HOURS :], mean]
        self.recent_n = [*self.recent_n[1 - 3 * _SLOW_HOURS :], points]
        if len(self.recent) == 3 * _SLOW_HOURS:
            first, middle, last = (sum(self.recent[k * _SLOW_HOURS : (k + 1) * _SLOW_HOURS]) for k in range(3))
            bend = (first - 2.0 * middle + last) ** 2 / (6.0 * _SLOW_HOURS)
            self.slow = self.slow + _capped(bend, self.slow, self.slow_n, _SLOW_CAP)
            self.slow_n += 1

    def mean_of(self, points: Sequence[Value]) -> Value:
        """Mean of the points of an hour, each brought within three of their own sigma of the median.

        One odd point of six would else be the whole of a heavy tail; of good ones hardly any is touched.
        """
        stacked = np.stack([np.asarray(point, dtype=float) for point in points])
        if len(points) > 2 and self.within_n >= _KNOWN:
            middle, reach = np.median(stacked, axis=0), _REACH * np.sqrt(self.within / self.within_n)
            stacked = np.clip(stacked, middle - reach, middle + reach)
        out: Value = stacked.mean(axis=0)
        return out

    def sigma(self, points: int, own: Value, exponent: float) -> Value:
        """Standard deviation to chart a mean of `points` points with, corrections included.

        `own`: the standard uncertainty its estimate claims, which stands in while there are no differences.
        `exponent`: G above.
        """
        if self.hours_n < 2:
            return own * math.sqrt(_enlarged(1.0, exponent))
        spread = self.within / self.within_n if self.within_n >= _FEW else 0.0
        plain = self.hours / self.hours_n
        full = np.maximum(plain - spread * self.shortness / self.hours_n, 0.2 * plain)
        dof = 2.0 / 3.0 * self.hours_n
        variance = full * _enlarged(dof, exponent)
        if self.slow_n >= _SLOW_HOURS:
            slow_dof = _SLOW_DOF * self.slow_n / _SLOW_HOURS
            ratio = _SLOW_LOSS * self.slow / self.slow_n / np.maximum(plain, 1e-300)
            clear = np.exp(2.3 * np.sqrt(2.0 / slow_dof + 2.0 / dof))
            variance = np.where(ratio > clear, full * ratio * _enlarged(slow_dof, exponent), variance)
        out: Value = np.sqrt(variance + spread * (1.0 / points - 1.0 / HOUR_POINTS))
        return out


def _capped(square: Value, total: Value, n: int, most: float) -> Value:
    return np.minimum(square, most * total / n) if n >= _FEW else square


def _enlarged(dof: float, exponent: float) -> float:
    """c^2 above; for very few degrees of freedom the growth is cut off, there would be no chart at all."""
    x = min(2.0 * exponent / dof, 14.0)
    return _MARGIN * float(np.expm1(x) / x)
