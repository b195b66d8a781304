"""Whether several levels moved at one time: what tells a valve, its source or its gauge from a load.

A load holds the pressure of one phase of a cycle below the characteristic. A spring, a source, a coil or a gauge that
has changed moves every level, in the same minutes, by one amount or by one share of what each level has.

It misses what moves the top alone (a relief, a weak pump), and a change of which nothing but its own level is seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from typing import NamedTuple

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray
from asleft.judge.valve.pressure import LevelKey, key_of, levelled_bar
from asleft.sheet.model import Sheet

#: Levels no nearer than this (share of the command) are other levels.
_APART = 0.05
#: Visits of another level that say what is usual there, visits that must have gone with the level while it was off,
#: and their share.
_LEAST_HOME, _LEAST_WITH, _MOST = 2, 2, 0.8
#: How sure one visit must be (standard deviations), and how far it must have gone: shares of one amount or one share.
_SURELY, _LEAST, _FARTHEST = 6.0, 0.2, 2.0
#: Pressures under this share of the level's are low; and the chance that is none.
_LOW, _BY_CHANCE = 0.25, 1e-3


def moved_together(
    dwells: Sequence[Dwell],
    visits: Sequence[Dwell],
    off_s: Collection[float],
    sheet: Sheet,
    *,
    by_chance: float = _BY_CHANCE,
) -> bool:
    """Whether other levels were off, the same way and alike, while a level was.

    `dwells`: steady ones of all levels, oldest first; `visits`: those of the level; `off_s`: when those that were off
    began (unix s). Other levels count between two visits of one kind, and before the first and after the last. Where
    these are too few, each is taken for what the visit next to it in time is, and must go with it more often than
    chance has it (`by_chance`; Fisher's exact test, 1922).
    """
    if _are_together([other for other in _others(dwells, visits, off_s, sheet, _state_at) if other.state]):
        return True
    others = [other for other in _others(dwells, visits, off_s, sheet, _state_near) if other.state is not None]
    with_it, alone = (sum(other.goes for other in others if other.state is so) for so in (True, False))
    off = sum(other.state is True for other in others)
    if 3 * with_it < off or with_it < _LEAST_WITH:
        return False
    return _chance_of(with_it, with_it + alone, off, len(others)) < by_chance


def left_together(
    dwells: Sequence[Dwell], visits: Sequence[Dwell], off_s: Collection[float], sheet: Sheet
) -> float | None:
    """When all levels left their places of which `visits`, the last ones at `off_s`, show one; None: they did not."""
    others = _others(dwells, visits, off_s, sheet, _state_at)
    if not _are_together([other for other in others if other.state]):
        return None
    first_s = min(off_s)
    between = [other for other in others if other.state is None and other.at_s < first_s]
    for other in reversed(between):
        if not other.goes:
            break
        first_s = other.at_s
    return first_s


class _Other(NamedTuple):
    """A visit of another level: whether the level was off then (None: not known), and whether this one was."""

    at_s: float
    state: bool | None
    goes: bool


def _are_together(others: Sequence[_Other]) -> bool:
    with_it = sum(other.goes for other in others)
    return with_it >= _LEAST_WITH and with_it >= _MOST * len(others)


def _others(
    dwells: Sequence[Dwell],
    visits: Sequence[Dwell],
    off_s: Collection[float],
    sheet: Sheet,
    state_of: Callable[[float, Sequence[tuple[float, bool]]], bool | None],
) -> list[_Other]:
    """Visits of other levels of which it is known what is usual there, oldest first.

    A level of low pressure may show that it went, but not that it did not: of what takes the top most it has little.
    """
    states = [(visit.from_s, visit.from_s in off_s) for visit in visits]
    away, home = ([v.pressure_bar for v in visits if (v.from_s in off_s) is so] for so in (True, False))
    if not away or not home:
        return []
    there = _Level(float(np.median([v.demand for v in visits])), float(np.median(home)), float(np.median(away)))
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in dwells:
        if abs(dwell.demand - there.demand) > _APART:
            groups.setdefault(key_of(dwell), []).append(dwell)
    out = []
    for group in groups.values():
        state = [state_of(dwell.from_s, states) for dwell in group]
        usual = np.array([so is False for so in state])
        if np.count_nonzero(usual) < _LEAST_HOME:
            continue
        bars = levelled_bar(group, sheet)
        own = float(np.median([dwell.pressure_se_bar for dwell in group]))
        middle, scatter = _closest_half(bars[usual])
        scatter = max(scatter, own)
        goes = _goes(bars, middle, scatter, there)
        low = middle < _LOW * there.home_bar
        rows = zip(group, state, goes.tolist(), strict=True)
        out += [_Other(dwell.from_s, so, went) for dwell, so, went in rows if went or not low]
    return sorted(out, key=lambda other: other.at_s)


def _closest_half(values: FloatArray) -> tuple[float, float]:
    """Middle and standard deviation of the half of values that lie closest: some of the others were off."""
    ordered = np.sort(values)
    count = ordered.size // 2 + 1
    widths = ordered[count - 1 :] - ordered[: ordered.size - count + 1]
    first = int(np.argmin(widths))
    # Half of a normal distribution lies within 1.35 standard deviations.
    return float(np.median(ordered[first : first + count])), float(widths[first]) / 1.35


class _Level(NamedTuple):
    """The level whose visits are told apart: its demand, and its pressure (bar) at home and off."""

    demand: float
    home_bar: float
    away_bar: float


def _goes(bars: FloatArray, usual_bar: float, scatter_bar: float, level: _Level) -> BoolArray:
    """Which pressures of another level, (n,), are off as one amount, or one share of every pressure, would have them.

    Under a load all levels have its pressure: so what is left between two levels must be half of what is usual.
    """
    change_bar = level.away_bar - level.home_bar
    share = min(max(usual_bar / level.home_bar, 0.0), 1.0) if level.home_bar > 0.0 else 1.0
    moved = (bars - usual_bar) * np.sign(change_bar)
    goes = moved > max(_LEAST * abs(change_bar) * share, _SURELY * scatter_bar)
    goes &= moved < _FARTHEST * abs(change_bar)
    apart = level.home_bar - usual_bar
    between: BoolArray = goes & ((level.away_bar - bars) * np.sign(apart) >= 0.5 * abs(apart))
    return between


def _state_at(at_s: float, states: Sequence[tuple[float, bool]]) -> bool | None:
    """Whether the level was off at a time; None between two visits of which one was and one was not."""
    before = [off for from_s, off in states if from_s <= at_s][-1:]
    after = [off for from_s, off in states if from_s > at_s][:1]
    around = set(before + after)
    return around.pop() if len(around) == 1 else None


def _state_near(at_s: float, states: Sequence[tuple[float, bool]]) -> bool | None:
    """Whether the level was off at its visit next to a time."""
    return min(states, key=lambda state: abs(state[0] - at_s))[1] if states else None


def _chance_of(with_it: int, went: int, off: int, of: int) -> float:
    """Chance that so many or more of `went` visits, of `of` in all, fall on the `off` ones: hypergeometric."""
    ways = sum(math.comb(off, k) * math.comb(of - off, went - k) for k in range(with_it, min(off, went) + 1))
    return ways / math.comb(of, went)
