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
    SURELY_ONE,
    LevelChange,
    asked_bar,
    explained_bar,
    following,
    pressure_shapes,
    telling,
)
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.standing import stood_still
from asleft.judge.types import FloatArray, Verdict
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar

#: The pressure has gone with the current from this share on, and has not under the other.
_FOLLOWED, _STOOD = 0.65, 0.35
#: A level whose pressure differs from visit to visit by this share of tolerance scatters.
SCATTERS = 0.3
#: Visits of a level, and levels, from which its scatter is known; a shorter pause is none between two visits (s).
_LEAST_SCATTERED, _LEAST_LEVELS, _NEXT_VISIT_S = 4, 2, 1.0
#: From the median absolute difference of two normal values to the standard deviation of one.
_OF_DIFFERENCES = 1.4826 / math.sqrt(2.0)


def add_pressure_symptoms(context: FindingContext, out: dict[str, Values]) -> None:
    """Put into `out` how the pressure moved over its levels, whether it went with the current, and its scatter."""
    levels, tolerance = level_changes(context), pressure_tolerance_bar(context)
    if not levels or tolerance is None:
        return
    share, asked = following(levels, tolerance), explained_bar(levels)
    ways = [np.zeros(len(levels))]
    if share is not None:
        alone, sure = _alone(levels, tolerance), all(level.slope_sure for level in telling(levels, tolerance))
        yes, no = share > _STOOD or not (alone and sure), share < _FOLLOWED or not alone
        out["following"] = frozenset({name for name, so in (("yes", yes), ("no", no)) if so})
        ways = [asked] if share >= 0.5 else [*ways, asked] if yes else ways
    elif all(level.current_change_a is not None for level in levels):
        ways = [asked]
    ends = ends_of(context) or (0.2, 1.0)
    out["pressure"] = frozenset().union(*(pressure_shapes(levels, way, tolerance, ends) for way in ways))
    scatter = scatter_bar(context) if context.found.held is None else None  # a load that a loop rejects is no sign
    if context.found.held is None and stood_still(context, tolerance):
        out["scatter"] = frozenset({"more"})
    elif scatter is not None:
        out["scatter"] = frozenset({"more"}) if scatter > SCATTERS * tolerance else AS_LEFT


def likelier_following(context: FindingContext) -> dict[str, Values]:
    """Whether the pressure went with the current as far as the sheet's ends tell, even where that is not sure."""
    levels, tolerance = level_changes(context), pressure_tolerance_bar(context)
    share = following(levels, tolerance) if levels and tolerance is not None and _alone(levels, tolerance) else None
    if share is None or _STOOD <= share <= _FOLLOWED:
        return {}
    return {"following": frozenset({"yes" if share > _FOLLOWED else "no"})}


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
    spreads = [
        math.sqrt(max((_OF_DIFFERENCES * float(np.median(np.abs(np.diff(bar))))) ** 2 - own**2, 0.0))
        for _, bar, own in level_visits(context)
    ]
    return float(np.median(spreads)) if len(spreads) >= _LEAST_LEVELS else None


def level_visits(context: FindingContext) -> list[tuple[list[Dwell], FloatArray, float]]:
    """Visits of each level in order of time, their pressures at one current, and the standard error of one (bar)."""
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in recent(context, context.found.judged_pressure):
        group = groups.setdefault(key_of(dwell), [])
        if not group or dwell.from_s - group[-1].to_s > _NEXT_VISIT_S:  # not a piece of the same stay
            group.append(dwell)
    return [
        (group, levelled_bar(group, context.sheet), float(np.median([d.pressure_se_bar for d in group])))
        for group in groups.values()
        if len(group) >= _LEAST_SCATTERED
    ]
