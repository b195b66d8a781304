"""Pressure at zero and full of a valve under an outer loop, where the loop goes near enough to them.

Still pairs the valve made are put on the characteristic as left plus a departure that is a line over the command (a
parabola where the sheet carries no recorded curve) and, where both were seen, a constant for the side of arrival. At
the end of the command that gives the pressure a gauge would show; at most a tenth of the command beyond what was
visited, with the uncertainty of the fit, which grows there, and a twentieth of the rise carried.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell
from asleft.judge.held_levels import departure_bar, full_bar
from asleft.judge.pressure import FARTHEST, ceiling_bar
from asleft.judge.slow import slow_fit
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

_LEAST = 10
_NEAR_END = 0.3
_LEAST_NEAR = 3
_MODEL = 0.05
#: Pairs further from the end than this say nothing of it that a parabola could carry.
_RANGE = 0.6


def held_end(pairs: Sequence[Dwell], sheet: Sheet, *, at_full: bool, instrument_u_bar: float) -> Estimate | str:
    """Pressure at full (arriving from below) or at zero (from above) from pairs the valve made, or why not."""
    end, way = (1.0, 1.0) if at_full else (0.0, -1.0)
    mine = [p for p in pairs if abs(p.demand - end) <= _RANGE]
    visited = "full command not visited from below" if at_full else "zero command not visited from above"
    if len(mine) < _LEAST:
        return visited
    u = np.array([p.demand for p in mine])
    arrival = np.array([p.arrival for p in mine])
    nearest = float(np.sort(np.abs(u - end))[_LEAST_NEAR - 1])
    if nearest > FARTHEST:
        return f"{visited}: the loop goes to {100.0 * abs(end - nearest):.0f} % at most" if at_full else visited
    if int(np.sum((arrival == way) & (np.abs(u - end) < _NEAR_END))) < _LEAST_NEAR:
        return visited
    off = np.array([departure_bar(p, sheet) for p in mine])
    there, here = ceiling_bar(sheet, end, way), ceiling_bar(sheet, abs(end - nearest), way)
    if there is None or here is None or not np.isfinite(off).all():
        return "no pressures in the sheet to compare with"
    design = _design(u - end, arrival - way, bent=sheet.characteristic is None)
    fit = slow_fit(design, off, np.array([p.from_s for p in mine]), floor=1e-4 * full_bar(sheet))
    if fit is None:
        return f"{visited} long enough"
    carried = _MODEL * abs(there - here)
    return Estimate(
        value=there + float(fit.theta[0]),
        repeatability=float(np.hypot(np.sqrt(fit.covariance[0, 0]), carried)),
        dof=fit.dof,
        systematic=instrument_u_bar,
        segments=len(mine),
        from_s=mine[0].from_s,
        to_s=mine[-1].to_s,
        command_min_pct=100.0 * float(u.min()),
        command_max_pct=100.0 * float(u.max()),
    )


def _design(from_end: FloatArray, other_way: FloatArray, *, bent: bool) -> FloatArray:
    """Columns whose first is the departure at the end itself; only as many as the pairs can tell apart."""
    columns = [np.ones_like(from_end)]
    reach = float(np.ptp(from_end))
    if reach > 0.1:
        columns.append(from_end)
    if bent and reach > 0.25 and np.unique(np.round(from_end / 0.05)).size >= 3:
        columns.append(from_end**2)
    if np.ptp(other_way) > 0.0:
        columns.append(other_way)
    return np.column_stack(columns)
