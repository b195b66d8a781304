"""Pressure at zero and full of a valve under an outer loop, where the loop goes near enough to them.

What counts is one mean of pressure and command for each held level and side of arrival, not the single pairs: within
a level a loop moves the command against its load at constant pressure, and a line through the pairs would take that
for a flat characteristic (errors in variables; identification in closed loop). The levels' departures from the
characteristic as left are a parabola over the command and, between the branches, a constant. How steep and bent that
may be is known beforehand, from what the sheet carries, and enters as a prior; so the uncertainty grows by itself
where levels are few or the end is far, at most a tenth of the command beyond what was visited.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.outer.held_levels import departure_bar, full_bar, key_of, play_bar
from asleft.judge.outer.slow import inflation_of
from asleft.judge.types import FloatArray
from asleft.judge.valve.end_pressure import FARTHEST
from asleft.judge.valve.pressure import ceiling_bar
from asleft.sheet.model import Sheet

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
