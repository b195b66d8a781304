"""A spool that stands still for a while: the pressure stays where it was although command and current went on.

Seen from one stay to the next: the pressure is that of the stay before, which was as usual there (or stood already),
and far from what the new level has on other visits. A load that limits the pressure does so at a height of its own;
one that makes none leaves it at that of zero command, so what stays there tells nothing.

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
#: Shares of the tolerance: nearer is the same pressure, nearer is as usual at its level, farther is not.
_SAME, _USUAL, _OFF = 0.05, 0.3, 1.5
#: Longest way from one stay to the next (s): a ramp, no stop.
_ON_THE_WAY_S = 20.0


def stood_still(context: FindingContext, tolerance_bar: float) -> list[Dwell]:
    """Beginnings of the stays in which the pressure stood still, oldest first; none where that is no rule.

    `tolerance_bar`: of the pressures.
    """
    dwells = steady(context.seen.dwells, context.sheet)
    off = _off_bar(dwells, context)
    zero = context.sheet.as_left.get("pressure_at_zero", 0.0)
    stood: list[Dwell] = []
    standing = False  # whether the stay before the one looked at stood still
    for before, dwell in itertools.pairwise(dwells):
        if key_of(before) == key_of(dwell) and dwell.from_s - before.to_s < 1.0:
            standing = standing and _is_same(before, dwell, tolerance_bar)
            continue
        usual = abs(off.get(before.from_s, np.inf)) <= _USUAL * tolerance_bar
        tells = before.pressure_bar > zero + 2.0 * tolerance_bar or dwell.arrival < 0.0
        standing = (
            (standing or usual)
            and tells
            and dwell.from_s - before.to_s < _ON_THE_WAY_S
            and abs(off.get(dwell.from_s, 0.0)) > _OFF * tolerance_bar
            and _is_same(before, dwell, tolerance_bar)
        )
        if standing:
            stood.append(dwell)
    return stood if len(stood) >= _LEAST_STOOD else []


def _is_same(before: Dwell, dwell: Dwell, tolerance_bar: float) -> bool:
    own = 6.0 * float(np.hypot(before.pressure_se_bar, dwell.pressure_se_bar))
    return abs(dwell.pressure_bar - before.pressure_bar) <= max(own, _SAME * tolerance_bar)


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
