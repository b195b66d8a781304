"""Pressures that a controller outside holds: their levels as left, the command each needs, and both ends.

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
some seconds is counted by its autocorrelation (`outer`), so that what the loop rejects does not alarm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from asleft.judge.decide import Estimate, expanded_uncertainty
from asleft.judge.features import NAN, Dwell
from asleft.judge.outer import inflation_of, slow_fit
from asleft.judge.types import FloatArray
from asleft.judge.valve.end_pressure import FARTHEST
from asleft.judge.valve.pressure import ceiling_bar
from asleft.sheet.model import Sheet

# Levels of pressure a controller outside holds, as they were left: the command each needed then.
#
# A level is a tenth of full pressure and the side of arrival, or the command at its end. What is learnt of it in the
# first production after a revision is kept: medians of pressure and command, the slope of the characteristic there,
# and, where the load makes the same pressure in another phase of the cycle, how far below the characteristic that
# lay.

_STEP = 0.1  # of full pressure: one held level
#: A pair's pressure and command move by less than this in a second (share of full pressure, of the command).
_STILL_BAR, _STILL = 0.02, 0.05
#: The command stands at its end.
TOP = 0.99
TOP_STEP = 1000
#: In control when left: no further below the characteristic than this share of full pressure.
NEAR = 0.08
LEAST = 4

HeldKey = tuple[int, int]  # pressure in steps of 5 % of full (1000: command at its end), arrival


class HeldLevel(NamedTuple):
    """A held level as left: medians of pressure and command, slope there, what the load made of e, pairs seen."""

    step: int
    way: int
    pressure_bar: float
    demand: float
    slope_bar: float  # bar over the full command
    load_bar: float  # NaN: the load never made this pressure
    in_control: float  # 1 if the valve was seen to make it
    pairs: int


def full_bar(sheet: Sheet) -> float:
    """Pressure the steps of levels are taken from; 0 if the sheet gives none."""
    return sheet.as_left.get("pressure_at_full") or 0.0


def still_pairs(dwells: Sequence[Dwell], sheet: Sheet) -> list[Dwell]:
    """Seconds whose pressure can be judged, whoever makes it."""
    full = full_bar(sheet)
    window = sheet.conditions.oil_temperature_degc
    return [
        d
        for d in dwells
        if d.producing > 0.5
        and np.isfinite(d.pressure_bar)
        and d.arrival != 0.0
        and abs(d.pressure_moves_bar) <= max(_STILL_BAR * full, 4.0 * d.pressure_se_bar)
        and abs(d.demand_moves) <= _STILL
        and not (window and np.isfinite(d.oil_degc) and not window[0] <= d.oil_degc <= window[1])
    ]


def key_of(pair: Dwell, full: float) -> HeldKey:
    """Level and side of arrival of a pair."""
    step = TOP_STEP if pair.demand >= TOP else round(pair.pressure_bar / (_STEP * full))
    return step, int(pair.arrival)


def learn_held(pairs: Sequence[Dwell], sheet: Sheet, tolerance_bar: float) -> list[HeldLevel]:
    """Held levels of the first production; empty without numbers of pressure in the sheet."""
    full = full_bar(sheet)
    off = np.array([departure_bar(d, sheet) for d in pairs])
    if full <= 0.0 or off.size == 0 or not np.isfinite(off).all():
        return []
    near = np.array([marked(d, sheet) for d in pairs]) | (off >= -max(NEAR * full, 3.0 * tolerance_bar))
    slope = _Slope([d for d, mine in zip(pairs, near.tolist(), strict=True) if mine], sheet)
    groups: dict[HeldKey, list[int]] = {}
    for k, pair in enumerate(pairs):
        groups.setdefault(key_of(pair, full), []).append(k)
    out = []
    for (step, way), rows in sorted(groups.items()):
        mine = [k for k in rows if near[k]]
        others = [k for k in rows if not near[k]]
        base = mine if len(mine) >= LEAST else rows
        if len(base) < LEAST:
            continue
        pressure = float(np.median([pairs[k].pressure_bar for k in base]))
        demand = float(np.median([pairs[k].demand for k in base]))
        level = HeldLevel(step, way, pressure, demand, slope(demand), NAN, float(len(mine) >= LEAST), len(base))
        if len(others) >= LEAST and len(mine) >= LEAST:
            level = level._replace(load_bar=float(np.median([change_bar(pairs[k], level) for k in others])))
        out.append(level)
    return out


class _Slope:
    """Slope of the characteristic (bar over the full command) at a demand: the sheet's curve, else the pairs' own."""

    def __init__(self, pairs: Sequence[Dwell], sheet: Sheet) -> None:
        self.sheet = sheet
        self.bend: FloatArray | None = None
        demand = np.array([d.demand for d in pairs])
        if sheet.characteristic is None and demand.size >= 12 and np.ptp(demand) > 0.3:
            way = np.array([d.arrival for d in pairs])
            columns = [np.ones_like(demand), demand, demand**2]
            columns += [way] if np.ptp(way) > 0 else []
            fit = slow_fit(
                np.column_stack(columns),
                np.array([d.pressure_bar for d in pairs]),
                np.array([d.from_s for d in pairs]),
            )
            self.bend = fit.theta if fit is not None else None

    def __call__(self, demand: float) -> float:
        """Slope at a demand, within a half and twice that of the straight line between the ends."""
        low, high = (ceiling_bar(self.sheet, u, 0.0) for u in (0.0, 1.0))
        line = (high or 0.0) - (low or 0.0)
        if self.bend is not None:
            own = float(self.bend[1] + 2.0 * self.bend[2] * demand)
        else:
            a, b = max(demand - 0.05, 0.0), min(demand + 0.05, 1.0)
            below, above = ceiling_bar(self.sheet, a, 0.0), ceiling_bar(self.sheet, b, 0.0)
            own = line if below is None or above is None else (above - below) / (b - a)
        return min(max(own, 0.5 * line), 2.0 * line)


def departure_bar(pair: Dwell, sheet: Sheet) -> float:
    """Pressure of a pair above the characteristic as left (bar); NaN where the sheet gives none."""
    ceiling = ceiling_bar(sheet, min(max(pair.demand, 0.0), 1.0), pair.arrival)
    return NAN if ceiling is None else pair.pressure_bar - ceiling


def marked(pair: Dwell, sheet: Sheet) -> bool:
    """Whether the sheet itself says that the valve is in control in this second."""
    conditions = sheet.conditions
    if pair.mode in conditions.in_control_modes:
        return True
    command = conditions.in_control_command_pct
    return command is not None and command[0] <= 100.0 * pair.demand <= command[1]


def change_bar(pair: Dwell, level: HeldLevel) -> float:
    """Equivalent change of pressure (bar) of a pair since its level was left."""
    return (pair.pressure_bar - level.pressure_bar) - level.slope_bar * (pair.demand - level.demand)


def play_bar(sheet: Sheet, slope_bar: float) -> float:
    """What friction makes of a pressure between its branches (bar): the hysteresis as left, 1 % where not given."""
    return sheet.as_left.get("hysteresis", 1.0) / 100.0 * slope_bar


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


# Pressure at zero and full of a valve under an outer loop, where the loop goes near enough to them.
#
# What counts is one mean of pressure and command for each held level and side of arrival, not the single pairs:
# within a level a loop moves the command against its load at constant pressure, and a line through the pairs would
# take that for a flat characteristic (errors in variables; identification in closed loop). The levels' departures
# from the characteristic as left are a parabola over the command and, between the branches, a constant. How steep
# and bent that may be is known beforehand, from what the sheet carries, and enters as a prior; so the uncertainty
# grows by itself where levels are few or the end is far, at most a tenth of the command beyond what was visited.

_LEAST = 10
_NEAR_END = 0.3
_LEAST_NEAR = 3
#: Standard deviations beforehand of slope and bend of the departure (share of the characteristic's span): of a valve
#: of which the sheet carries both ends only, and of one whose curve was recorded.
_ENDS_ONLY = (0.3, 0.25)
_RECORDED = (0.05, 0.05)
#: A spool within its play lies anywhere in it: sqrt(1/12) of its width.
_IN_PLAY = 0.29


def held_end(pairs: Sequence[Dwell], sheet: Sheet, *, at_full: bool, instrument_u_bar: float) -> Estimate | str:
    """Pressure at full (arriving from below) or at zero (from above) from pairs the valve made, or why not."""
    end, way = (1.0, 1.0) if at_full else (0.0, -1.0)
    visited = "full command not visited from below" if at_full else "zero command not visited from above"
    if len(pairs) < _LEAST:
        return visited
    u = np.array([p.demand for p in pairs])
    nearest = float(np.sort(np.abs(u - end))[_LEAST_NEAR - 1])
    if nearest > FARTHEST:
        return f"{visited}: the loop goes to {100.0 * abs(end - nearest):.0f} % at most" if at_full else visited
    arrival = np.array([p.arrival for p in pairs])
    if int(np.sum((arrival == way) & (np.abs(u - end) < _NEAR_END))) < _LEAST_NEAR:
        return visited
    low, there = ceiling_bar(sheet, 0.0, -1.0), ceiling_bar(sheet, end, way)
    high = ceiling_bar(sheet, 1.0, 1.0)
    levels = _levels(pairs, sheet)
    if low is None or high is None or there is None or not np.isfinite(levels).all():
        return "no pressures in the sheet to compare with"
    value, sd = _at_end(levels, end, way, high - low, play_bar(sheet, high - low), sheet)
    return Estimate(
        value=there + value,
        repeatability=sd,
        dof=float(max(len(pairs) / float(levels[0, 4]) - 2.0, 1.0)),
        systematic=instrument_u_bar,
        segments=len(pairs),
        from_s=pairs[0].from_s,
        to_s=pairs[-1].to_s,
        command_min_pct=100.0 * float(u.min()),
        command_max_pct=100.0 * float(u.max()),
    )


def _levels(pairs: Sequence[Dwell], sheet: Sheet) -> FloatArray:
    """Rows (demand, arrival, departure, its standard error, readings worth one), one per level and side."""
    full = full_bar(sheet)
    groups: dict[tuple[int, int], list[Dwell]] = {}
    for pair in pairs:
        groups.setdefault(key_of(pair, full), []).append(pair)
    rows, residual = [], np.zeros(len(pairs))
    place = {id(pair): k for k, pair in enumerate(pairs)}
    for group in groups.values():
        off = np.array([departure_bar(p, sheet) for p in group])
        middle = float(off.mean())
        residual[[place[id(p)] for p in group]] = off - middle
        spread = float(off.std(ddof=1)) if off.size > 1 else float("inf")
        if np.isfinite(spread):
            rows.append((float(np.mean([p.demand for p in group])), group[0].arrival, middle, spread, off.size))
    inflation = inflation_of(residual, np.array([p.from_s for p in pairs]))
    floor = 1e-4 * full
    return np.array(
        [(u, way, off, max(sd, floor) * np.sqrt(min(inflation, n) / n), inflation) for u, way, off, sd, n in rows]
    )


def _at_end(
    levels: FloatArray, end: float, way: float, span_bar: float, play: float, sheet: Sheet
) -> tuple[float, float]:
    """Departure at the end on that branch and its standard deviation (bar)."""
    slope, bend = _ENDS_ONLY if sheet.characteristic is None else _RECORDED
    u, arrival, off, se = levels[:, 0] - end, levels[:, 1], levels[:, 2], levels[:, 3]
    design = np.column_stack((np.ones_like(u), u, u**2, 0.5 * (arrival - way)))
    weight = 1.0 / (se**2 + (_IN_PLAY * play) ** 2)
    # Between the branches lies the play as left, unless the sheet's curve has it already.
    centre = np.array([0.0, 0.0, 0.0, 0.0 if sheet.characteristic is not None else -play])
    before = np.diag([0.0, *(1.0 / (x * span_bar) ** 2 for x in (slope, bend)), 1.0 / max(play, 1e-6) ** 2])
    normal = design.T @ (design * weight[:, None]) + before
    covariance = np.linalg.inv(normal)
    theta = covariance @ (design.T @ (off * weight) + before @ centre)
    return float(theta[0]), float(np.sqrt(covariance[0, 0]))
