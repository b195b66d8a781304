"""What single visits say against "as left", where they are too few for a finding.

A value that holds for the whole log may rest on visits of which some were off: two of seven, or the last one, after
which nothing was seen any more. No finding is made of so few, but neither is the valve called as it was left. A level
is compared with itself, so that neither the driver's law nor the characteristic has a part in it.

It misses what moves a level by less than its tolerance, levels that are visited once, and commands that never come
back to a level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np
from asleft.judge.driver.currents import usable
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.loop_within import whole_ways
from asleft.judge.finding.pressure_symptoms import pressure_tolerance_bar
from asleft.judge.onset import motion_within
from asleft.judge.types import FloatArray, Verdict
from asleft.judge.valve.pressure import levelled_bar
from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS, counted, format_pair, format_quantity

#: Visits that tell a level's place. A level is no wider than this (share of the command); how many of them moved
#: together where none has two places.
_LEAST, _ONE_LEVEL, _LEAST_LEVELS = 3, 0.005, 3
#: Shares of the tolerance by which two places of a level lie apart: where one of them is a single visit's, and where
#: it is not; and of that, how close the visits of a place are.
_APART_ALONE, _APART, _ONE_PLACE = 1.0, 0.75, 0.25
#: Share of the usual visits that must be that close.
_MOST = 0.6


def unsteady(context: FindingContext) -> list[str]:
    """What was seen against "as left", a clause each; empty where every level kept its place."""
    return [*_currents(context), *_pressures(context), *_supply(context), *_loop(context)]


def _currents(context: FindingContext) -> list[str]:
    sheet = context.sheet
    ends = [sheet.as_left.get(f"current_at_{end}") for end in ("zero", "full")]
    width = _narrowest(sheet, "current_at_zero", "current_at_full")
    if ends[0] is None or ends[1] is None or width is None:
        return []
    span_a = ends[1] - ends[0]
    groups: list[list[Dwell]] = []
    for dwell in sorted((d for d in context.seen.dwells if usable(d, sheet)), key=lambda d: d.demand):
        if groups and dwell.demand - groups[-1][0].demand < _ONE_LEVEL:
            groups[-1].append(dwell)
        else:
            groups.append([dwell])
    values_of = partial(_at_one_command, span_a=span_a)
    return _first("current_at_full", "Current", groups, values_of, width) or _moved(groups, values_of, width)


def _at_one_command(group: Sequence[Dwell], *, span_a: float) -> FloatArray:
    demand, current = np.array([d.demand for d in group]), np.array([d.current_a for d in group])
    return np.asarray(current - span_a * (demand - np.median(demand)))


def _pressures(context: FindingContext) -> list[str]:
    width = pressure_tolerance_bar(context)
    if width is None or context.found.held is not None or context.seen.oil_may_be_cold:
        return []
    groups = list(whole_ways(context).values())  # by part of a way it comes to anywhere in the loop
    values_of = partial(levelled_bar, sheet=context.sheet)
    return _first("pressure_at_full", "Pressure", groups, values_of, width, loaded=True) or _went(
        groups, values_of, width
    )


def _supply(context: FindingContext) -> list[str]:
    width = _narrowest(context.sheet, "supply_voltage")
    read = [d for d in context.seen.dwells if d.producing > 0.5 and math.isfinite(d.supply_v)]
    if width is None or not read:
        return []
    places = _two_places(np.array([d.supply_v for d in read]), width)
    if places is None:
        return []
    usual, off, count = places
    there, was = format_pair("supply_voltage", off, usual)
    return [f"{LABELS['supply_voltage']} was at {there} at {count} of {counted(len(read), 'visit')}, else at {was}"]


def _first(
    quantity: str,
    words: str,
    groups: Iterable[Sequence[Dwell]],
    values_of: Callable[[Sequence[Dwell]], FloatArray],
    width: float,
    *,
    loaded: bool = False,
) -> list[str]:
    """The highest level that has two places, in words; none where there is none.

    `loaded`: at a single visit a load may have had its say, or the pressure may not have come to rest; not so at one
    visit each of two levels.
    """
    found = []
    for group in sorted(groups, key=lambda one: -one[0].demand):
        places = _two_places(values_of(group), width)
        if places is not None:
            usual, off, count = places
            there, was = format_pair(quantity, off, usual)
            at = f"{words.lower()} at {100.0 * float(np.median([d.demand for d in group])):.0f} % command"
            found.append((count, f"{at} was at {there} at {count} of {counted(len(group), 'visit')}, else at {was}"))
    told = [words for count, words in found if count > 1 or not loaded or len(found) > 1]
    return told[:1]


def _moved(
    groups: Sequence[Sequence[Dwell]], values_of: Callable[[Sequence[Dwell]], FloatArray], width: float
) -> list[str]:
    """Levels whose last visit lies off the first by more than `width`, the same way; none where they are few.

    So a creep shows whose levels are met too seldom for a line through any of them.
    """
    ways: dict[bool, list[tuple[float, float, float]]] = {True: [], False: []}
    for group in groups:
        in_time = sorted(group, key=lambda d: d.from_s)
        values = values_of(in_time)
        if abs(values[-1] - values[0]) > width:
            row = (float(np.median([d.demand for d in group])), float(values[0]), float(values[-1]))
            ways[bool(values[-1] > values[0])].append(row)
    levels = max(ways.values(), key=len)
    if len(levels) < _LEAST_LEVELS:
        return []
    demand, first, last = max(levels)
    was, now = format_pair("current_at_full", first, last)
    at = f"current at {100.0 * demand:.0f} % command went from {was} to {now}"
    return [f"{at}, {counted(len(levels) - 1, 'other level')} with it"]


def _went(
    groups: Sequence[Sequence[Dwell]], values_of: Callable[[Sequence[Dwell]], FloatArray], width: float
) -> list[str]:
    """The highest level whose pressure crept or stepped by more than `width` and stayed; none where there is none.

    The pressure at full says it where full command is visited; where it is not, nothing else does.
    """
    for group in sorted(groups, key=lambda one: -one[0].demand):
        in_time = sorted(group, key=lambda d: d.from_s)
        values = values_of(in_time)
        series = list(zip((d.from_s for d in in_time), values.tolist(), strict=True))
        step_s, creep = motion_within(series, width)
        if creep is not None:
            before, after = creep.end - creep.moved, creep.end
        elif step_s is not None:
            before, after = (
                float(np.median([v for at, v in series if (at >= step_s) is so])) for so in (False, True)
            )
        else:
            continue
        if abs(after - before) > width:
            was, now = format_pair("pressure_at_full", before, after)
            at = f"pressure at {100.0 * float(np.median([d.demand for d in group])):.0f} % command"
            return [f"{at} went from {was} to {now}"]
    return []


def _two_places(values: FloatArray, width: float) -> tuple[float, float, int] | None:
    """The usual and the other place of a level's values (n,), and how many lie at the other; None where it has one.

    `width`: of the tolerance.
    """
    if values.size < _LEAST:
        return None
    ordered = np.sort(values)
    k = int(np.argmax(np.diff(ordered))) + 1
    apart, places = float(ordered[k] - ordered[k - 1]), (ordered[:k], ordered[k:])
    few, many = sorted(places, key=lambda place: place.size)
    least = _APART_ALONE if few.size == 1 else _APART
    usual = 2.0 * np.quantile(np.abs(many - np.median(many)), _MOST)  # what comes and goes leaves some on the way
    if apart <= least * width or max(np.ptp(few), usual) >= _ONE_PLACE * apart:
        return None
    return float(np.median(many)), float(np.median(few)), int(few.size)


def _loop(context: FindingContext) -> list[str]:
    """A loop that is not seen, while both pressures moved as a wider one has them: up from above, down from below."""
    result, tolerance = context.results.get("hysteresis"), context.sheet.tolerance.get("hysteresis")
    ends = [context.results.get(f"pressure_at_{end}") for end in ("zero", "full")]
    if result is None or tolerance is None or result.verdict is not Verdict.NOT_OBSERVED:
        return []
    zero, full = ends
    if zero is None or full is None or zero.as_left is None or full.as_left is None:
        return []
    if zero.as_found is None or full.as_found is None or full.as_left <= zero.as_left:
        return []
    up, down = zero.as_found - zero.as_left, full.as_left - full.as_found
    pct = 100.0 / (full.as_left - zero.as_left)
    unsure = math.hypot(zero.uncertainty or 0.0, full.uncertainty or 0.0)
    if min(up, down) <= 0.0 or pct * (up + down - unsure) <= tolerance.above:
        return []
    at_zero, at_full = (format_quantity(end.id, end.as_found) for end in (zero, full))
    wider = f"a loop wider by {pct * (up + down):.1f} % of the span has the pressures at {at_zero} and {at_full}"
    return [f"{LABELS['hysteresis']} was not seen, and {wider}"]


def _narrowest(sheet: Sheet, *names: str) -> float | None:
    widths = [w for n in names if n in sheet.tolerance for w in (sheet.tolerance[n].below, sheet.tolerance[n].above)]
    return min((width for width in widths if math.isfinite(width) and width > 0.0), default=None)
