"""What is seen on the pressure's side of the fault table: shape over the levels, scatter, a spool that sticks."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import (
    SURELY_NONE,
    SURELY_ONE,
    FindingContext,
    LevelChange,
    asked_bar,
    ends_of,
    explained_bar,
    following,
    make,
    pressure_shapes,
    telling,
)
from asleft.judge.finding.level_changes import level_changes
from asleft.judge.finding.signatures import ANY_SHAPE, AS_LEFT, Values
from asleft.judge.medians import median_of
from asleft.judge.types import Finding, FloatArray, Verdict
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar
from asleft.sheet.model import Sheet
from asleft.sheet.names import format_bar

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
    share = following(sure, tolerance_bar) if sure else _most_following(told)
    if share is None:
        return None
    alone = _alone(levels, tolerance_bar)
    # Where the slope is not known the pressure need not move, but what did go with the current is a sign.
    went = any(_went(level, bar, tolerance_bar) for level, bar in zip(told, asked_bar(told).tolist(), strict=True))
    yes, no = share > _STOOD or went or not (alone and sure), share < _FOLLOWED or not alone
    return frozenset({name for name, so in (("yes", yes), ("no", no)) if so})


def _most_following(told: Sequence[LevelChange]) -> float | None:
    """Share of the change that has come at that level of them at which most has; None without any.

    Of levels whose slopes are not known: one that stands still may lie in a dead band, one that went as far as the
    current asks for does not.
    """
    shares = [level.change_bar / bar for level, bar in zip(told, asked_bar(told).tolist(), strict=True)]
    return max(shares, default=None)


def likelier_following(context: FindingContext) -> dict[str, Values]:
    """Whether the pressure went with the current as far as the sheet's ends tell, even where that is not sure.

    Where the slope is not known, a pressure that surely moved the way of the current went with it.
    """
    return likelier_of(context, level_changes(context))


def likelier_of(context: FindingContext, levels: Sequence[LevelChange]) -> dict[str, Values]:
    """The same by how these levels moved."""
    tolerance = pressure_tolerance_bar(context)
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


def bears_out(context: FindingContext, finding: Finding) -> bool:
    """Whether the pressures by which a finding was found moved by what the current as it is read asks for.

    However unsure that is: what agrees with it, to a half as much again, bears it out.
    """
    levels = [replace(level, current_u_a=0.0) for level in level_changes(context)]
    tolerance = pressure_tolerance_bar(context)
    if not levels or tolerance is None or follows(levels, tolerance) != frozenset({"yes"}):
        return False
    asked = dict(zip(((level.demand, level.arrival) for level in levels), asked_bar(levels).tolist(), strict=True))
    came = {(level.demand, level.arrival): level.change_bar for level in levels}
    ways = [(0.0, -1.0) if name == "pressure_at_zero" else (1.0, 1.0) for name in finding.quantities]
    shares = [came[way] / asked[way] if asked.get(way) else math.inf for way in ways]
    return bool(shares) and all(_FOLLOWED < share < 1.0 / _FOLLOWED for share in shares)


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
    return median_of(spreads) if len(spreads) >= _LEAST_LEVELS else None


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
    own = median_of([d.pressure_se_bar for d in group])
    ends = [sheet.as_left.get(f"{what}_at_{end}") for what in ("current", "pressure") for end in ("zero", "full")]
    if None not in ends:
        zero_a, full_a, low, high = (value for value in ends if value is not None)
        current = np.array([d.current_a - (full_a - zero_a) * d.demand for d in group])
        if np.isfinite(current).all():
            own = math.hypot(own, _from_visit_to_visit(current) * (high - low) / (full_a - zero_a))
    return group, at_current if quieter else at_command, own


def _from_visit_to_visit(values: FloatArray) -> float:
    """Standard deviation of values in order of time by their differences, whose median a single odd one leaves."""
    return _OF_DIFFERENCES * median_of(np.abs(np.diff(values)))


# A spool that stands still for a while: the pressure stays where it was although command and current went on.
#
# Seen from one stay to the next: the pressure is that of the stay before, which was as usual there (or stood
# already), and far from what the new level has on other visits. A way that is no longer than the loop is wide moves
# no spool, so it tells nothing. A load that limits the pressure does so at a height of its own; one that makes none
# leaves it at that of zero command, so what stays there tells nothing.
#
# It misses a spool that stands still for less than a stay, or at levels that were visited less than four times.

#: Stays that stood still from which it is no chance, and visits from which it is known what is usual at a level.
_LEAST_STOOD, _LEAST_VISITS = 3, 4
#: Or pieces of stays in a row, of which one is so many tolerances above what is usual, or so many levels at which one
#: is: no load holds a pressure up.
#: One is enough where the next piece of the stay is as usual: that the level has its pressure, the same stay shows.
_LEAST_PIECES, _HIGH = 2, 3.0
#: Shares of the tolerance: nearer is the same pressure, nearer is as usual at its level, farther is not.
_SAME, _USUAL, _OFF = 0.08, 0.3, 1.5
#: The same however unsure the two are.
_SAME_AT_MOST = 0.2
#: Ways shorter than so many widths of the loop may move no spool; the width where it is not known (share of full).
_LOOPS, _WIDE_LOOP = 1.5, 0.06
#: Longest way from one stay to the next (s): a ramp, no stop.
_ON_THE_WAY_S = 20.0


def stood_still(context: FindingContext, tolerance_bar: float) -> list[Dwell]:
    """Beginnings of the stays in which the pressure stood still, oldest first; none where that is no rule.

    `tolerance_bar`: of the pressures.
    """
    dwells = context.at_rest
    off = _off_bar(dwells, context)
    lowest = min((d.pressure_bar for d in dwells), default=0.0)
    zero = context.sheet.as_left.get("pressure_at_zero", lowest)
    stood: list[Dwell] = []
    pieces, high, held_up = 0, False, False  # of the stay or stays in a row in which it stands now
    loop = _LOOPS * _loop_of(context)
    standing = False  # whether the stay before the one looked at stood still
    levels: set[LevelKey] = set()  # at which it was held up
    for before, dwell in itertools.pairwise(dwells):
        if key_of(before) == key_of(dwell) and dwell.from_s - before.to_s < 1.0:
            stood_before = standing
            standing = standing and _is_same(before, dwell, tolerance_bar, low=off.get(dwell.from_s, 0.0) < 0.0)
            pieces += standing
            let_go = stood_before and abs(off.get(dwell.from_s, np.inf)) <= _USUAL * tolerance_bar
            held_up |= high and ((standing and pieces >= _LEAST_PIECES) or let_go)
            continue
        usual = abs(off.get(before.from_s, np.inf)) <= _USUAL * tolerance_bar
        tells = before.pressure_bar > zero + 2.0 * tolerance_bar or dwell.arrival < 0.0
        standing = (
            (standing or usual)
            and tells
            and dwell.from_s - before.to_s < _ON_THE_WAY_S
            and abs(off.get(dwell.from_s, 0.0)) > _OFF * tolerance_bar
            and abs(dwell.demand - before.demand) > loop
            and _is_same(before, dwell, tolerance_bar, low=off.get(dwell.from_s, 0.0) < 0.0)
        )
        if not standing:
            pieces, high = 0, False
            continue
        stood.append(dwell)
        pieces += 1
        high |= off.get(dwell.from_s, 0.0) > _HIGH * tolerance_bar
        if high:
            levels.add(key_of(dwell))
        held_up |= high and max(pieces, len(levels)) >= _LEAST_PIECES
    return stood if len(stood) >= _LEAST_STOOD or held_up else []


def _loop_of(context: FindingContext) -> float:
    """Width of the loop along the command (share of full), as found or as left; a wide one where neither is known."""
    result = context.results.get("hysteresis")
    known = [value for value in (result.as_found, result.as_left) if value is not None] if result is not None else []
    return max(known) / 100.0 if known else _WIDE_LOOP


def _is_same(before: Dwell, dwell: Dwell, tolerance_bar: float, *, low: bool) -> bool:
    """Whether the pressure is the same. `low`: below what is usual, where a load may be that wanders."""
    own = 6.0 * float(np.hypot(before.pressure_se_bar, dwell.pressure_se_bar))
    apart = max(own, _SAME * tolerance_bar)
    apart = min(apart, _SAME_AT_MOST * tolerance_bar) if low else apart
    return abs(dwell.pressure_bar - before.pressure_bar) <= apart


def _off_bar(dwells: Sequence[Dwell], context: FindingContext) -> dict[float, float]:
    """Beginning of a dwell (unix s) -> its pressure less the usual one at its level and current (bar)."""
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in dwells:
        groups.setdefault(key_of(dwell), []).append(dwell)
    out: dict[float, float] = {}
    for group in groups.values():
        if len(group) >= _LEAST_VISITS:
            bars = levelled_bar(group, context.sheet)
            rest = bars - median_of(bars)
            out.update(zip((d.from_s for d in group), rest.tolist(), strict=True))
    return out


# A spool that sticks and jumps: the pressure at one level differs from one arrival to the next.
#
# Friction alone is repeatable: it moves the two branches apart, by the same each time. A spool that rests until it
# breaks loose stops at another place each time. Seen as the scatter of successive arrivals at levels which the valve
# controls, in production with the current as left.
#
# It misses a spool that always sticks at the same place, and one that is seen at fewer than two levels or four
# times. It cries wolf where a load varies at a level that counts as controlled; a scatter that was there when the
# valve was left would do so too, so it has to exceed three tenths of the pressure's tolerance, of which
# commissioning leaves room.

#: Share of the highest pressure.
_USUAL_TOLERANCE = 0.02


def sticking(context: FindingContext) -> list[Finding]:
    """The finding of a sticking spool, or none. Its kind is that of a changed hysteresis: it is one that varies."""
    if context.found.held is not None:  # a load that a loop outside rejects is no sign
        return []
    tolerance, scatter, stood = pressure_tolerance_bar(context), scatter_bar(context), stays_stood(context)
    if stood:
        times = f"{len(stood)} times, the last time at {format_bar(stood[-1].pressure_bar)}"
        evidence = f"Pressure stood still while command and current went on to another level ({times})."
        return [make("hysteresis-changed", evidence, stood[0].from_s)]
    if (
        tolerance is None
        or scatter is None
        or scatter <= SCATTERS * context.deadband_factor("hysteresis-changed") * tolerance
    ):
        return []
    evidence = f"Pressure at the same command differs from one cycle to the next by {format_bar(2.0 * scatter)}."
    return [make("hysteresis-changed", evidence, _onset_s(context, scatter))]


def stays_stood(context: FindingContext) -> list[Dwell]:
    """Stays in which the pressure stood still, also of a sheet without pressures; none where a load may do so."""
    if context.found.held is not None:
        return []
    tolerance = pressure_tolerance_bar(context)
    tolerance = _usual_tolerance_bar(context) if tolerance is None else tolerance
    return stood_still(context, tolerance) if tolerance is not None else []


def _usual_tolerance_bar(context: FindingContext) -> float | None:
    """Where the sheet has no pressures, the usual tolerance of the highest seen; None where the valve makes none.

    A spool that stands still does so whatever its pressures were.
    """
    if context.sheet.controls != "pressure":
        return None
    highest = max((d.pressure_bar for d in context.at_rest), default=0.0)
    return _USUAL_TOLERANCE * highest if highest > 0.0 else None


def _onset_s(context: FindingContext, scatter_bar: float) -> float | None:
    """When arrivals began to differ from the ones before them, at the same level, by as much as they do now.

    One may do so by chance or by a load: of all ways to cut the differences in two, the likeliest is taken, each part
    with its own share of large ones (binomial). The first arrival of all where they were large from the beginning.
    """
    rows = [
        (visit.from_s, abs(step) > scatter_bar)
        for visits, bar, _ in level_visits(context)
        for visit, step in zip(visits[1:], np.diff(bar).tolist(), strict=True)
    ]
    rows.sort()
    large = np.array([so for _, so in rows], dtype=float)
    if not large.any():
        return None
    seen, before = np.arange(large.size, dtype=float), np.concatenate(([0.0], np.cumsum(large)[:-1]))
    later, after = large.size - seen, large.sum() - before
    likely = _log_likelihood(before, seen) + _log_likelihood(after, later)
    begins = int(np.argmax(np.where(after * seen >= before * later, likely, -np.inf)))
    return rows[begins + int(np.argmax(large[begins:]))][0]


def _log_likelihood(large: FloatArray, of: FloatArray) -> FloatArray:
    """Of so many large ones among so many, at their own share; 0 where all or none are."""
    share = np.divide(large, of, out=np.zeros_like(large), where=of > 0)
    inner = (share > 0.0) & (share < 1.0)
    share = np.where(inner, share, 0.5)
    return np.where(inner, large * np.log(share) + (of - large) * np.log1p(-share), 0.0)
