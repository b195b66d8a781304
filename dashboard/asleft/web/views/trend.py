"""The trend of a quantity as the judge tells it: a line with its interval, and when it reaches the tolerance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import numpy.typing as npt
from asleft.web.views.valves import Json, tolerance_sides
from asleft.web.when import PlantTime, parse_iso_ns

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class TrendLine:
    """A line through (`at_ns`, `value`); slopes in the quantity's unit per day, None where the judge gives none."""

    from_ns: int
    at_ns: int
    value: float
    per_day: float
    low_per_day: float | None
    high_per_day: float | None
    reaches_ns: int | None  # the tolerance
    earliest_ns: int | None
    latest_ns: int | None  # None with `reaches_ns` known: perhaps not at all

    def value_at(self, at_ns: float, per_day: float | None = None) -> float:
        """On the line, or on one of another slope through the same point."""
        slope = self.per_day if per_day is None else per_day
        return self.value + slope * (at_ns - self.at_ns) / DAY_NS


def trend_line(found: Json, time_ns: Int64Array, values: FloatArray) -> TrendLine | None:
    """From one quantity of a judgement, laid through the points it is drawn with; None where there is no trend.

    The judge gives slope, interval and date, not where the line lies: it is laid through the median of the points.
    """
    per_day = cast("float | None", found.get("trend_per_day"))
    if not per_day or values.size < 2:
        return None
    low, high = cast("list[float]", found.get("trend_interval") or [None, None])
    early, late = cast("list[str | None]", found.get("forecast_interval") or [None, None])
    reaches = parse_iso_ns(cast("str | None", found.get("forecast")))
    middle = int(np.median(time_ns))
    value = float(np.median(values - per_day * (time_ns - middle) / DAY_NS))
    edge = _edge(found, per_day)
    if reaches is not None and edge is not None:
        value = edge - per_day * (reaches - middle) / DAY_NS  # so that the line meets the tolerance on the day told
    return TrendLine(
        int(time_ns[0]), middle, value, per_day, low, high, reaches, parse_iso_ns(early), parse_iso_ns(late)
    )


def _edge(found: Json, per_day: float) -> float | None:
    left = cast("float | None", found.get("as_left"))
    below, above = tolerance_sides(found)
    if left is None:
        return below if per_day < 0 else None  # headroom: its tolerance is the least that is to be left
    side = above if per_day > 0 else below
    return None if side is None else left + (side if per_day > 0 else -side)


def trend_words(trend: TrendLine, moved: str, time: PlantTime) -> str:
    """As in "moves by +0.4 bar a day; reaches its tolerance about 5 Dec". `moved`: the first part."""
    if trend.reaches_ns is None:
        return moved
    told = f"{moved}; at this pace it reaches its tolerance about {time.day(trend.reaches_ns)}"
    if trend.earliest_ns is None:
        return told
    if trend.latest_ns is None:
        return f"{told} (not before {time.day(trend.earliest_ns)}, perhaps not at all)"
    return f"{told} (between {time.day(trend.earliest_ns)} and {time.day(trend.latest_ns)})"
