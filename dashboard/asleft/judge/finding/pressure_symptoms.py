"""What is seen on the pressure's side of the fault table: shape over the levels, following the current, scatter."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.change_from_baseline import ends_of
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.level_changes import level_changes
from asleft.judge.finding.shapes import (
    SURELY_NONE,
    SURELY_ONE,
    LevelChange,
    asked_bar,
    explained_bar,
    following,
    pressure_shapes,
    telling,
)
from asleft.judge.finding.signatures import ANY_SHAPE, AS_LEFT, Values
from asleft.judge.types import Finding, FloatArray, Verdict
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar
from asleft.sheet.model import Sheet

#: The pressure has gone with the current from this share on, and has not under the other.
_FOLLOWED, _STOOD = 0.65, 0.35
#: A pressure that moved by more than this share of its tolerance did so by no chance of rounding or oil.
_MOVED = 0.1
#: A level whose pressure differs from visit to visit by this share of tolerance scatters.
SCATTERS = 0.3
#: Visits of a level, and levels, from which its scatter is known; a shorter pause is none between two visits (s).
_LEAST_SCATTERED, _LEAST_LEVELS, _NEXT_VISIT_S = 4, 2, 1.0
#: What is seen of levels whatever their times are.
_OF_NO_SHAPE: Values = AS_LEFT | {"top-", "gone"}
#: Dwells of a level that tell two places of its pressure, how far these lie apart (share of tolerance), and how close
#: each is (share of that).
_LEAST_PLACED, _APART, _ONE_PLACE = 4, 0.75, 0.25
#: From the median absolute difference of two normal values to the standard deviation of one.
_OF_DIFFERENCES = 1.4826 / math.sqrt(2.0)


def add_pressure_symptoms(context: FindingContext, out: dict[str, Values]) -> None:
    """Put into `out` how the pressure moved over its levels, whether it went with the current, and its scatter."""
    levels, tolerance = level_changes(context), pressure_tolerance_bar(context)
    if not levels or tolerance is None:
        return
    share, asked = following(levels, tolerance), explained_bar(levels)
    ways = [np.zeros(len(levels))]
    follow = follows(levels, tolerance)
    if share is not None and follow is not None:
        out["following"] = follow
        ways = [asked] if share >= 0.5 else [*ways, asked] if "yes" in follow else ways
    elif all(level.current_change_a is not None for level in levels):
        # A current that has not surely moved may be where it was.
        unsure = [abs(level.current_change_a or 0.0) <= level.current_u_a for level in levels]
        ways = [asked, np.where(unsure, 0.0, asked)]
    ends = ends_of(context) or (0.2, 1.0)
    out["pressure"] = frozenset().union(*(pressure_shapes(levels, way, tolerance, ends) for way in ways))
    if all(_within_reach(level, bar) for level, bar in zip(levels, asked.tolist(), strict=True)):
        out["pressure"] |= AS_LEFT
    mixed = context.found.held is None and _mixed(context, tolerance)
    if mixed:
        # Levels met while the pressure was off and others met while it was not make any shape, and mean none.
        out["pressure"] = ANY_SHAPE | out["pressure"] & _OF_NO_SHAPE
    scatter = scatter_bar(context) if context.found.held is None else None  # a load that a loop rejects is no sign
    if scatter is not None:
        out["scatter"] = frozenset({"more"}) if scatter > SCATTERS * tolerance else AS_LEFT
        if mixed:  # what comes and goes differs from visit to visit as well
            out["scatter"] |= AS_LEFT


def _mixed(context: FindingContext, tolerance_bar: float) -> bool:
    """Whether a level has two places between which nothing lies, so that the pressure comes and goes."""
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in context.found.judged_pressure:
        if dwell.from_s >= context.found.stepped_s:
            groups.setdefault(key_of(dwell), []).append(dwell)
    for group in groups.values():
        bars = np.sort(levelled_bar(group, context.sheet))
        gaps = np.diff(bars)
        if gaps.size + 1 < _LEAST_PLACED:
            continue
        k = int(np.argmax(gaps)) + 1
        apart, places = float(gaps[k - 1]), (bars[:k], bars[k:])
        if apart > _APART * tolerance_bar and all(float(np.ptp(place)) < _ONE_PLACE * apart for place in places):
            return True
    return False


def follows(levels: Sequence[LevelChange], tolerance_bar: float) -> Values | None:
    """Whether the pressure went with the current, "yes" or "no" or either; None: the current moved too little."""
    told = telling(levels, tolerance_bar)
    sure = [level for level in told if level.slope_sure]
    share = following(sure or told, tolerance_bar)
    if share is None:
        return None
    alone = _alone(levels, tolerance_bar)
    # Where the slope is not known the pressure need not move, but what did go with the current is a sign.
    went = any(_went(level, bar, tolerance_bar) for level, bar in zip(told, asked_bar(told).tolist(), strict=True))
    yes, no = share > _STOOD or went or not (alone and sure), share < _FOLLOWED or not alone
    return frozenset({name for name, so in (("yes", yes), ("no", no)) if so})


def likelier_following(context: FindingContext) -> dict[str, Values]:
    """Whether the pressure went with the current as far as the sheet's ends tell, even where that is not sure.

    Where the slope is not known, a pressure that surely moved the way of the current went with it.
    """
    levels, tolerance = level_changes(context), pressure_tolerance_bar(context)
    if not levels or tolerance is None or not _alone(levels, tolerance):
        return {}
    share, told = following(levels, tolerance), telling(levels, tolerance)
    if share is None:
        return {}
    went = any(_went(level, bar, tolerance) for level, bar in zip(told, asked_bar(told).tolist(), strict=True))
    if share > _FOLLOWED or went:
        return {"following": frozenset({"yes"})}
    return {"following": frozenset({"no"})} if share < _STOOD else {}


def went_with_current(context: FindingContext, finding: Finding) -> bool:
    """Whether the current explains all of what moved in the pressures by which a finding was found.

    What other levels did is another question: they may be reached by part of a way, and lie anywhere in the loop.
    """
    levels, tolerance = level_changes(context), pressure_tolerance_bar(context)
    if not levels or tolerance is None or follows(levels, tolerance) != frozenset({"yes"}):
        return False
    rest = {
        level.arrival: abs(level.change_bar - bar)
        for level, bar in zip(levels, explained_bar(levels).tolist(), strict=True)
        if level.demand in {0.0, 1.0}
    }
    ways = [-1.0 if name == "pressure_at_zero" else 1.0 for name in finding.quantities]
    return bool(ways) and all(rest.get(way, math.inf) < SURELY_NONE * tolerance for way in ways)


def _within_reach(level: LevelChange, explained_bar: float) -> bool:
    """Whether what the current leaves of a level's change lies within what is not known of the current."""
    reach_bar = level.current_u_a * abs(level.slope_bar_per_a) if level.current_change_a is not None else 0.0
    return abs(level.change_bar - explained_bar) <= reach_bar + 3.0 * level.se_bar


