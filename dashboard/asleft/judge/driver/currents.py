"""Coil current at 0 % and 100 % command, from dwells, by weighted regression of current on demand.

Dwells of one command level are first averaged: what a level has in common (converter step) does not average out with
repetition. The line through the levels gives both ends with a covariance that grows as it must when they are
extrapolated (textbook weighted least squares; JCGM 100:2008 H.3 is the worked example the tests follow).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.medians import median_of
from asleft.judge.segments.command_noise import by_noise, driver_demand, leftover
from asleft.judge.segments.features import Dwell
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet


@dataclass(frozen=True, slots=True)
class Level:
    """All dwells at one command level (share of full): means, standard uncertainty of the mean current, spread."""

    demand: float
    current_a: float
    current_se_a: float
    scatter_a: float  # between dwells
    sample_sd_a: float
    dwells: int
    from_s: float
    to_s: float
    demand_se: float = 0.0  # standard uncertainty of the mean demand, the converter's step included
    by_noise: float = 0.0  # change of the acting demand by the noise on the command's wire (clipped at the ends)


@dataclass(frozen=True, slots=True)
class CurrentLine:
    """I = at_zero + demand (at_full - at_zero), with standard uncertainties (repeatability) and the levels used."""

    at_zero_a: float
    at_full_a: float
    se_zero_a: float
    se_full_a: float
    dof: float
    levels: tuple[Level, ...]
    residual_a: FloatArray  # of each level
    clipped_zero_a: float = 0.0  # standard uncertainty from command noise clipped at the ends: the same every time
    clipped_full_a: float = 0.0


#: Dwells closer than this in demand are one level.
_SAME_LEVEL = 0.02
#: A reading that scatters less than this share of its usual noise over more than a few samples stands still.
_STILL = 0.05
_FEW = 10
#: Levels must span this much of the command for a line.
SMALLEST_SPAN = 0.15


def usable(dwell: Dwell, sheet: Sheet) -> bool:
    """Whether a dwell says something of the current line: settled, above the off threshold, within the command."""
    off = sheet.signal.off_below_pct / 100.0
    return dwell.flat > 0.5 and -0.02 < dwell.demand < 1.02 and (off <= 0.0 or dwell.demand > off + 0.01)


def alive(dwells: Sequence[Dwell]) -> list[Dwell]:
    """Dwells but those whose current does not even show its usual noise: a reading that stands still.

    Missed: a stand-still of a channel that never shows noise (its steps are larger).
    """
    if len(dwells) < 4:
        return list(dwells)
    usual = median_of(d.current_sd_a for d in dwells)
    return [d for d in dwells if d.current_sd_a > _STILL * usual or d.current_sd_a == usual or d.n < _FEW]


def levels_of(
    dwells: Sequence[Dwell], resolution_a: float, *, demand_step: float = 0.0, wire_sd: float = 0.0
) -> list[Level]:
    """Group dwells by command level, ascending.

    `resolution_a`, `demand_step`: steps of the two converters; `wire_sd`: noise of the demand that the driver gets,
    of which it clips what lies beyond its range.
    """
    ordered = sorted(dwells, key=lambda d: d.demand)
    groups: list[list[Dwell]] = []
    for dwell in ordered:
        if groups and dwell.demand - groups[-1][0].demand <= _SAME_LEVEL:
            groups[-1].append(dwell)
        else:
            groups.append([dwell])
    return [_level(group, resolution_a, demand_step, wire_sd) for group in groups]


def _level(group: Sequence[Dwell], resolution_a: float, demand_step: float, wire_sd: float) -> Level:
    rows = np.array([(d.demand, d.current_a, d.current_se_a, d.n, d.current_sd_a, d.demand_se) for d in group])
    weight = rows[:, 3] / rows[:, 3].sum()
    demand, current = float(weight @ rows[:, 0]), float(weight @ rows[:, 1])
    inside = float(np.sqrt(np.sum((weight * rows[:, 2]) ** 2)))
    scatter = float(np.sqrt(weight @ (rows[:, 1] - current) ** 2))
    between = scatter / np.sqrt(max(len(group) - 1, 1)) if len(group) > 1 else 0.0
    sd = float(np.sqrt(weight @ rows[:, 4] ** 2))
    se = float(np.hypot(max(inside, between), leftover(resolution_a, sd)))
    shaken = float(np.sqrt(np.sum((weight * rows[:, 5]) ** 2)))
    demand_sd = float(np.sqrt(weight @ (rows[:, 5] ** 2 * rows[:, 3])))
    demand_se = float(np.hypot(shaken, leftover(demand_step, demand_sd)))
    first = min(d.from_s for d in group)
    last = max(d.to_s for d in group)
    acting = driver_demand(demand, wire_sd)
    return Level(
        acting,
        current,
        max(se, 1e-9),
        scatter,
        sd,
        len(group),
        first,
        last,
        demand_se,
        by_noise(demand, wire_sd),
    )


def current_line(levels: Sequence[Level], demand_se: float, wire_u: float = 0.0) -> CurrentLine | None:
    """Weighted line through levels; None when they span too little.

    `demand_se`: of a level's mean demand, beside the level's own. `wire_u`: standard uncertainty of the command's
    noise on its wire; what the driver clips of it at the ends is fitted beside the line, with that much freedom,
    where levels between tell. The uncertainty is inflated to the misfit of the line where that is larger (Birge).
    """
    if len(levels) < 2 or levels[-1].demand - levels[0].demand < SMALLEST_SPAN:
        return None
    u = np.array([min(max(level.demand, 0.0), 1.0) for level in levels])
    i = np.array([level.current_a for level in levels])
    slope = (i[-1] - i[0]) / (u[-1] - u[0])
    variance = np.array([level.current_se_a**2 + slope**2 * (demand_se**2 + level.demand_se**2) for level in levels])
    design = np.column_stack((1.0 - u, u, slope * np.array([level.by_noise for level in levels])))
    prior = np.diag([0.0, 0.0, 1.0 / max(wire_u, 1e-9) ** 2])
    data = design.T @ (design / variance[:, None])
    covariance = np.linalg.inv(data + prior)
    found = covariance @ (design.T @ (i / variance))
    residual = i - design @ found
    chance, clipped = covariance @ data @ covariance, covariance @ prior @ covariance
    count = sum(level.dwells for level in levels)
    dof = len(levels) - 2
    if dof > 0:
        chance = chance * max(1.0, float(residual @ (residual / variance)) / dof)
    return CurrentLine(
        at_zero_a=float(found[0]),
        at_full_a=float(found[1]),
        se_zero_a=float(np.sqrt(chance[0, 0])),
        se_full_a=float(np.sqrt(chance[1, 1])),
        dof=float(max(count - 2, 1)),
        levels=tuple(levels),
        residual_a=residual,
        clipped_zero_a=float(np.sqrt(clipped[0, 0])),
        clipped_full_a=float(np.sqrt(clipped[1, 1])),
    )
