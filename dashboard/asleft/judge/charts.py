"""History of a quantity: points, two-sided CUSUM beyond a dead zone, trend.

A point is the estimate of one window of production. The chart watches the *change* since the measured as-left (same
chain, so calibration cancels) beyond d0, a quarter of the tolerance: what stays within d0 is in control by decision.
S+ = max(0, S+ + (x - d0)/sigma - k), S- likewise (Page 1954), signal at h. h follows from the false-alarm budget with
Siegmund's approximation ARL = (exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166, one-sided, in control at d0.
What it misses: shifts within d0. How often it cries wolf: at most the budget, if points are independent and normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.types import FloatArray

K = 0.5
#: At most one false alarm per valve in this many years of production, shared by all quantities and both sides.
BUDGET_YEARS = 5.0
POINTS_PER_YEAR = 6.0 * 16.0 * 250.0  # 10-minute points, two shifts, 250 days
_SHARES = 20.0
_KEEP = 96
#: Points the measured as-left is taken from.
AS_LEFT_POINTS = 5


@dataclass(slots=True)
class Chart:
    """Chart of one quantity. Points are (unix s, value, standard uncertainty), the newest last."""

    left: tuple[float, float] | None = None  # measured as-left and its standard uncertainty
    first: list[tuple[float, float]] = field(default_factory=list)  # adequate points it will be taken from
    points: list[tuple[float, float, float]] = field(default_factory=list)
    high: float = 0.0
    low: float = 0.0
    high_since_s: float | None = None
    low_since_s: float | None = None

    def add(self, at_s: float, value: float, se: float, d0: float) -> None:
        """Take a point in. `d0`: half-width of the dead zone, in the quantity's unit."""
        self.points = [*self.points[-(_KEEP - 1) :], (at_s, value, se)]
        if self.left is None:
            return
        sigma = self.sigma()
        change = value - self.left[0]
        # One point alone, however odd, must not signal: what is that far out the verdict sees at once.
        most = 0.5 * limit()
        up = self.high + min((change - d0) / sigma - K, most)
        down = self.low + min((-change - d0) / sigma - K, most)
        self.high_since_s = None if up <= 0 else (self.high_since_s if self.high > 0 else at_s)
        self.low_since_s = None if down <= 0 else (self.low_since_s if self.low > 0 else at_s)
        cap = 3.0 * limit()
        self.high, self.low = min(max(up, 0.0), cap), min(max(down, 0.0), cap)

    def settle(self, value: float, se: float) -> None:
        """Take an adequate point towards the measured as-left: the median of the first five, then never again.

        One point would carry the chance of its day (oil, load) into every later comparison.
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
        self.left = (middle, 1.2533 * max(spread, own) / math.sqrt(AS_LEFT_POINTS))
        self.first = []

    def sigma(self) -> float:
        """Standard deviation of a point: repeatability, as-left included, or what successive points really do.

        The latter from the median of absolute successive differences, which a slow drift or a step hardly moves.
        """
        left_se = self.left[1] if self.left is not None else 0.0
        own = math.sqrt(float(np.mean([p[2] for p in self.points[-40:]])) ** 2 + left_se**2)
        if len(self.points) < 4:
            return max(own, 1e-12)
        values = np.array([p[1] for p in self.points[-60:]])
        steps = 1.4826 * float(np.median(np.abs(np.diff(values)))) / math.sqrt(2.0)
        return max(own, math.hypot(steps, left_se), 1e-12)

    def signal(self) -> tuple[int, float] | None:
        """(+1 or -1, since when) if the chart signals."""
        h = limit()
        if self.high > h and self.high_since_s is not None:
            return 1, self.high_since_s
        if self.low > h and self.low_since_s is not None:
            return -1, self.low_since_s
        return None


def limit() -> float:
    """Decision limit h for the budget."""
    arl = BUDGET_YEARS * POINTS_PER_YEAR * _SHARES
    b = 1.0
    for _ in range(60):  # fixed point of exp(2 k b) = 2 k^2 ARL + 2 k b + 1
        b = math.log(2.0 * K * K * arl + 2.0 * K * b + 1.0) / (2.0 * K)
    return b - 1.166


def theil_sen(t: FloatArray, y: FloatArray, z: float = 1.959964) -> tuple[float, float, float]:
    """Median of the slopes between any two points, and an interval for it (Sen 1968).

    `z`: two-sided normal quantile of the interval. `t`, `y` of shape (n,), at least two different times.
    """
    i, j = np.triu_indices(t.size, 1)
    apart = t[j] != t[i]
    slopes = np.sort((y[j] - y[i])[apart] / (t[j] - t[i])[apart])
    n = t.size
    spread = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    high = min(slopes.size - 1, math.ceil((slopes.size + spread) / 2.0))
    return float(np.median(slopes)), float(slopes[slopes.size - 1 - high]), float(slopes[high])


def trend_per_day(points: Sequence[tuple[float, float, float]]) -> float | None:
    """Theil-Sen slope per day if its 95 % interval (Sen 1968) excludes zero and no step explains the series better.

    None for fewer than 8 points or less than two days. The step alternative: the best single change of mean leaves
    less than 80 % of the squared residuals the line leaves.
    """
    if len(points) < 8:
        return None
    t = np.array([p[0] for p in points]) / 86400.0
    y = np.array([p[1] for p in points])
    if t[-1] - t[0] < 2.0:
        return None
    slope, low, high = theil_sen(t, y)
    if low <= 0.0 <= high:
        return None
    line = y - slope * t
    left_over = float(np.sum((line - np.median(line)) ** 2))
    step = min(
        float(np.sum((y[:k] - y[:k].mean()) ** 2) + np.sum((y[k:] - y[k:].mean()) ** 2)) for k in range(2, y.size - 1)
    )
    return None if step < 0.8 * left_over else slope
