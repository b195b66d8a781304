"""Trend of a quantity over its history, and the date at which it reaches its tolerance.

Slope and interval by Theil and Sen (Sen, JASA 63 (1968) 1379), the interval widened for correlation between
neighbours by sqrt((1 + r) / (1 - r)) (von Storch 1995), r the first autocorrelation of what the line leaves. Before
a trend is said, five shapes compete by the Bayesian information criterion (Schwarz 1978): level, step, line, level
then line, line then level. Only the line and the part of a line that reaches to the present are trends: a step is
none.

What it misses: a drift that began less than 8 entries or 2 days ago, and one that fills less than its own noise. How
often it cries wolf: an interval for 95 % excludes zero in at most 1 of 20 quiet histories; the shapes that compete
make it fewer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
from asleft.judge.types import FloatArray
from asleft.sheet.model import Tolerance

DAY_S = 86_400.0
_LEAST_ENTRIES = 8
_LEAST_DAYS = 2.0
_Z = 1.959964  # two-sided, 95 %


@dataclass(frozen=True, slots=True)
class Trend:
    """A line through the median point (`at_s`, `value`): slope per day with its 95 % interval, and where it lies.

    `value_se`: standard uncertainty of `value`. `from_s` to `to_s`: the history it rests on.
    """

    per_day: float
    low: float
    high: float
    at_s: float
    value: float
    value_se: float
    from_s: float
    to_s: float


class TrendFields(TypedDict, total=False):
    """Fields of a quantity's result that speak of its trend."""

    trend_per_day: float
    trend_low_per_day: float
    trend_high_per_day: float
    forecast_s: float
    forecast_early_s: float
    forecast_late_s: float | None
    forecast_in_days: tuple[float, float | None]


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the trend reaches the tolerance (unix s), 95 % interval; `late_s` None: perhaps not at all."""

    at_s: float
    early_s: float
    late_s: float | None


def theil_sen(t: FloatArray, y: FloatArray, z: float = _Z) -> tuple[float, float, float]:
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


def trend_of(history: Sequence[tuple[float, float]]) -> Trend | None:
    """The trend that holds now, or None. `history`: (unix s, value), the oldest first."""
    if len(history) < _LEAST_ENTRIES:
        return None
    at = np.array([h[0] for h in history])
    y = np.array([h[1] for h in history])
    first = _where_the_line_begins((at - at[0]) / DAY_S, y)
    if first is None or at.size - first < _LEAST_ENTRIES or at[-1] - at[first] < _LEAST_DAYS * DAY_S:
        return None
    t, y = (at[first:] - at[first]) / DAY_S, y[first:]
    slope, low, high = theil_sen(t, y)
    left_over = y - slope * t
    left_over = left_over - np.median(left_over)
    r = _neighbours(left_over)
    if r > 0.0:
        slope, low, high = theil_sen(t, y, _Z * math.sqrt((1.0 + r) / (1.0 - r)))
    if low <= 0.0 <= high:
        return None
    middle = float(np.median(t))
    scatter = 1.4826 * float(np.median(np.abs(left_over)))
    return Trend(
        per_day=slope,
        low=low,
        high=high,
        at_s=float(at[first]) + middle * DAY_S,
        value=float(np.median(y - slope * (t - middle))),
        value_se=1.2533 * scatter * math.sqrt((1.0 + max(r, 0.0)) / (1.0 - r) / t.size),
        from_s=float(at[first]),
        to_s=float(at[-1]),
    )


def forecast(trend: Trend, lowest: float, highest: float) -> Forecast | None:
    """When the trend leaves [lowest, highest]; None if that is further off than the history is long, or is past."""
    edge = highest if trend.per_day > 0 else lowest
    if not math.isfinite(edge):
        return None
    way = math.copysign(1.0, trend.per_day)
    room = way * (edge - trend.value)  # from the median point, in the direction of the trend
    slope, slow, fast = (abs(s) for s in (trend.per_day, *sorted((trend.low, trend.high), key=abs)))
    at_s = trend.at_s + room / slope * DAY_S
    if not trend.to_s < at_s <= 2.0 * trend.to_s - trend.from_s:
        return None
    early_s = trend.at_s + max(room - _Z * trend.value_se, 0.0) / fast * DAY_S
    late_s = trend.at_s + (room + _Z * trend.value_se) / slow * DAY_S
    beyond = late_s > 2.0 * trend.to_s - trend.from_s
    return Forecast(at_s, max(early_s, trend.to_s), None if beyond else late_s)


@dataclass(frozen=True, slots=True)
class Now:
    """A value as found now: when (unix s), and its expanded uncertainty."""

    at_s: float
    value: float
    expanded: float


def trend_fields(trend: Trend | None, left: float, tolerance: Tolerance, now: Now | None = None) -> TrendFields:
    """Trend and forecast as the fields of a result; days are counted from `now`, without it from the newest entry."""
    if trend is None:
        return {}
    out: TrendFields = {
        "trend_per_day": trend.per_day,
        "trend_low_per_day": trend.low,
        "trend_high_per_day": trend.high,
    }
    lowest, highest = left - tolerance.below, left + tolerance.above
    due = forecast(trend, lowest, highest)
    if due is not None and now is not None:
        due = _seen_from_now(due, trend, highest if trend.per_day > 0 else lowest, now)
    if due is not None:
        from_s = trend.to_s if now is None else now.at_s
        late = None if due.late_s is None else (due.late_s - from_s) / DAY_S
        out["forecast_s"], out["forecast_early_s"], out["forecast_late_s"] = due.at_s, due.early_s, due.late_s
        out["forecast_in_days"] = (max(due.early_s - from_s, 0.0) / DAY_S, late)
    return out


def _seen_from_now(due: Forecast, trend: Trend, edge: float, now: Now) -> Forecast | None:
    """The forecast widened to what the value now says at the same pace; None where it has reached the edge.

    The line's entries are means over hours, so it lags behind what is read now.
    """
    room = math.copysign(1.0, trend.per_day) * (edge - now.value)
    if room <= 0.0:
        return None
    slow, fast = sorted((abs(trend.low), abs(trend.high)))
    at_s = now.at_s + room / abs(trend.per_day) * DAY_S
    early_s = now.at_s + max(room - now.expanded, 0.0) / fast * DAY_S
    late_s = now.at_s + (room + now.expanded) / slow * DAY_S
    return Forecast(at_s, min(due.early_s, early_s), None if due.late_s is None else max(due.late_s, late_s))


def due_words(early_days: float, late_days: float | None) -> str:
    """When, as a sentence says it: "in 9 to 14 days", "within 3 days", "in 20 days or later"."""
    early = math.floor(early_days)
    if late_days is None:
        return f"in {early} day{'' if early == 1 else 's'} or later"
    late = max(math.ceil(late_days), 1)
    if early == 0:
        return f"within {late} day{'' if late == 1 else 's'}"
    return f"in {early} to {late} days"


def _neighbours(x: FloatArray) -> float:
    """First autocorrelation of values about zero, kept below 0.9 so that an interval remains."""
    total = float(x @ x)
    return min(float(x[1:] @ x[:-1]) / total, 0.9) if total > 0.0 else 0.0


def _where_the_line_begins(t: FloatArray, y: FloatArray) -> int | None:
    """Index from which a line holds to the end; None if a level, a step or a line that has ended explains more."""
    n = y.size
    noise = 1e-24 * float(y @ y) + 1e-300  # rounding, so that a perfect fit has a finite logarithm

    def worth(squares: float, parameters: int) -> float:
        return n * math.log(squares + noise) + parameters * math.log(n)

    inner = slice(2, n - 1)  # breaks: at least two entries on either side
    level = worth(float(np.sum((y - y.mean()) ** 2)), 1)
    line = worth(float(_line_squares(t[None, :], y)[0]), 2)
    step = worth(float(np.min(_step_squares(y)[inner])), 3)
    # A bend may lie anywhere, which chance makes use of: it counts as two parameters, and what follows must last.
    since = t[None, :] - t[2 : n - _LEAST_ENTRIES + 1, None]
    begun = _line_squares(np.maximum(since, 0.0), y) if since.size else np.array([math.inf])
    late = worth(float(begun.min()), 4)
    since = t[None, :] - t[2 : n - max(4, n // 10), None]
    ended = worth(float(np.min(_line_squares(np.minimum(since, 0.0), y))), 4)
    best = min(level, line, step, late, ended)
    if best == line:
        return 0
    return 2 + int(np.argmin(begun)) if best == late else None


def _step_squares(y: FloatArray) -> FloatArray:
    """Squares left by two levels, by the index at which the second begins (none at 0); shape of `y`."""
    n, total = y.size, np.concatenate(([0.0], np.cumsum(y - y.mean())[:-1]))
    k = np.arange(n)
    out: FloatArray = np.sum((y - y.mean()) ** 2) - total**2 * n / np.maximum(k * (n - k), 1)
    return out


def _line_squares(t: FloatArray, y: FloatArray) -> FloatArray:
    """Squares that least squares of `y` (n,) on each row of `t` (m, n) and a level leave, (m,)."""
    t, y = t - t.mean(axis=1, keepdims=True), y - y.mean()
    across = np.sum(t * t, axis=1)
    out: FloatArray = np.maximum(y @ y - (t @ y) ** 2 / np.where(across > 0.0, across, np.inf), 0.0)
    return out
