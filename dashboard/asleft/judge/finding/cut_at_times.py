"""A current that is cut off at times: what tells a limit from a gain, an offset or a reading that comes and goes.

At a limit different commands near the top have one current, where a gain or an offset leaves them apart. And a limit
takes from the top alone, where a gain takes from lower levels in proportion and an offset as much: seen at lower
levels at any time. It misses a cut that shows neither.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.drift.onset import Times, feature_series, times_beyond
from asleft.judge.driver.clipping import cuts_of
from asleft.judge.driver.currents import usable
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext

_NAME = "current_at_full"
#: Lowest level (share of the command) that tells a cut from a gain, how alike those of one level are, how many visits
#: it takes, and the most they may lack of what a gain would take, against the level's usual current (a quantile).
_LOWER, _ONE_LEVEL, _LEAST, _LACK, _USUAL = 0.2, 0.01, 3, 0.35, 0.8
#: Visits of lower levels that would have met a gain from which there being nearly none (this share) is no chance.
_TELLING_VISITS, _FEW = 6.0, 0.25
#: Share of its usual slope that the current may have left at a limit, with so many standard uncertainties.
_FLAT, _TELLING = 0.4, 2.0


@dataclass(frozen=True, slots=True)
class CutAtTimes:
    """Where the current stopped (A), where it was to go, in how many visits of the top of how many, since when."""

    limit_a: float
    demanded_a: float
    cut: int
    visits: int
    since_s: float


def cut_at_times(context: FindingContext) -> CutAtTimes | None:
    """How the current is cut off at times; None where it is not, or all along."""
    tolerance, left = context.sheet.tolerance.get(_NAME), context.sheet.as_left.get(_NAME)
    if tolerance is None or left is None or context.found.clip is not None:
        return None
    series = feature_series(_NAME, context.sheet, context.seen, context.found)
    times = times_beyond(series, left, tolerance.below, tolerance.above)
    if times is None:
        return _once(context, left, tolerance.below)
    cut = [value for at, value in series if at in times.at_s]
    limit = float(np.median(cut))
    if limit > left:
        return None
    if not (_one_current(context, times) or _lower_as_ever(context, times, len(series), (limit, left - limit))):
        return None
    return CutAtTimes(limit, left, len(cut), len(series), min(times.at_s))


def _once(context: FindingContext, left_a: float, tolerance_a: float) -> CutAtTimes | None:
    """A cut that came and went within too few visits of the top to be seen by these alone."""
    zero = context.sheet.as_left.get("current_at_zero")
    if zero is None:
        return None
    settled = [d for d in context.seen.dwells if usable(d, context.sheet)]
    cuts = cuts_of(settled, (zero, left_a), tolerance_a, context.seen.strokes)
    if not cuts:
        return None
    limit_a, demanded_a = cuts[-1].dwell.current_a, max(cut.should_a for cut in cuts)
    lowest = min(cut.dwell.demand for cut in cuts) - _ONE_LEVEL
    reached = sum(d.demand >= lowest for d in context.seen.dwells)  # those too whose reading ended below it
    return CutAtTimes(limit_a, demanded_a, len(cuts), max(reached, len(cuts)), cuts[0].dwell.from_s)


def _one_current(context: FindingContext, times: Times) -> bool:
    """Whether commands that differ have one current in the visits that fell short."""
    rows = [(d.demand, d.current_a) for d in context.seen.dwells if d.from_s in times.at_s and d.flat > 0.5]
    if len(rows) < _LEAST or context.found.line is None:
        return False
    demand, current = np.array(rows).T
    span = context.found.line.at_full_a - context.found.line.at_zero_a
    demand = demand - demand.mean()
    power = float(demand @ demand)
    slope = float(demand @ current) / power if power > 0.0 else 0.0
    left_over = current - current.mean() - slope * demand
    u = math.sqrt(float(left_over @ left_over) / (len(rows) - 2) / power) if power > 0.0 else math.inf
    return abs(slope) + _TELLING * u < _FLAT * span


def _lower_as_ever(context: FindingContext, times: Times, visits: int, limit_short_a: tuple[float, float]) -> bool:
    """Whether no lower level ever lacks what a gain or an offset would take from it, in as many visits as would show.

    `limit_short_a`: where the current stops, and by how much that is short; a level that needs less is not cut. Asked
    of all visits at any time, not of those near a visit that fell short: what comes and goes faster than the cycle
    may be away in between.
    """
    levels: dict[int, list[Dwell]] = {}
    limit_a, short_a = limit_short_a
    for dwell in context.seen.dwells:
        if dwell.flat > 0.5 and dwell.demand > _LOWER:
            levels.setdefault(round(dwell.demand / _ONE_LEVEL), []).append(dwell)
    lack: list[float] = []
    for level in levels.values():
        if len(level) > _LEAST:
            current = np.array([d.current_a for d in level])
            usual = np.quantile(current, _USUAL)
            if usual < limit_a:
                lack += ((usual - current) / (short_a * level[0].demand)).tolist()
    expected = len(times.at_s) / visits * len(lack)
    return expected >= _TELLING_VISITS and sum(one > _LACK for one in lack) < _FEW * expected
