"""What moved within the readings at hand: a step, a creep, a value that comes and goes.

The value now may be inside its tolerance, or not known well enough to be called out, because the level it is carried
from lies off the end of the command. A change at one and the same command is known better: one of more than a
tolerance is a finding, whatever the value is now.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from asleft.judge.driver.currents import AT_ZERO, usable
from asleft.judge.driver.systematic import current_systematic
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext, Within
from asleft.judge.onset import CREEPS, Times, best_split, feature_series, motion_within, times_beyond, times_of
from asleft.judge.types import Finding, QuantityResult, Verdict
from asleft.judge.valve.together import moved_together
from asleft.sheet.model import Tolerance
from asleft.sheet.names import LABELS, counted, format_pair, format_quantity

# Levels next to full command, and what single visits say of the current there.
#
# A gain or an offset moves every level. So where full command is hardly ever at rest the levels below it tell.
#
# It misses what moves by less than a tolerance there, though it may be more at full.

#: Levels that are one (share of the command), the lowest that tells where the current at zero may have moved instead,
#: and visits of the end that need no other level.
_ONE_LEVEL, _LOWEST, _ENOUGH = 0.01, 0.4, 6
#: Visits of another level, and how far it must go (share of the tolerance), to have moved too; which levels should
#: (share of the command), and how many of them must.
_LEAST, _WITH, _LOWER, _MOST = 2, 0.25, 0.4, 0.75
#: How many times the uncertainty of the current at zero a level must move.
_TIMES_U = 3.0


class InnerLevel(NamedTuple):
    """A level in words, what it usually has there, its visits (unix s, value), and when these were off."""

    label: str
    usual: float
    series: Sequence[tuple[float, float]]
    times: Times | None


def inner_levels(context: FindingContext, name: str, tolerance: Tolerance, *, visits: int) -> list[InnerLevel]:
    """Levels that tell the current at full where `visits` of full are too few, from the highest on.

    Only those that moved while another did: what wanders by itself, as a dither that beats with the logger or a hum,
    does not do so at two levels at once.
    """
    zero, full = (context.sheet.as_left.get(end) for end in ("current_at_zero", "current_at_full"))
    if name != "current_at_full" or visits >= _ENOUGH or zero is None or full is None:
        return []
    settled = [d for d in context.seen.dwells if usable(d, context.sheet)]
    at_zero = context.results.get("current_at_zero")
    stands = at_zero is not None and at_zero.verdict is Verdict.IN
    lowest = 0.0 if stands else _LOWEST
    # Where currents at rest wander, more is asked.
    least = max(min(tolerance.below, tolerance.above), _TIMES_U * _unsure_a(context, at_zero, settled))
    tolerance = Tolerance(max(tolerance.below, least), max(tolerance.above, least))
    out = []
    for demand, visited in _levels(settled):
        series = [(d.from_s, d.current_a - (full - zero) * (d.demand - demand)) for d in visited]
        usual_a = _usual(series, zero + demand * (full - zero))
        times = times_beyond(series, usual_a, tolerance.below, tolerance.above)
        out.append((demand, InnerLevel(f"Current at {100.0 * demand:.0f} % command", usual_a, series, times)))
    least *= _WITH
    shown = []
    for demand, level in out:
        went = [_goes_with(other, level, least) for at, other in out if other is not level and at > _LOWER * demand]
        known: list[bool | None] = [so for so in went if so is not None]
        known = known or [_goes_with(out[-1][1], level, least)]
        values = [value for _, value in level.series]
        wide = max(values) - min(values) > tolerance.below
        if demand > max(lowest, AT_ZERO) and wide and sum(so is True for so in known) >= _MOST * len(known):
            shown.append(level)
    return shown


def _goes_with(other: InnerLevel, level: InnerLevel, least: float) -> bool | None:
    """Whether another level was off when a level was, or has moved since when the level has, the same way.

    None where too few visits tell.
    """
    mine, its = dict(level.series), dict(other.series)
    if level.times is not None:
        off_s = level.times.at_s
    else:
        values = np.array(list(mine.values()))
        if values.size < _ENOUGH:
            return None
        since = best_split(values)[0] + 1
        off_s = frozenset(list(mine)[since:])
    change, there = (
        [[v for at, v in series.items() if (_nearest(mine, at) in off_s) is so] for so in (False, True)]
        for series in (mine, its)
    )
    if min(len(part) for part in (*change, *there)) < _LEAST:
        return None
    moved, too = (float(np.median(off) - np.median(usual)) for usual, off in (change, there))
    return moved * too > 0.0 and abs(too) > least


def _nearest(visits: Iterable[float], at_s: float) -> float:
    return min(visits, key=lambda visit_s: abs(visit_s - at_s))


def _unsure_a(context: FindingContext, at_zero: QuantityResult | None, settled: Sequence[Dwell]) -> float:
    """Expanded uncertainty of a current at rest, by which one of a level may differ from visit to visit (A).

    That of the current at zero, or, where that is carried far and so knows less than each level does of itself: what
    instruments and dither leave, and how levels differ from one visit to the next (differences, so that a creep
    cancels).
    """
    unsure_a = 0.0 if at_zero is None else at_zero.uncertainty or 0.0
    steps = [abs(b.current_a - a.current_a) for _, visited in _levels(settled) for a, b in pairwise(visited)]
    if not steps:
        return unsure_a
    wander_a = 1.4826 * float(np.median(steps)) / math.sqrt(2.0)
    own_a = current_systematic(context.sheet, 0.0, settled[:1], context.seen.interval_s)
    return min(unsure_a, 2.0 * math.hypot(wander_a, own_a))


def _levels(dwells: Sequence[Dwell]) -> list[tuple[float, list[Dwell]]]:
    """Levels by demand, the highest first, each with its dwells in order of time."""
    groups: list[list[Dwell]] = []
    for dwell in sorted(dwells, key=lambda d: -d.demand):
        if groups and groups[-1][0].demand - dwell.demand < _ONE_LEVEL:
            groups[-1].append(dwell)
        else:
            groups.append([dwell])
    return [(float(np.median([d.demand for d in g])), sorted(g, key=lambda d: d.from_s)) for g in groups]


def _usual(series: Sequence[tuple[float, float]], left: float) -> float:
    """The more usual of two places of a value: that nearer to what the line as left has there."""
    places: list[float] = np.quantile([value for _, value in series], (0.25, 0.75)).tolist()
    return min(places, key=lambda value: abs(value - left))


#: Difference of shares of pairs with the higher and the lower command from which the command tells two kinds apart.
_TOLD_APART = 0.9
#: Share of its tolerance by which the mean of a pressure at rest may be unsure.
_QUIET = 0.1


def moved_within(context: FindingContext, name: str) -> Within | None:
    """How a quantity changed within the readings by more than its tolerance; None where it did not.

    Seen where it is defined, at an end of the command; else at the levels next to it, if the end was hardly visited:
    what moved there by a tolerance has moved the end by as much at least.
    """
    if name not in context.within:
        context.within[name] = _moved_within(context, name)
    return context.within[name]


def _moved_within(context: FindingContext, name: str) -> Within | None:
    tolerance, result = context.sheet.tolerance.get(name), context.results.get(name)
    if name not in CREEPS or tolerance is None or result is None or result.as_left is None:
        return None
    if name.startswith("current") and context.found.clip is not None:
        return None  # what is cut off at the top is a finding of its own
    if name.startswith("pressure") and context.seen.oil_may_be_cold:
        return None  # cold oil moves it by as much as a fault does
    if name.startswith("ramp") and result.verdict is Verdict.NOT_OBSERVED:
        return None  # strokes that make no straight ramp have none of their own either
    series = feature_series(name, context.sheet, context.seen, context.found)
    left = f"left at {format_quantity(name, result.as_left)}"
    end = _Place(LABELS[name].capitalize(), left, result.as_left, series)
    found = _moved(context, name, tolerance, end, times_of(name, series, context.sheet, context.seen, context.found))
    if found is not None or name.startswith("ramp"):
        return found
    if name.startswith("pressure") and context.found.held is None:
        return _beyond_any_load(context, name, tolerance, end)
    for level in inner_levels(context, name, tolerance, visits=len(series)):
        place = _Place(level.label, f"usually {format_quantity(name, level.usual)}", level.usual, level.series)
        found = _moved(context, name, tolerance, place, level.times)
        if found is not None:
            return found
    return None


def _beyond_any_load(context: FindingContext, name: str, tolerance: Tolerance, end: _Place) -> Within | None:
    """A pressure that falls far at times and takes all other levels with it, so that it passes for a load's.

    Under a load levels have one pressure, which is its own; what keeps them apart while it lowers them all is none.
    """
    quiet_bar = _QUIET * min(tolerance.below, tolerance.above)  # what moves within a stay is neither here nor there
    dwells = [d for d in context.at_rest if d.pressure_se_bar < quiet_bar]
    whole = replace(context.found, judged_pressure=dwells)
    series = feature_series(name, context.sheet, context.seen, whole)
    times = times_beyond(series, end.as_left, tolerance.below, tolerance.above)
    if times is None:
        return None
    at_s = {at for at, _ in series}
    if not moved_together(dwells, [d for d in dwells if d.from_s in at_s], times.at_s, context.sheet):
        return None
    return _moved(context, name, tolerance, end._replace(series=series), times)


class _Place(NamedTuple):
    """Where a quantity is looked at: in words, with what it was left at, and what single segments say."""

    label: str
    left: str
    as_left: float
    series: Sequence[tuple[float, float]]


def _moved(
    context: FindingContext, name: str, tolerance: Tolerance, place: _Place, times: Times | None
) -> Within | None:
    step_s, creep = motion_within(place.series, min(tolerance.below, tolerance.above))
    if step_s is not None:
        if name.startswith("ramp"):
            return None  # it is as found after the step; a stroke or two before it may be anything
        parts = [[v for at, v in place.series if (at >= step_s) is late] for late in (False, True)]
        before, after = (float(np.median(part)) for part in parts)
        if not _counts(after - before, tolerance.below, tolerance.above):
            return None
        was, now = format_pair(name, before, after)
        return Within(f"{place.label} went from {was} to {now} at the same command, {place.left}.", step_s)
    if times is not None:
        if _by_command(context, place.series, times.at_s):
            return None
        beyond = sorted(v for at, v in place.series if at in times.at_s)
        there, was = format_pair(name, beyond[len(beyond) // 2], place.as_left)
        visits = f"{len(beyond)} of {counted(len(place.series), 'visit')}"
        left = place.left.replace(format_quantity(name, place.as_left), was)
        return Within(f"{place.label} was at {there} at times ({visits}), {left}.", min(times.at_s), times.at_s)
    if creep is None or not _counts(creep.moved, tolerance.below, tolerance.above):
        return None
    was, now = format_pair(name, creep.end - creep.moved, creep.end)
    return Within(f"{place.label} crept from {was} to {now} at the same command, {place.left}.", creep.begins_s)


def comes_and_goes(finding: Finding, context: FindingContext) -> bool:
    """Whether a finding speaks of what was at times only, and is not out now."""
    unasked = ("pressure_at_zero", "pressure_at_full") if finding.kind == "pressure-unwanted" else ()
    for name in finding.quantities or unasked:
        result = context.results.get(name)
        if result is not None and result.verdict is not Verdict.OUT:
            within = moved_within(context, name)
            if within is not None and within.at_times:
                return True
    return False


def _by_command(context: FindingContext, series: Sequence[tuple[float, float]], at_s: frozenset[float]) -> bool:
    """Whether the command tells the visits that were off from the others: then it is the driver's law, and no time.

    By the share of pairs, one visit of each kind, in which the one that was off had the higher command (the statistic
    of Mann and Whitney, 1947): a half where the command has no part in it.
    """
    demands = {d.from_s: d.demand for d in context.seen.dwells}
    off, usual = (
        np.array([demands[at] for at, _ in series if at in demands and (at in at_s) is so]) for so in (True, False)
    )
    if not (off.size and usual.size):
        return False
    higher = float(np.mean(np.sign(off[:, None] - usual[None, :])))
    return abs(higher) > _TOLD_APART


def _counts(change: float, below: float, above: float) -> bool:
    return change > above or change < -below
