"""The command a held pressure needs, where a controller outside holds the pressure true.

A failing valve does not show in the pressure then: the controller asks for more. What shows is the pair of steady
pressure p and command u. Against the pair (p0, u0) of the same pressure and side of arrival as left, with s the slope
of the characteristic there, the valve gives
    e = (p - p0) - s (u - u0)
less or more pressure than it would give at that command: the equivalent change of pressure, judged by the tolerance
of pressure. Where the sheet carries a recorded characteristic, that is what p is compared with, else the pairs of the
first production after the revision, never learnt again.

A pair counts when pressure and command have stood nearly still for a second in production, the oil inside its
window, and the valve, not the load, made the pressure: by the sheet's marks, or because e is nearer to what the valve
did there when left than to what the load did. What it misses: changes at pressures not held when left; and a load
that newly makes a pressure near to what the valve would make passes for the valve. What a random load does to e for
some seconds is counted by its autocorrelation (`slow`), so that what the loop rejects does not alarm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import Estimate, expanded_uncertainty
from asleft.judge.features import Dwell
from asleft.judge.outer.held_levels import (
    LEAST,
    TOP,
    TOP_STEP,
    HeldKey,
    HeldLevel,
    change_bar,
    departure_bar,
    full_bar,
    key_of,
    marked,
    play_bar,
)
from asleft.judge.outer.slow import slow_fit
from asleft.sheet.model import Sheet

#: Share of a rise carried to the command's end that is left open.
_CARRIED = 0.2
#: A valve seen from the other side only is taken to have moved by no more than this share of full pressure.
_MOST_MOVED = 0.15


@dataclass(frozen=True, slots=True)
class Needed:
    """The command needed now at one level, beside as left."""

    pressure_bar: float
    demand: float
    left_demand: float
    change_bar: float  # e
    se_bar: float
    pairs: int
    way: float  # side of arrival
    slope_bar: float  # of the characteristic there, bar over the full command


@dataclass(frozen=True, slots=True)
class Held:
    """Equivalent change of pressure at the highest held level (bar), every level, and the pairs it rests on."""

    change: Estimate
    left_se_bar: float  # of what it is compared with, 0 where that is the sheet's curve
    levels: tuple[Needed, ...]
    series: tuple[tuple[float, float, float], ...]  # (unix s, e, command when left) of each pair, in time order
    top: Needed | None  # command at its end and less pressure than less command gave when left

    def expanded(self) -> float:
        """Expanded uncertainty (bar, 95 %) of the change since it was left."""
        return expanded_uncertainty(
            float(np.hypot(self.change.repeatability, self.left_se_bar)), self.change.dof, 0.0
        )


def judged(pairs: Sequence[Dwell], sheet: Sheet, left: Sequence[HeldLevel]) -> list[tuple[Dwell, HeldLevel]]:
    """Pairs the valve made, each with its level as left."""
    full = full_bar(sheet)
    known: Mapping[HeldKey, HeldLevel] = {(level.step, level.way): level for level in left}
    out = []
    for pair in pairs:
        step, way = key_of(pair, full)
        # Where it then came from the other side, the play lies between (`_moved`).
        level = known.get((step, way))
        if level is None and step != TOP_STEP:
            level = known.get((step, -way))
            if level is not None and change_bar(pair, level) < -_MOST_MOVED * full:
                continue  # rather a load that never made this pressure from that side
        if level is None or level.in_control < 0.5:
            continue
        by_load = np.isfinite(level.load_bar) and change_bar(pair, level) <= 0.5 * level.load_bar
        if by_load and not marked(pair, sheet):
            continue
        out.append((pair, level))
    return out


def held(pairs: Sequence[Dwell], sheet: Sheet, left: Sequence[HeldLevel], tolerance_bar: float) -> Held | None:
    """What the pairs say now against the levels as left; None without enough of them.

    The change is read off a line through all pairs, over the command, at the highest level held when left: a spring
    or a gain moves high pressures most, an offset all alike.
    """
    rows = judged(pairs, sheet, left)
    if len(rows) < 2 * LEAST:
        return None
    absolute = sheet.characteristic is not None
    e = np.array([departure_bar(p, sheet) if absolute else _moved(p, level, sheet) for p, level in rows])
    u = np.array([level.demand for _, level in rows])
    at_s = np.array([p.from_s for p, _ in rows])
    highest = float(u.max())
    floor = 1e-4 * full_bar(sheet)
    columns = [np.ones_like(u)]
    if np.ptp(u) > 0.15:
        columns.append(u - highest)
    fit = slow_fit(np.column_stack(columns), e, at_s, floor=floor)
    if fit is None:
        return None
    change = Estimate(
        value=float(fit.theta[0]),
        repeatability=float(np.sqrt(fit.covariance[0, 0])),
        dof=fit.dof,
        segments=len(rows),
        from_s=float(at_s[0]),
        to_s=rows[-1][0].to_s,
        command_min_pct=100.0 * min(p.demand for p, _ in rows),
        command_max_pct=100.0 * max(p.demand for p, _ in rows),
    )
    levels = []
    for level in dict.fromkeys(level for _, level in rows):
        mine = np.array([k for k, (_, of) in enumerate(rows) if of == level])
        if mine.size < LEAST:
            continue
        median = float(np.median(e[mine]))
        spread = max(1.4826 * float(np.median(np.abs(e[mine] - median))), floor)
        se = 1.2533 * spread * float(np.sqrt(fit.inflation / mine.size))
        now = level.demand - median / level.slope_bar
        way, slope = float(level.way), level.slope_bar
        levels.append(Needed(level.pressure_bar, now, level.demand, median, se, int(mine.size), way, slope))
    series = list(zip(at_s.tolist(), e.tolist(), u.tolist(), strict=True))
    stopped, ends = _stopped(pairs, sheet, left, tolerance_bar)
    if stopped is not None:
        series = sorted([*series, *((at, change, stopped.left_demand) for at, change in ends)])
    used = sum(level.pairs for level in dict.fromkeys(level for _, level in rows))
    left_se = 0.0 if absolute else change.repeatability * float(np.sqrt(len(rows) / used))
    return Held(change, left_se, tuple(levels), tuple(series), stopped)


def _moved(pair: Dwell, level: HeldLevel, sheet: Sheet) -> float:
    """Equivalent change of a pair since its level was left; the play taken off where it comes from the other side."""
    return change_bar(pair, level) + 0.5 * (pair.arrival - level.way) * play_bar(sheet, level.slope_bar)


def _stopped(
    pairs: Sequence[Dwell], sheet: Sheet, left: Sequence[HeldLevel], tolerance_bar: float
) -> tuple[Needed | None, list[tuple[float, float]]]:
    """Command at its end and pressure short of what less command gave when left: the set point is not reached.

    None where the load made such a pressure with the command at its end when left too. Beside it (unix s, e) of
    each pair that shows it.
    """
    full = full_bar(sheet)
    top = [p for p in pairs if p.demand >= TOP]
    best = max((x for x in left if x.in_control > 0.5 and x.step != TOP_STEP), key=lambda x: x.demand, default=None)
    if len(top) < LEAST or best is None:
        return None, []
    then = [x for x in left if x.step == TOP_STEP]
    loads = [x.pressure_bar for x in then if x.in_control < 0.5]
    then = [x for x in then if x.in_control > 0.5]
    # Not seen there when left: it lies further on the characteristic, on either branch.
    unsure = 0.0 if then else _CARRIED * best.slope_bar * (1.0 - best.demand) + play_bar(sheet, best.slope_bar)
    short = [
        (p.from_s, change_bar(p, min(then, key=lambda x: abs(x.way - p.arrival), default=best)))
        for p in top
        if p.pressure_bar < best.pressure_bar and all(abs(p.pressure_bar - x) > 0.05 * full for x in loads)
    ]
    changes = np.array([change for _, change in short])
    if changes.size < LEAST or float(np.median(changes)) > -tolerance_bar - unsure:
        return None, []
    change = float(np.median(changes))
    spread = 1.4826 * float(np.median(np.abs(changes - change)))
    se = 1.2533 * max(spread, 1e-4 * full) / float(np.sqrt(changes.size))
    way, slope = float(best.way), best.slope_bar
    needed = Needed(best.pressure_bar, 1.0, best.demand, change, se, int(changes.size), way, slope)
    return needed, [at for at in short if at[1] < 0.5 * change]
