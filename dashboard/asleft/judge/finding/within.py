"""What moved within the readings at hand: a step, a creep, a value that comes and goes.

The value now may be inside its tolerance, or not known well enough to be called out, because the level it is carried
from lies off the end of the command. A change at one and the same command is known better: one of more than a
tolerance is a finding, whatever the value is now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from asleft.judge.drift.onset import CREEPS, Times, feature_series, motion_within, times_beyond, times_of
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.inner_levels import inner_levels
from asleft.judge.types import Finding, Verdict
from asleft.judge.valve.pressure import steady
from asleft.judge.valve.together import moved_together
from asleft.sheet.model import Tolerance
from asleft.sheet.names import LABELS, counted, format_pair, format_quantity

#: Difference of shares of pairs with the higher and the lower command from which the command tells two kinds apart.
_TOLD_APART = 0.9
#: Share of its tolerance by which the mean of a pressure at rest may be unsure.
_QUIET = 0.1


@dataclass(frozen=True, slots=True)
class Within:
    """A change within the readings: in words, since when, and whether it comes and goes."""

    evidence: str
    onset_s: float
    at_times: frozenset[float] = frozenset()  # beginnings of the segments that showed it (unix s); none: it stays


def moved_within(context: FindingContext, name: str) -> Within | None:
    """How a quantity changed within the readings by more than its tolerance; None where it did not.

    Seen where it is defined, at an end of the command; else at the levels next to it, if the end was hardly visited:
    what moved there by a tolerance has moved the end by as much at least.
    """
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
    dwells = [d for d in steady(context.seen.dwells, context.sheet) if d.pressure_se_bar < quiet_bar]
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
