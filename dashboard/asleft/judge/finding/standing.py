"""A spool that stands still for a while: the pressure stays where it was although command and current went on.

Seen from one stay to the next: the pressure is that of the stay before, which was as usual there (or stood already),
and far from what the new level has on other visits. A way that is no longer than the loop is wide moves no spool, so
it tells nothing. A load that limits the pressure does so at a height of its own; one that makes none leaves it at
that of zero command, so what stays there tells nothing.

It misses a spool that stands still for less than a stay, or at levels that were visited less than four times.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar, steady

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
    dwells = steady(context.seen.dwells, context.sheet)
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
            rest = bars - np.median(bars)
            out.update(zip((d.from_s for d in group), rest.tolist(), strict=True))
    return out
