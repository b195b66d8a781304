"""A current in another unit, or by another factor, than the sheet's."""

from __future__ import annotations

import numpy as np
from asleft.judge.fit.levels import Levels, current_agreement, share_at
from asleft.judge.fit.misfit import (
    AGREES_NEARLY,
    FAR,
    LEAST_SPREAD_UNIT,
    Misfit,
    agreement_limit,
    agrees,
    number,
    straightness,
)
from asleft.judge.fit.signals import CURRENT_UNITS, UnitReading
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Noise within a level, read in a factor's unit (share of span): more is no signal.
_NOISE = 0.25


def current_misfit(sheet: Sheet, levels: Levels, demand: FloatArray, *, also_command: bool = False) -> Misfit | None:
    """A current that follows the demand in another unit, or by another factor."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    if current_agreement(sheet, demand, levels.current, levels.weight).off < (0.0 if also_command else FAR):
        return None
    noise = share_at(levels.current_sd[known], levels.weight[known], 0.5) / (full - zero)
    for unit in CURRENT_UNITS:
        limit = agreement_limit(levels) if also_command else 0.25
        close = agrees(sheet, levels, demand, levels.current / unit.times, limit, LEAST_SPREAD_UNIT)
        if close is not None and (noise / unit.times <= _NOISE or not levels.at_rest) and _follows(levels, demand):
            return _in_unit(unit)
    if also_command:
        return None
    unit = CURRENT_UNITS[0]
    shares = levels.current[known] / unit.times / full
    plausible = float(levels.weight[known][(shares > -0.05) & (shares < 1.3)].sum() / levels.weight[known].sum())
    if plausible >= AGREES_NEARLY and np.median(shares) * unit.times > 30.0 and np.ptp(shares) > 0.02:
        return _in_unit(unit)  # no driver gives as much, however little the current follows the command
    factor = _factor(sheet, levels, demand)
    if factor is None:
        return None
    factor = -1.0 if abs(factor + 1.0) < 0.05 else factor
    close = agrees(sheet, levels, demand, levels.current / factor, 0.05)
    if close is None or close.levels < 3 or noise / abs(factor) > _NOISE:
        return None
    seen = "of the other sign" if factor < 0.0 else f"{number(factor)} times what the sheet allows"
    return Misfit(
        "current-scale",
        f"the current is {seen} at every level: is it scaled wrongly?",
        {"current": f"{{ scale = {number(1.0 / factor)} }}"},
    )


def _in_unit(unit: UnitReading) -> Misfit:
    many = "1,000 times" if unit.times > 1.0 else "a thousandth of"
    return Misfit(
        "current-unit",
        f"the current is {many} what the sheet allows: is it in {unit.words}?",
        {"current": f'{{ unit = "{unit.unit}" }}'},
    )


def _follows(levels: Levels, demand: FloatArray) -> bool:
    known = np.isfinite(levels.current)
    return straightness(np.clip(demand[known], 0.0, 1.0), levels.current[known], levels.weight[known]) >= 0.8


def _factor(sheet: Sheet, levels: Levels, demand: FloatArray) -> float | None:
    """Current as read over that of the sheet, beyond what a fault does (over 3, under a third, negative)."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current) & np.isfinite(demand)
    wanted = zero + np.clip(demand[known], 0.0, 1.0) * (full - zero)
    weight = levels.weight[known]
    factor = float(np.sum(weight * wanted * levels.current[known]) / np.sum(weight * wanted**2))
    return factor if factor > 3.0 or 1e-6 < factor < 1.0 / 3.0 or factor < -0.5 else None
