"""A loop that grew within the readings, and whether it explains why the pressures at its ends moved.

It is told by both branches at any levels, where no level shows its width.

A spool that rubs more falls short on the way up and stays high on the way down: pressures reached from below fall and
those reached from above rise, at the same commands and at the same times. A load, a spring, a source or a gauge moves
both the same way. So each visit says how far its branch has moved outward, along the current by the sheet's mean
slope, and visits of all levels together say when and by how much.

It misses a loop that was as wide from the first row on, and one of which only one branch is seen. Where the
characteristic is much flatter or steeper than its mean, the size is off by as much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext, make, moved, moved_by
from asleft.judge.intake.holding import BoolArray
from asleft.judge.onset import motion_within, times_beyond
from asleft.judge.types import Finding, FloatArray, Verdict
from asleft.judge.valve.curve import curve_of
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar
from asleft.sheet.names import counted

#: A way shorter than this (share of the command) may not cross the loop; a pause as short as this is none (s).
_WHOLE_WAY, _NEXT_STAY_S = 0.15, 1.0
#: Visits of a level, and of each branch before and after, that tell; quantile of a level that is its inner place.
_LEAST_VISITS, _LEAST_EACH, _INNER = 4, 2, 0.15
#: Neighbours of either branch, and the correlation of their being off, from which they are off together.
_LEAST_PAIRS, _TOGETHER = 6, 0.4
#: Of how far the level moved that moved most, less than which tells nothing: there the characteristic is flat.
_HARDLY = 0.3
#: Of the whole widening, what each branch must have done, and how many of its standard errors that must be.
_EACH, _SURELY = 0.2, 4.0


@dataclass(frozen=True, slots=True)
class Wider:
    """How much wider the loop was (% of the current's span), since when, in how many of all visits (0: it stays)."""

    by_pct: float
    since_s: float
    at_times: int = 0
    visits: int = 0


def loop_within(context: FindingContext) -> Wider | None:
    """How a loop whose width is not seen, or not decided, grew within the readings; None where it did not."""
    result, tolerance = context.results.get("hysteresis"), context.sheet.tolerance.get("hysteresis")
    if result is None or tolerance is None or result.verdict not in {Verdict.NOT_OBSERVED, Verdict.UNDECIDED}:
        return None
    if context.found.held is not None or not math.isfinite(tolerance.above):
        return None
    if context.seen.oil_may_be_cold:
        return None  # thick oil widens a loop too
    rows = _outward(context)
    if not rows:
        return None
    series = [(row.at_s, row.alike_pct) for row in rows]
    at_s = np.array([row.at_s for row in rows])
    step_s, creep = motion_within(series, tolerance.above)
    if step_s is not None:
        return _told(rows, (at_s >= step_s).astype(float), tolerance.above, step_s)
    if creep is not None:
        way = np.maximum(at_s - creep.begins_s, 0.0) / max(at_s[-1] - creep.begins_s, 1e-9)
        return _told(rows, way, tolerance.above, creep.begins_s)
    times = times_beyond(series, 0.0, tolerance.above, tolerance.above)
    if times is None:
        return None
    off = np.array([row.at_s in times.at_s for row in rows])
    if not _at_one_time(rows, off):
        return None
    told = _told(rows, off.astype(float), tolerance.above, min(times.at_s))
    return None if told is None else replace(told, at_times=int(off.sum()), visits=off.size)


def widened(context: FindingContext) -> list[Finding]:
    """The finding of a loop that grew within the readings, or none."""
    wider = loop_within(context)
    if wider is None:
        return []
    times = f" at times ({wider.at_times} of {counted(wider.visits, 'visit')})" if wider.at_times else ""
    evidence = (
        f"The two branches of the pressure moved apart by {wider.by_pct:.1f} % of the current's span{times}: "
        "less on the way up, more on the way down."
    )
    return [make("hysteresis-changed", evidence, wider.since_s, quantities=("hysteresis",))]


class _Row(NamedTuple):
    """A visit, and by how much wider the loop would be if both branches lay as far outward as it.

    From the inner place of its level, in % of the span by the mean slope; `alike_pct`: were it one at all levels.
    """

    at_s: float
    arrival: float
    pct: float
    alike_pct: float


def _outward(context: FindingContext) -> list[_Row]:
    """The valve's own visits in order of time, but for levels that hardly moved; none of one branch alone."""
    ends = [context.sheet.as_left.get(f"pressure_at_{end}") for end in ("zero", "full")]
    if ends[0] is None or ends[1] is None or ends[1] <= ends[0]:
        return []
    groups = []
    for group in whole_ways(context).values():
        if len(group) < _LEAST_VISITS:
            continue
        out = -group[0].arrival * levelled_bar(group, context.sheet)
        inner, outer = np.quantile(out, (_INNER, 1.0 - _INNER)).tolist()
        groups.append((group, 200.0 * (out - inner) / (ends[1] - ends[0]), outer - inner))
    farthest = max((far for _, _, far in groups), default=0.0)
    groups = [row for row in groups if row[2] > _HARDLY * farthest]
    if len({row[0][0].arrival for row in groups}) < 2:
        return []
    usual = float(np.median([far for _, _, far in groups]))
    return sorted(
        _Row(dwell.from_s, dwell.arrival, share, share * usual / far)
        for group, pct, far in groups
        for dwell, share in zip(group, pct.tolist(), strict=True)
    )


def whole_ways(context: FindingContext) -> dict[LevelKey, list[Dwell]]:
    """Dwells at the end of a way that crosses the loop, by level; the first of a stay, for friction holds it."""
    out: dict[LevelKey, list[Dwell]] = {}
    judged = {d.from_s for d in context.found.judged_pressure}
    before: Dwell | None = None
    for dwell in context.seen.dwells:
        new = before is not None and (key_of(before) != key_of(dwell) or dwell.from_s - before.to_s > _NEXT_STAY_S)
        if before is not None and new and abs(dwell.demand - before.demand) > _WHOLE_WAY and dwell.from_s in judged:
            out.setdefault(key_of(dwell), []).append(dwell)
        before = dwell
    return out


def _at_one_time(rows: Sequence[_Row], off: BoolArray) -> bool:
    """Whether visits of one branch were off when their neighbours in time of the other branch were.

    What moves both branches the same way takes one inward: that one then seems off while the other is not.
    """
    pairs = [(off[k], off[k + 1]) for k in range(len(rows) - 1) if rows[k].arrival != rows[k + 1].arrival]
    x = np.array(pairs, dtype=float).reshape(-1, 2)
    if len(pairs) < _LEAST_PAIRS or np.any(x.std(axis=0) == 0.0):
        return False
    return float(np.corrcoef(x.T)[0, 1]) > _TOGETHER


def _told(rows: Sequence[_Row], there: FloatArray, tolerance_pct: float, since_s: float) -> Wider | None:
    """How much wider the loop is where `there` (n,) is 1 than where it is 0; None where a branch lacks its share."""
    moved = []
    for side in (1.0, -1.0):
        mine = np.array([row.arrival == side for row in rows])
        x, y = there[mine], np.array([row.pct for row in rows])[mine]
        if min(np.count_nonzero(x > 0.5), np.count_nonzero(x < 0.5)) < _LEAST_EACH or y.size < _LEAST_VISITS:
            return None
        x = x - x.mean()
        by = float(x @ y) / float(x @ x)
        left = y - y.mean() - by * x
        if by <= _SURELY * math.sqrt(float(left @ left) / (y.size - 2) / float(x @ x)):
            return None
        moved.append(0.5 * by)
    whole = sum(moved)
    return Wider(whole, since_s) if whole > tolerance_pct and min(moved) > _EACH * whole else None


# Whether a wider loop explains why the pressures at its ends moved: lower arriving from below, higher from above.


def _moved_outward(context: FindingContext) -> bool:
    """Whether the pressures at the ends, as far as they moved, moved as a loop does that grew within the readings."""
    ways = (("pressure_at_full", -1.0), ("pressure_at_zero", 1.0))
    changes = [(moved_by(context.results.get(name)), way) for name, way in ways if moved(context, name)]
    return all(change is not None and change[0] * way > 0.0 for change, way in changes)


def widening_explains(context: FindingContext) -> bool:
    """True if each pressure end that moved did so by half the loop's widening along the curve, to half of it.

    At full command, reached from below, the pressure falls by that much; at zero, reached from above, it rises.
    """
    result = context.results.get("hysteresis")
    if loop_within(context) is not None:
        return _moved_outward(context)
    curve = curve_of(context.sheet)
    zero, full = context.sheet.as_left.get("current_at_zero"), context.sheet.as_left.get("current_at_full")
    if result is None or result.as_found is None or result.as_left is None:
        return False
    if curve is None or zero is None or full is None:
        return False
    half_a = 0.005 * (result.as_found - result.as_left) * (full - zero)
    for name, end_a, way in (("pressure_at_full", full, -1.0), ("pressure_at_zero", zero, 1.0)):
        end = context.results.get(name)
        if not moved(context, name) or end is None or end.as_found is None or end.as_left is None:
            continue
        # From where friction left the spool then to where it leaves it now.
        inside = end_a + way * curve.half_width_a
        here, there = curve.pressure_at(np.array([inside, inside + way * half_a])).tolist()
        change = end.as_found - end.as_left
        if abs(change - (there - here)) > 0.5 * abs(change):
            return False
    return True
