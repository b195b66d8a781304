"""The coil's days: the hottest winding and the lowest supply of each, and when their trends reach clipping.

A date is given only where the interval of the trend (Theil-Sen, Sen 1968) excludes none, and never further ahead than
there is history. What it misses: changes within the eight days a trend needs. A step is no trend, but a step among
few days may pass for one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.trend import theil_sen

DAY_S = 86400.0
#: A trend needs so many days with production.
LEAST_DAYS = 8
_MOST_DAYS = 120


@dataclass(frozen=True, slots=True)
class CoilDay:
    """One day (UTC, days since 1970): hottest winding (degC) and lowest supply (V), NaN where not seen."""

    day: int
    hottest_degc: float
    lowest_v: float


@dataclass(frozen=True, slots=True)
class Nearing:
    """When clipping will begin by the trend of `what`: unix seconds, and the earliest and latest of its interval."""

    what: str
    at_s: float
    earliest_s: float
    latest_s: float


def remember_day(
    days: Sequence[CoilDay], at_s: float, hottest_degc: float | None, lowest_v: float | None
) -> list[CoilDay]:
    """The days with one more look at the coil taken in; the newest `_MOST_DAYS` are kept."""
    day = int(at_s // DAY_S)
    hot = math.nan if hottest_degc is None else hottest_degc
    low = math.nan if lowest_v is None else lowest_v
    if days and days[-1].day == day:
        last = days[-1]
        seen = CoilDay(day, float(np.fmax(last.hottest_degc, hot)), float(np.fmin(last.lowest_v, low)))
        return [*days[:-1], seen]
    return [*days, CoilDay(day, hot, low)][-_MOST_DAYS:]


def usual_hottest_degc(days: Sequence[CoilDay]) -> float | None:
    """Median over all days but the newest of the hottest winding (degC); None where none is known."""
    known = [day.hottest_degc for day in days[:-1] if math.isfinite(day.hottest_degc)]
    return float(np.median(known)) if known else None


def nearing(days: Sequence[CoilDay], clips_at_degc: float | None, clips_at_v: float | None) -> Nearing | None:
    """When the trend of the hottest winding or the lowest supply reaches clipping, the earlier; None: neither."""
    candidates = [
        _crossing([(d.day, d.hottest_degc) for d in days], clips_at_degc, 1.0, "winding temperature"),
        _crossing([(d.day, d.lowest_v) for d in days], clips_at_v, -1.0, "supply"),
    ]
    return min((c for c in candidates if c is not None), key=lambda c: c.at_s, default=None)


def _crossing(series: Sequence[tuple[int, float]], limit: float | None, way: float, what: str) -> Nearing | None:
    rows = [(day, value) for day, value in series if math.isfinite(value)]
    if limit is None or len(rows) < LEAST_DAYS:
        return None
    t, y = np.array(rows, dtype=np.float64).T
    slope, low, high = theil_sen(t, y)
    slow, fast = (low, high) if way > 0 else (high, low)
    level = float(np.median(y - slope * t)) + slope * float(t[-1])
    left = way * (limit - level)
    if way * slow <= 0.0 or left <= 0.0:
        return None
    ahead, soonest, latest = left / (way * slope), left / (way * fast), left / (way * slow)
    if ahead > t[-1] - t[0]:
        return None
    from_s = (float(t[-1]) + 0.5) * DAY_S
    return Nearing(what, from_s + ahead * DAY_S, from_s + soonest * DAY_S, from_s + latest * DAY_S)