def _went(level: LevelChange, asked_bar: float, tolerance_bar: float) -> bool:
    """Whether the pressure of a level whose slope is not known surely moved the way that its current asks for."""
    moved_bar = max(6.0 * level.se_bar, _MOVED * tolerance_bar)
    return not level.slope_sure and asked_bar * level.change_bar > 0.0 and abs(level.change_bar) > moved_bar


def _alone(levels: Sequence[LevelChange], tolerance_bar: float) -> bool:
    """Whether the pressure goes with the current or stands still: else something beside the current moves it."""
    asking = set(telling(levels, tolerance_bar))
    still = [level for level in levels if level not in asking and level.current_change_a is not None]
    asked = asked_bar(still)
    rest = [min(abs(level.change_bar), abs(level.change_bar - bar)) for level, bar in zip(still, asked, strict=True)]
    return all(bar < SURELY_ONE * tolerance_bar for bar in rest)


def pressure_tolerance_bar(context: FindingContext) -> float | None:
    """The narrowest tolerance of the pressures (bar); None if none is judged."""
    names = [name for name in ("pressure_at_full", "pressure_at_zero") if name in context.sheet.tolerance]
    widths = [w for name in names for w in (context.sheet.tolerance[name].below, context.sheet.tolerance[name].above)]
    return min((width for width in widths if math.isfinite(width) and width > 0.0), default=None)


def recent(context: FindingContext, dwells: Sequence[Dwell]) -> list[Dwell]:
    """Dwells since the last quantity stepped, where enough of them are left: no mixture of before and after."""
    departed = [
        r.coverage.from_s
        for r in context.results.values()
        if r.verdict is Verdict.OUT and r.coverage.from_s is not None
    ]
    since = max(departed, default=-math.inf)
    later = [d for d in dwells if d.from_s >= since]
    return later if len({key_of(d) for d in later}) >= 2 else list(dwells)


def scatter_bar(context: FindingContext) -> float | None:
    """How much the pressure at one level differs from one visit to the next (bar, standard deviation); None: unknown.

    A level that differs from cycle to cycle is first brought to one current (`levelled_bar`). Of successive visits
    the differences count, so that a drift cancels, and their median, so that one visit in which the load has a say
    does not; likewise the median over levels.
    """
    spreads = [math.sqrt(max(_from_visit_to_visit(bar) ** 2 - own**2, 0.0)) for _, bar, own in level_visits(context)]
    return float(np.median(spreads)) if len(spreads) >= _LEAST_LEVELS else None


def level_visits(context: FindingContext) -> list[tuple[list[Dwell], FloatArray, float]]:
    """Visits of each level in order of time, their pressures at one current, and the standard error of one (bar).

    Where the reading of current scatters by more than what it corrects, at one command instead. What the current does
    from visit to visit at one command enters the standard error: that is no doing of the spool.
    """
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in recent(context, context.found.judged_pressure):
        group = groups.setdefault(key_of(dwell), [])
        if not group or dwell.from_s - group[-1].to_s > _NEXT_VISIT_S:  # not a piece of the same stay
            group.append(dwell)
    return [_visits(group, context.sheet) for group in groups.values() if len(group) >= _LEAST_SCATTERED]


def _visits(group: list[Dwell], sheet: Sheet) -> tuple[list[Dwell], FloatArray, float]:
    unread = [d._replace(current_a=math.nan) for d in group]
    at_current, at_command = levelled_bar(group, sheet), levelled_bar(unread, sheet)
    quieter = _from_visit_to_visit(at_current) <= _from_visit_to_visit(at_command)
    own = float(np.median([d.pressure_se_bar for d in group]))
    ends = [sheet.as_left.get(f"{what}_at_{end}") for what in ("current", "pressure") for end in ("zero", "full")]
    if None not in ends:
        zero_a, full_a, low, high = (value for value in ends if value is not None)
        current = np.array([d.current_a - (full_a - zero_a) * d.demand for d in group])
        if np.isfinite(current).all():
            own = math.hypot(own, _from_visit_to_visit(current) * (high - low) / (full_a - zero_a))
    return group, at_current if quieter else at_command, own


def _from_visit_to_visit(values: FloatArray) -> float:
    """Standard deviation of values in order of time by their differences, whose median a single odd one leaves."""
    return _OF_DIFFERENCES * float(np.median(np.abs(np.diff(values))))
