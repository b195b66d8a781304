"""Whether the pressure comes and goes with a current that does.

Segments that showed it are compared with those of the same level that did not, in the same log, so that nothing must
be known of how the valve was left. What was not looked at says nothing: a pressure whose own change would be lost in
its tolerance is no sign that the reading of current is wrong.

It misses what lasts for less than two visits of a level.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.level_changes import slope_at
from asleft.judge.finding.pressure_symptoms import follows, pressure_tolerance_bar
from asleft.judge.finding.shapes import LevelChange
from asleft.judge.finding.signatures import Values
from asleft.judge.finding.within import moved_within
from asleft.judge.valve.pressure import LevelKey, key_of, steady

#: Visits of a level, of either kind, that are compared.
_LEAST_VISITS = 2


def followed_at_times(context: FindingContext, at_s: Collection[float]) -> Values | None:
    """Whether the pressure came and went with a current that was off in dwells beginning at `at_s`; None: unseen."""
    tolerance = pressure_tolerance_bar(context)
    levels = []
    for (step, arrival), (there, usual) in _pairs(steady(context.seen.dwells, context.sheet), at_s).items():
        now, then = (np.array([(d.pressure_bar, d.current_a) for d in group]) for group in (there, usual))
        change_bar, change_a = (np.median(now, axis=0) - np.median(then, axis=0)).tolist()
        demand = float(np.median([d.demand for d in usual]))
        slope, sure = slope_at(context, demand, float(arrival), change_a)
        se = math.hypot(*(float(group[:, 0].std()) / math.sqrt(len(group)) for group in (now, then)))
        left = float(np.median(then[:, 0]))
        levels.append(LevelChange(0.05 * step, float(arrival), left, change_bar, se, change_a, slope, sure))
    return follows(levels, tolerance) if levels and tolerance is not None else None


def current_took_the_pressure(context: FindingContext) -> bool:
    """Whether a current was off at times, is not now, and the pressure was off at the same times because of it."""
    times = [moved_within(context, name) for name in ("current_at_zero", "current_at_full")]
    at_s = frozenset().union(*(one.at_times for one in times if one is not None))
    return bool(at_s) and followed_at_times(context, at_s) == frozenset({"yes"})


def _pairs(dwells: Sequence[Dwell], at_s: Collection[float]) -> Mapping[LevelKey, tuple[list[Dwell], list[Dwell]]]:
    """Level -> its dwells that begin at `at_s`, and the others; only levels with enough of both."""
    groups: dict[LevelKey, tuple[list[Dwell], list[Dwell]]] = {}
    for dwell in dwells:
        if math.isfinite(dwell.current_a):
            groups.setdefault(key_of(dwell), ([], []))[0 if dwell.from_s in at_s else 1].append(dwell)
    return {key: rows for key, rows in groups.items() if min(len(row) for row in rows) >= _LEAST_VISITS}
