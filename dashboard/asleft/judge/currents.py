"""Coil current at 0 % and 100 % command, from dwells, by weighted regression of current on demand.

Dwells of one command level are first averaged: what a level has in common (converter step) does not average out with
repetition. The line through the levels gives both ends with a covariance that grows as it must when they are
extrapolated (textbook weighted least squares; JCGM 100:2008 H.3 is the worked example the tests follow).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Dwell
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


#: Dwells closer than this in demand are one level.
_SAME_LEVEL = 0.02
#: Levels must span this much of the command for a line.
SMALLEST_SPAN = 0.15


def usable(dwell: Dwell, sheet: Sheet) -> bool:
    """Whether a dwell says something of the current line: settled, above the off threshold, within the command."""
    off = sheet.signal.off_below_pct / 100.0
    return dwell.flat > 0.5 and -0.02 < dwell.demand < 1.02 and (off <= 0.0 or dwell.demand > off + 0.01)


def levels_of(dwells: Sequence[Dwell], resolution_a: float) -> list[Level]:
    """Group dwells by command level, ascending. `resolution_a` is the converter's step."""
    ordered = sorted(dwells, key=lambda d: d.demand)
    groups: list[list[Dwell]] = []
    for dwell in ordered:
        if groups and dwell.demand - groups[-1][0].demand <= _SAME_LEVEL:
            groups[-1].append(dwell)
        else:
            groups.append([dwell])
    return [_level(group, resolution_a) for group in groups]


def _level(group: Sequence[Dwell], resolution_a: float) -> Level:
    rows = np.array([(d.demand, d.current_a, d.current_se_a, d.n, d.current_sd_a) for d in group])
    weight = rows[:, 3] / rows[:, 3].sum()
    demand, current = float(weight @ rows[:, 0]), float(weight @ rows[:, 1])
    inside = float(np.sqrt(np.sum((weight * rows[:, 2]) ** 2)))
    scatter = float(np.sqrt(weight @ (rows[:, 1] - current) ** 2))
    between = scatter / np.sqrt(max(len(group) - 1, 1)) if len(group) > 1 else 0.0
    sd = float(np.sqrt(weight @ rows[:, 4] ** 2))
    # What a converter of step q leaves in the mean of readings with noise sd (first term of its Fourier series).
    leftover = 0.0
    if resolution_a > 0.0:
        leftover = resolution_a / (np.pi * np.sqrt(2.0)) * float(np.exp(-2.0 * np.pi**2 * (sd / resolution_a) ** 2))
    se = float(np.sqrt(max(inside, between) ** 2 + leftover**2))
    first = min(d.from_s for d in group)
    last = max(d.to_s for d in group)
    return Level(demand, current, max(se, 1e-9), scatter, sd, len(group), first, last)


def current_line(levels: Sequence[Level], demand_se: float) -> CurrentLine | None:
    """Weighted line through levels; None when they span too little. `demand_se`: of a level's mean demand.

    The uncertainty is inflated to the misfit of the line where that is larger (Birge).
    """
    if len(levels) < 2 or levels[-1].demand - levels[0].demand < SMALLEST_SPAN:
        return None
    u = np.array([min(max(level.demand, 0.0), 1.0) for level in levels])
    i = np.array([level.current_a for level in levels])
    slope = (i[-1] - i[0]) / (u[-1] - u[0])
    variance = np.array([level.current_se_a**2 for level in levels]) + (slope * demand_se) ** 2
    design = np.column_stack((1.0 - u, u))
    normal = design.T @ (design / variance[:, None])
    covariance = np.linalg.inv(normal)
    ends = covariance @ (design.T @ (i / variance))
    residual = i - design @ ends
    count = sum(level.dwells for level in levels)
    dof = len(levels) - 2
    if dof > 0:
        covariance = covariance * max(1.0, float(residual @ (residual / variance)) / dof)
    return CurrentLine(
        at_zero_a=float(ends[0]),
        at_full_a=float(ends[1]),
        se_zero_a=float(np.sqrt(covariance[0, 0])),
        se_full_a=float(np.sqrt(covariance[1, 1])),
        dof=float(max(count - 2, 1)),
        levels=tuple(levels),
        residual_a=residual,
    )
