"""Levels of pressure a controller outside holds, as they were left: the command each needed then.

A level is a tenth of full pressure and the side of arrival, or the command at its end. What is learnt of it in
the first production after a revision is kept: medians of pressure and command, the slope of the characteristic there,
and, where the load makes the same pressure in another phase of the cycle, how far below the characteristic that lay.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from asleft.judge.features import NAN, Dwell
from asleft.judge.outer.slow import slow_fit
from asleft.judge.types import FloatArray
from asleft.judge.valve.pressure import ceiling_bar
from asleft.sheet.model import Sheet

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
