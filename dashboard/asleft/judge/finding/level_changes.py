"""How the pressure moved at each command level since the valve was left, and how the current moved there.

The ends of the command are compared with the sheet: a log alone cannot say how the valve was left, because levels
learnt from it show no change against themselves. Inner levels are compared with what is known of them, in this order:
the same level before a step within the readings; the level as learnt earlier, if all readings are later than that;
the recorded characteristic at the current that flowed there when left. The first two count only where they agree with
the sheet at the ends. A level of which nothing is known is left out.

What it misses: a change at an inner level of a log without a step and of a sheet without a characteristic.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import SURELY_ONE, FindingContext, LevelChange, ends_of, moved_by
from asleft.judge.finding.held import held_changes
from asleft.judge.types import Verdict
from asleft.judge.valve.curve import Curve, curve_of
from asleft.judge.valve.pressure import LevelKey, LevelPressure, change_bar, key_of

_LEAST_VISITS = 2
#: Levels this close to an end of the command are that end.
_AT_END = 0.02
#: A neighbour this far off (share of the command) still tells how steep the characteristic is at a level.
_NEIGHBOUR = (0.04, 0.35)
#: A current that moved by so many times what may be flat of the characteristic must show in the pressure.
_FLATS = 2.0
#: A recorded end piece this steep, by the curve on the whole, has no dead band and no relief.
_NO_FLATTER = 0.8
#: What a recorded characteristic leaves open between its levels (share of full pressure, k = 1).
_BETWEEN_LEVELS = 0.003
#: Of the way to the other branch, as a standard uncertainty of which three are taken: all of it.
_OTHER_BRANCH = 0.35
_ENDS = ((0.0, -1.0, "pressure_at_zero"), (1.0, 1.0, "pressure_at_full"))


class _Then(NamedTuple):
    """Pressure of a level when the valve was left (bar) and its standard uncertainty."""

    bar: float
    se_bar: float


def level_changes(context: FindingContext) -> list[LevelChange]:
    """Both ends as far as they were seen, and the inner levels whose pressure when left is known, by the demand."""
    if context.found.held is not None:
        return held_changes(context, ends_of(context))
    return sorted([*_end_changes(context), *_inner_changes(context)], key=lambda level: (level.demand, level.arrival))


def current_change_a(context: FindingContext, demand: float) -> float | None:
    """By how much the current at a demand moved since the valve was left; None where the ends do not tell.

    Along the line between the ends, so that a driver's bend, which was there when left, is no change. Where the
    current is cut off, what is missing there.
    """
    clip, ends = context.found.clip, ends_of(context)
    if clip is not None and ends is not None and demand >= clip.demand - _AT_END:
        return clip.limit_a - (ends[0] + min(demand, 1.0) * (ends[1] - ends[0]))
    zero, full = (moved_by(context.results.get(name)) for name in ("current_at_zero", "current_at_full"))
    if demand <= _AT_END or full is None:
        return zero[0] if zero is not None and demand <= _AT_END else None
    if demand >= 1.0 - _AT_END or zero is None:
        return full[0] if demand >= 1.0 - _AT_END else None
    return zero[0] + demand * (full[0] - zero[0])


def current_change_u_a(context: FindingContext, demand: float) -> float:
    """Expanded uncertainty of `current_change_a`, both ends taken as independent; 0 where no end is observed."""
    zero, full = (moved_by(context.results.get(name)) for name in ("current_at_zero", "current_at_full"))
    if zero is None or full is None:
        return 0.0 if zero is full else (zero or full or (0.0, 0.0))[1]
    return math.hypot((1.0 - demand) * zero[1], demand * full[1])


def _end_changes(context: FindingContext) -> list[LevelChange]:
    out = []
    for demand, arrival, name in _ENDS:
        change, left = moved_by(context.results.get(name)), context.sheet.as_left.get(name)
        if change is None or left is None or _is_earlier(context, name):
            continue
        change_a = current_change_a(context, demand)
        slope, sure = slope_at(context, demand, arrival, change_a)
        unsure_a = current_change_u_a(context, demand)
        out.append(LevelChange(demand, arrival, left, change[0], 0.5 * change[1], change_a, slope, sure, unsure_a))
    return out


def _is_earlier(context: FindingContext, name: str) -> bool:
    """Whether a pressure was last seen before a current that is out departed: it says nothing of that current."""
    last_s = context.results[name].coverage.to_s
    departed = [
        result.coverage.from_s
        for end in ("current_at_zero", "current_at_full")
        if (result := context.results.get(end)) is not None and result.verdict is Verdict.OUT
    ]
    return last_s is not None and any(from_s is not None and from_s > last_s for from_s in departed)


def _inner_changes(context: FindingContext) -> list[LevelChange]:
    since_s = context.found.stepped_s
    now, before = _groups(context, since_s, math.inf), _groups(context, -math.inf, since_s)
    before = before if _as_the_sheet(context, {key: _mean(group) for key, group in before.items()}) else {}
    learnt = _learnt(context, since_s)
    curve = curve_of(context.sheet)
    out = []
    for key, group in sorted(now.items()):
        demand = float(np.median([d.demand for d in group]))
        if len(group) < _LEAST_VISITS or _end_of(demand, key[1]):
            continue
        change_a, unsure_a = current_change_a(context, demand), current_change_u_a(context, demand)
        if key in before and change_a is not None:
            # The pressure is compared with that before the step, so the current has to be too.
            change_a, unsure_a = _moved_a(group, before[key], _span_a(context)) or (change_a, unsure_a)
        slope, sure = slope_at(context, demand, float(key[1]), change_a)
        line = np.array([slope * _span_a(context) * (d.demand - demand) for d in group])
        bars = np.array([d.pressure_bar for d in group]) - line
        then = None
        if key in before and len(before[key]) >= _LEAST_VISITS:
            then = _carried(before[key], demand, slope * _span_a(context))
        elif key in learnt:
            bars = np.array([change_bar(d, learnt[key], context.sheet) for d in group]) + learnt[key].pressure_bar
            then = _Then(learnt[key].pressure_bar, 0.0)
        elif curve is not None and curve.recorded:
            then = _of_the_curve(curve, group, change_a)
        if then is None:
            continue
        se = math.hypot(_se(bars, group), then.se_bar)
        change = float(np.median(bars)) - then.bar
        out.append(LevelChange(demand, float(key[1]), then.bar, change, se, change_a, slope, sure, unsure_a))
    return out


def _moved_a(now: Sequence[Dwell], before: Sequence[Dwell], span_a: float) -> tuple[float, float] | None:
    """Change of the current at one command between two groups of dwells, expanded uncertainty; None: none is read."""
    groups = [np.array([d.current_a - span_a * d.demand for d in group]) for group in (now, before)]
    if not all(np.isfinite(group).all() for group in groups):
        return None
    u = [1.2533 * float(group.std()) / math.sqrt(len(group)) for group in groups]
    return float(np.median(groups[0]) - np.median(groups[1])), 2.0 * math.hypot(*u)


def _groups(context: FindingContext, from_s: float, to_s: float) -> dict[LevelKey, list[Dwell]]:
    """Judged dwells that begin in [from_s, to_s), by their level."""
    out: dict[LevelKey, list[Dwell]] = {}
    for dwell in context.found.judged_pressure:
        if from_s <= dwell.from_s < to_s:
            out.setdefault(key_of(dwell), []).append(dwell)
    return out


def _learnt(context: FindingContext, since_s: float) -> dict[LevelKey, LevelPressure]:
    """Levels in control as they were learnt before every dwell looked at, where that agrees with the sheet."""
    control, until_s = context.seen.control, context.seen.control_until_s
    first_s = min((d.from_s for d in context.found.judged_pressure if d.from_s >= since_s), default=-math.inf)
    if not control or until_s is None or first_s < until_s:
        return {}
    known = {key: level for key, level in control.items() if level.in_control}
    return known if _as_the_sheet(context, {key: level.pressure_bar for key, level in known.items()}) else {}


def _as_the_sheet(context: FindingContext, levels: Mapping[LevelKey, float]) -> bool:
    """Whether levels that were known before lie where the sheet has the ends; false where they reach neither."""
    reached = False
    for demand, arrival, name in _ENDS:
        left, tolerance = context.sheet.as_left.get(name), context.sheet.tolerance.get(name)
        at = (round(demand / 0.05), int(arrival))
        if left is None or tolerance is None or at not in levels:
            continue
        off = levels[at] - left
        if abs(off) > SURELY_ONE * (tolerance.above if off > 0.0 else tolerance.below):
            return False
        reached = True
    return reached


def _of_the_curve(curve: Curve, group: Sequence[Dwell], change_a: float | None) -> _Then | None:
    """The recorded branch at the current that flowed at the level when the valve was left; None without a current."""
    if change_a is None or not all(math.isfinite(d.current_a) for d in group):
        return None
    left_a = float(np.median([d.current_a for d in group])) - change_a
    if not curve.low_a <= left_a <= curve.high_a:
        return None
    branches = curve.branch_at(np.array([left_a]), 1.0), curve.branch_at(np.array([left_a]), -1.0)
    rising, falling = float(branches[0][0]), float(branches[1][0])
    # An arrival by a part of the way ends somewhere between the branches, and may end on the other one.
    open_bar = math.hypot(_BETWEEN_LEVELS * float(curve.pressure_bar.max()), _OTHER_BRANCH * abs(falling - rising))
    return _Then(rising if group[0].arrival > 0.0 else falling, open_bar)


def slope_at(context: FindingContext, demand: float, arrival: float, change_a: float | None) -> tuple[float, bool]:
    """Slope (bar/A) of the characteristic at a level, and whether it is known there or only on the whole.

    From the recorded characteristic over the change of current, else from neighbouring levels of the same arrival.
    """
    curve, ends, span_a = curve_of(context.sheet), ends_of(context), _span_a(context)
    if curve is not None and curve.recorded and ends is not None:
        here = ends[0] + demand * (ends[1] - ends[0])
        return _slope_of_the_curve(curve, here, arrival, change_a or 0.02 * span_a * (1.0 if demand < 0.5 else -1.0))
    groups = _groups(context, context.found.stepped_s, math.inf)
    rows = [(_demand(group), _mean(group)) for key, group in groups.items() if key[1] == arrival]
    zero, full = (context.sheet.as_left.get(name) for name in ("pressure_at_zero", "pressure_at_full"))
    usual = full - zero if zero is not None and full is not None else 0.0
    beside = _slope_beside(rows, demand, usual)
    if beside is None:
        return usual / span_a, False
    slope, flat = beside
    return slope / span_a, abs(change_a or 0.0) >= _FLATS * flat * span_a


def _slope_of_the_curve(curve: Curve, here_a: float, arrival: float, way_a: float) -> tuple[float, bool]:
    """Slope (bar/A) of a recorded branch from `here_a` on, and whether it is known.

    Beyond the recorded currents it is taken from as far inside them, and known where no relief begins there, which
    would make that piece flatter than the curve is on the whole. Below them no valve is known: its pressure goes no
    lower than what the oil needs to flow.
    """
    recorded = curve.low_a <= here_a + way_a <= curve.high_a
    bars = curve.branch_at(np.array([here_a, here_a + (way_a if recorded else -way_a)]), arrival)
    slope = float(bars[1] - bars[0]) / (way_a if recorded else -way_a)
    usual = float(np.ptp(curve.pressure_bar) / np.ptp(curve.current_a))
    return slope, recorded or (way_a > 0.0 and slope >= _NO_FLATTER * usual)


def _slope_beside(rows: Sequence[tuple[float, float]], demand: float, usual_bar: float) -> tuple[float, float] | None:
    """Slope (bar over the full command) at a level by its neighbours, and how much may be flat; None: none are known.

    `rows`: demand and pressure of the levels of one arrival. `usual_bar`: rise over the whole command. At a level
    with a neighbour on one side only, a dead band or a relief may begin: a piece of d of which c is flat rises by
    1 - c / d of what the piece beyond it does, so that the rise tells c. Where no piece beyond is seen any of it may
    be flat: the rise over the whole command has that flat piece in it, and the bends of the valve.
    """
    mine = [row for row in rows if abs(row[0] - demand) <= _AT_END]
    near = sorted((u, bar) for u, bar in rows if mine and _NEIGHBOUR[0] <= abs(u - mine[0][0]) <= _NEIGHBOUR[1])
    if not near:
        return None
    here, bar_here = mine[0]
    slopes = [(bar - bar_here) / (u - here) for u, bar in near]
    slope = float(np.median(slopes))
    if near[0][0] < here < near[-1][0]:
        return slope, 0.0
    next_u, next_bar = min(near, key=lambda row: abs(row[0] - here))
    beyond = [(bar - next_bar) / (u - next_u) for u, bar in rows if abs(u - here) > abs(next_u - here) + _AT_END]
    rise = (next_bar - bar_here) / (next_u - here)
    steepest = max([*beyond, usual_bar, 1e-9]) if beyond else math.inf
    return slope, abs(next_u - here) * max(1.0 - rise / steepest, 0.0)


def _carried(group: Sequence[Dwell], demand: float, slope_bar: float) -> _Then:
    """Median pressure of dwells, each carried to one demand; `slope_bar`: rise over the whole command."""
    bars = np.array([d.pressure_bar - slope_bar * (d.demand - demand) for d in group])
    return _Then(float(np.median(bars)), _se(bars, group))


def _se(bars: np.ndarray, group: Sequence[Dwell]) -> float:
    own = float(np.median([d.pressure_se_bar for d in group]))
    spread = 1.4826 * float(np.median(np.abs(bars - np.median(bars))))
    return max(own, spread) / math.sqrt(len(group))


def _span_a(context: FindingContext) -> float:
    ends = ends_of(context)
    return max(ends[1] - ends[0], 1e-6) if ends is not None else 1.0


def _end_of(demand: float, arrival: int) -> bool:
    return any(abs(demand - end) <= _AT_END and arrival == way for end, way, _ in _ENDS)


def _mean(group: Sequence[Dwell]) -> float:
    return float(np.median([d.pressure_bar for d in group]))


def _demand(group: Sequence[Dwell]) -> float:
    return float(np.median([d.demand for d in group]))
