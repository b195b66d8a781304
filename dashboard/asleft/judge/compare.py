"""Before against after: how much a quantity changed, whether that is a difference, whether it is the same.

"Not significantly different" is not "the same": that needs a test of its own, two one-sided ones against a margin
(Schuirmann, J. Pharmacokin. Biopharm. 15, 657, 1987; from memory). Both are Student's, of paired differences where
the values pair (one press at the same hour of the day: oil and coil are as warm as then), else of two samples with
unequal variances (Welch, Biometrika 34, 28, 1947; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import coverage_factor
from asleft.judge.types import ChartPoint, FloatArray
from scipy.special import stdtr

#: Of either test.
LEVEL = 0.05
#: Fewer pairs, or values a side, than this say nothing.
LEAST = 3


@dataclass(frozen=True, slots=True)
class Change:
    """After less before. `low`, `high`: 95 % interval. `margin`: of equivalence; its p is that of the worse side."""

    before: float
    after: float
    change: float
    low: float
    high: float
    n_before: int
    n_after: int
    test: str  # "paired t" or "Welch's t"
    t: float
    dof: float
    p_different: float
    margin: float
    p_same: float

    @property
    def different(self) -> bool:
        """Whether chance alone would give so much in fewer than one case in twenty."""
        return self.p_different < LEVEL

    @property
    def same(self) -> bool:
        """Whether a change as large as the margin is ruled out at the same level."""
        return self.p_same < LEVEL


def paired(before: FloatArray, after: FloatArray, margin: float) -> Change:
    """Of values that belong together, both of shape (n,), n >= `LEAST`.

    Raises:
        ValueError: shapes differ or there are too few.
    """
    if before.shape != after.shape or before.size < LEAST:
        raise ValueError(f"paired: needs {LEAST} pairs or more, got {before.size} and {after.size}")
    difference = after - before
    n = difference.size
    se = float(np.std(difference, ddof=1)) / math.sqrt(n)
    return _change(before, after, float(np.mean(difference)), se, n - 1.0, margin, "paired t")


def welch(before: FloatArray, after: FloatArray, margin: float) -> Change:
    """Of two samples that do not pair, shapes (n,) and (m,), both at least `LEAST`.

    Raises:
        ValueError: there are too few.
    """
    if min(before.size, after.size) < LEAST:
        raise ValueError(f"welch: needs {LEAST} values a side or more, got {before.size} and {after.size}")
    parts = [float(np.var(x, ddof=1)) / x.size for x in (before, after)]
    se = math.sqrt(sum(parts))
    dof = (
        sum(parts) ** 2 / sum(v**2 / (x.size - 1) for v, x in zip(parts, (before, after), strict=True)) if se else 1.0
    )
    return _change(before, after, float(np.mean(after) - np.mean(before)), se, dof, margin, "Welch's t")


def _change(
    before: FloatArray, after: FloatArray, change: float, se: float, dof: float, margin: float, test: str
) -> Change:
    reach = coverage_factor(dof) * se
    if se > 0.0:
        t = change / se
        different = 2.0 * float(stdtr(dof, -abs(t)))
        same = float(stdtr(dof, (abs(change) - margin) / se))
    else:  # readings that never moved by a count
        t = 0.0 if change == 0.0 else math.copysign(math.inf, change)
        different = 1.0 if change == 0.0 else 0.0
        same = 0.0 if abs(change) < margin else 1.0
    return Change(
        before=float(np.mean(before)),
        after=float(np.mean(after)),
        change=change,
        low=change - reach,
        high=change + reach,
        n_before=before.size,
        n_after=after.size,
        test=test,
        t=t,
        dof=dof,
        p_different=different,
        margin=margin,
        p_same=same,
    )


# Points of history of two stretches of time, compared: by the hour of the day where that pairs them.

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
    return Compared(None, f"measured too rarely: {len(before)} points before, {len(after)} after; {LEAST} are needed")


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
