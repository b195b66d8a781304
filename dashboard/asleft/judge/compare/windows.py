"""Points of history of two stretches of time, compared: by the hour of the day where that pairs them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.compare.change import LEAST, Change, paired, welch
from asleft.judge.decide import coverage_factor
from asleft.judge.types import ChartPoint, FloatArray

#: Hours of the day seen on both sides from which they are compared in pairs.
LEAST_PAIRS = 4


@dataclass(frozen=True, slots=True)
class Compared:
    """A change and what it rests on, or the reason why there is none."""

    change: Change | None
    basis: str
    after_u: float = math.inf  # expanded uncertainty of the mean after, for 95 %, by its scatter


def compare_points(
    before: Sequence[ChartPoint], after: Sequence[ChartPoint], margin: float, hour_of: Callable[[float], int]
) -> Compared:
    """Compare two sets of points of one quantity; `hour_of`: hour of the plant's day of an instant (unix s).

    Points of one hour of one day are averaged first: points ten minutes apart share oil and coil, and would pretend
    to more independence than there is.
    """
    hours = [_hours(points) for points in (before, after)]
    if min(len(one) for one in hours) >= LEAST:
        days = [_by_hour_of_day(one, hour_of) for one in hours]
        common = sorted(set(days[0]) & set(days[1]))
        if len(common) >= LEAST_PAIRS:
            pairs = [np.array([day[hour] for hour in common]) for day in days]
            basis = f"{len(common)} hours of the day seen before and after, in pairs"
            return Compared(paired(pairs[0], pairs[1], margin), basis, _mean_u(pairs[1]))
        sides = [np.array([value for _, value in one]) for one in hours]
        basis = f"{len(hours[0])} producing hours before, {len(hours[1])} after"
        return Compared(welch(sides[0], sides[1], margin), basis, _mean_u(sides[1]))
    if min(len(before), len(after)) >= LEAST:
        sides = [np.array([point.value for point in points]) for points in (before, after)]
        basis = f"{len(before)} points of some ten minutes before, {len(after)} after, taken as independent"
        return Compared(welch(sides[0], sides[1], margin), basis, _mean_u(sides[1]))
    return Compared(
        None, f"too little production: {len(before)} points before, {len(after)} after; {LEAST} are needed"
    )


def _hours(points: Sequence[ChartPoint]) -> list[tuple[float, float]]:
    """(middle of the points, mean) of each hour that has any, oldest first."""
    groups: dict[int, list[ChartPoint]] = {}
    for point in points:
        groups.setdefault(math.floor(point.at_s / 3600.0), []).append(point)
    return [(_mean([p.at_s for p in group]), _mean([p.value for p in group])) for _, group in sorted(groups.items())]


def _by_hour_of_day(hours: Sequence[tuple[float, float]], hour_of: Callable[[float], int]) -> dict[int, float]:
    groups: dict[int, list[float]] = {}
    for at_s, value in hours:
        groups.setdefault(hour_of(at_s), []).append(value)
    return {hour: _mean(values) for hour, values in groups.items()}


def _mean_u(values: FloatArray) -> float:
    return coverage_factor(values.size - 1.0) * float(np.std(values, ddof=1)) / math.sqrt(values.size)


def _mean(values: Sequence[float] | FloatArray) -> float:
    return float(np.mean(np.asarray(values, dtype=np.float64)))
