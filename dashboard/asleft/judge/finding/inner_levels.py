"""Levels next to full command, and what single visits say of the current there.

A gain or an offset moves every level. So where full command is hardly ever at rest the levels below it tell.

It misses what moves by less than a tolerance there, though it may be more at full.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from asleft.judge.drift.onset import Times, best_split, times_beyond
from asleft.judge.driver.currents import usable
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext
from asleft.sheet.model import Tolerance

#: Levels that are one (share of the command), the lowest that tells, and visits of the end that need no other level.
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
    at_zero = context.results.get("current_at_zero")
    unsure = 0.0 if at_zero is None else at_zero.uncertainty or 0.0
    # Where currents at rest wander, more is asked.
    least = max(min(tolerance.below, tolerance.above), _TIMES_U * unsure)
    tolerance = Tolerance(max(tolerance.below, least), max(tolerance.above, least))
    out = []
    for demand, visited in _levels([d for d in context.seen.dwells if usable(d, context.sheet)]):
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
        if demand > _LOWEST and wide and sum(so is True for so in known) >= _MOST * len(known):
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


def _levels(dwells: Sequence[Dwell]) -> list[tuple[float, list[Dwell]]]:
    """Levels by demand, the highest first, each with its dwells in order of time."""
    groups: dict[int, list[Dwell]] = {}
    for dwell in dwells:
        groups.setdefault(round(dwell.demand / _ONE_LEVEL), []).append(dwell)
    return [(float(np.median([d.demand for d in group])), group) for _, group in sorted(groups.items(), reverse=True)]


def _usual(series: Sequence[tuple[float, float]], left: float) -> float:
    """The more usual of two places of a value: that nearer to what the line as left has there."""
    places: list[float] = np.quantile([value for _, value in series], (0.25, 0.75)).tolist()
    return min(places, key=lambda value: abs(value - left))
