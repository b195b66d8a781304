"""History of a quantity: points, as left (measured), two-sided pairs of CUSUMs beyond a dead zone.

A point is the estimate of ten minutes of production; the charts take producing hours (means of six points, fewer
where the machine or the record stopped). They watch the *change* since the measured as-left (same chain, so
calibration cancels) beyond d0, a quarter of the tolerance: what stays within d0 is in control by decision. On either
side run two sums S = max(0, S + min(z, 4) - k), z = (change - d0) / sigma (Page 1954), a patient one for small
shifts and a quick one for large ones, whose limits follow from a false-alarm budget by exact run lengths (`budget`).

What it misses: shifts within d0; for shifts of half a sigma beyond d0 it needs some thirty hours, for three sigma
three. How often it cries wolf: as often as the budget says if the change stands at d0 for ever, the worst state that
is in control, and hardly ever at as left. A single hour, however odd, does not signal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.drift.budget import BUDGET_YEARS, K, Limits, limits_for
from asleft.judge.drift.noise import HOUR_POINTS, Noise, Value
from asleft.judge.packing import kept_mean
from asleft.judge.trend import Trend, theil_sen, trend_of
from asleft.judge.types import FloatArray

__all__ = ["AS_LEFT_POINTS", "Chart", "advanced", "theil_sen"]

#: Points the measured as-left is taken from.
AS_LEFT_POINTS = 5
_MOST_AS_LEFT_POINTS = 30
_KEEP = 96
_HOUR_MOST_S = 2.0 * 3600.0
_MOST_Z = 4.0
_HISTORY = 128
_HISTORY_WIDTH_S = 4.0 * 3600.0
_NOTHING = (0.0, 0.0, 0.0, 0.0)
_USUAL = limits_for(BUDGET_YEARS, 8)
_K = np.array([K[0], K[1], K[0], K[1]])


def advanced(sums: FloatArray, change: Value, d0: Value, sigma: Value) -> FloatArray:
    """The four sums after a further hour: (patient up, quick up, patient down, quick down) in the last axis."""
    up, down = np.minimum((change - d0) / sigma, _MOST_Z), np.minimum((-change - d0) / sigma, _MOST_Z)
    out: FloatArray = np.maximum(sums + np.stack((up, up, down, down), axis=-1) - _K, 0.0)
    return out


@dataclass(slots=True)
class Chart:
    """Chart of one quantity. Points are (unix s, value, standard uncertainty), the newest last."""

    left: tuple[float, float] | None = None  # measured as-left and its standard uncertainty
    first: list[tuple[float, float]] = field(default_factory=list)  # adequate points it will be taken from
    points: list[tuple[float, float, float]] = field(default_factory=list)
    hour: list[tuple[float, float, float]] = field(default_factory=list)  # points of the hour under way
    noise: Noise = field(default_factory=Noise)
    sums: tuple[float, float, float, float] = _NOTHING
    since_s: list[float | None] = field(default_factory=lambda: [None] * 4)
    d0: float = 0.0
    limits: Limits = _USUAL
    history: list[tuple[float, float, int]] = field(default_factory=list)  # (mean unix s, mean, points) of some hours
    history_width_s: float = _HISTORY_WIDTH_S
    trend: Trend | None = None

    def add(self, at_s: float, value: float, se: float, d0: float, limits: Limits = _USUAL) -> None:
        """Take a point in. `d0`: half-width of the dead zone, in the quantity's unit."""
        self.d0, self.limits = d0, limits
        self.points = [*self.points[-(_KEEP - 1) :], (at_s, value, se)]
        self._remember(at_s, value)
        if self.hour and at_s - self.hour[0][0] > _HOUR_MOST_S:
            self.close_hour()
        if self.hour:
            self.noise.point(value, self.hour[-1][1])
        self.hour = [*self.hour, (at_s, value, se)]
        if len(self.hour) == HOUR_POINTS:
            self.close_hour()

    def close_hour(self) -> None:
        """Chart the hour under way as it is, if there is one."""
        if not self.hour:
            return
        n = len(self.hour)
        mean = kept_mean(float(self.noise.mean_of([p[1] for p in self.hour])))
        own = math.sqrt(sum(p[2] ** 2 for p in self.hour)) / n
        self.noise.hour(mean, n)
        began_s, self.hour = self.hour[0][0], []
        if self.left is None:
            return
        sigma = max(float(self.noise.sigma(n, own, self.limits.exponent)), 1e-12)
        after = advanced(np.array(self.sums), mean - self.left[0], self.d0, sigma)
        after = np.minimum(after, 3.0 * np.array((self.limits.patient, self.limits.quick) * 2))
        self.since_s = [
            None if now <= 0.0 else (since if was > 0.0 else began_s)
            for now, was, since in zip(after.tolist(), self.sums, self.since_s, strict=True)
        ]
        self.sums = tuple(after.tolist())

    def settle(self, value: float, se: float, d0: float = 0.0) -> None:
        """Take an adequate point towards the measured as-left: the median of the first that stand still, only once.

        At least five, so that one point does not carry the chance of its day into every later comparison; more, up to
        thirty, until the median is known to a quarter of `d0`. While they still run (a machine that warms up) the
        oldest are dropped.
        """
        if self.left is not None:
            return
        self.first = [*self.first, (value, se)]
        if len(self.first) < AS_LEFT_POINTS:
            return
        values = np.array([v for v, _ in self.first])
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        own = float(np.median([s for _, s in self.first]))
        left_se = 1.2533 * max(spread, own) / math.sqrt(values.size)
        if values.size < _MOST_AS_LEFT_POINTS:
            if _runs(values, d0):
                self.first = self.first[1:]
                return
            if left_se > 0.25 * d0 > 0.0:
                return
        self.left = (middle, left_se)
        self.first = []

    def signal(self) -> tuple[int, float] | None:
        """(+1 or -1, since when) if the chart signals."""
        for side, (patient, quick) in ((1, (0, 1)), (-1, (2, 3))):
            for which, limit in ((quick, self.limits.quick), (patient, self.limits.patient)):
                since = self.since_s[which]
                if self.sums[which] > limit and since is not None:
                    return side, since
        return None

    def _remember(self, at_s: float, value: float) -> None:
        """Means over some hours, with the trend anew as often; when there are too many, the hours are doubled."""
        known = len(self.history)
        self.history = _joined([*self.history, (at_s, value, 1)], self.history_width_s)
        if len(self.history) > known:
            self.trend = trend_of([(at, mean) for at, mean, _ in self.history[:-1]])
        while len(self.history) > _HISTORY:
            self.history_width_s *= 2.0
            self.history = _joined(self.history, self.history_width_s)


def _runs(values: FloatArray, d0: float) -> bool:
    """Whether values move on by a tenth of the dead zone or more, and by more than their trembling explains."""
    steps = np.diff(values)
    run = float(values[-2:].mean() - values[:2].mean())
    tremble = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(2.0)
    return abs(run) > max(0.1 * d0, 3.0 * tremble)


def _joined(history: list[tuple[float, float, int]], width_s: float) -> list[tuple[float, float, int]]:
    """Entries of one stretch of time as one."""
    out: list[tuple[float, float, int]] = []
    for at_s, value, n in history:
        if out and math.floor(out[-1][0] / width_s) == math.floor(at_s / width_s):
            before_s, before, m = out[-1]
            share = n / (m + n)
            out[-1] = (before_s + (at_s - before_s) * share, kept_mean(before + (value - before) * share), m + n)
        else:
            out.append((at_s, value, n))
    return out
