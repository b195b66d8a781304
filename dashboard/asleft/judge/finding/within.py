"""What moved within the readings at hand: a step, a creep, a value that comes and goes.

The value now may be inside its tolerance, or not known well enough to be called out, because the level it is carried
from lies off the end of the command. A change at one and the same command is known better: one of more than a
tolerance is a finding, whatever the value is now.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.drift.onset import COMES_AND_GOES, creep_within, feature_series, step_within, times_beyond
from asleft.judge.finding.context import FindingContext
from asleft.judge.types import Finding, Verdict
from asleft.sheet.names import LABELS, counted, format_pair, format_quantity


@dataclass(frozen=True, slots=True)
class Within:
    """A change within the readings: in words, since when, and whether it comes and goes."""

    evidence: str
    onset_s: float
    at_times: bool


def moved_within(context: FindingContext, name: str) -> Within | None:
    """How a quantity changed within the readings by more than its tolerance; None where it did not."""
    tolerance, result = context.sheet.tolerance.get(name), context.results.get(name)
    if name not in COMES_AND_GOES or tolerance is None or result is None or result.as_left is None:
        return None
    if name.startswith("current") and context.found.clip is not None:
        return None  # what is cut off at the top is a finding of its own
    series = feature_series(name, context.sheet, context.seen, context.found)
    width, label = min(tolerance.below, tolerance.above), LABELS[name].capitalize()
    left = f"left at {format_quantity(name, result.as_left)}"
    step_s = step_within(series, width)
    if step_s is not None:
        before, after = (np.median([v for at, v in series if (at >= step_s) is late]) for late in (False, True))
        if _counts(after - before, tolerance.below, tolerance.above):
            was, now = format_pair(name, float(before), float(after))
            return Within(f"{label} went from {was} to {now} at the same command, {left}.", step_s, at_times=False)
        return None
    times = times_beyond(series, result.as_left, tolerance.below, tolerance.above, loaded=name.startswith("pressure"))
    if times is not None:
        beyond = sorted(v for at, v in series if at in times.at_s)
        there, was = format_pair(name, beyond[len(beyond) // 2], result.as_left)
        visits = f"{len(beyond)} of {counted(len(series), 'visit')}"
        evidence = f"{label} was at {there} at times ({visits}), left at {was}."
        return Within(evidence, min(times.at_s), at_times=True)
    creep = creep_within(series, width)
    if creep is None or not _counts(creep.moved, tolerance.below, tolerance.above):
        return None
    was, now = format_pair(name, creep.end - creep.moved, creep.end)
    return Within(f"{label} crept from {was} to {now} at the same command, {left}.", creep.begins_s, at_times=False)


def comes_and_goes(finding: Finding, context: FindingContext) -> bool:
    """Whether a finding speaks of what was at times only, and is not out now."""
    for name in finding.quantities:
        result = context.results.get(name)
        if result is not None and result.verdict is not Verdict.OUT:
            within = moved_within(context, name)
            if within is not None and within.at_times:
                return True
    return False


def _counts(change: float, below: float, above: float) -> bool:
    return change > above or change < -below
