"""Pressure that comes while nobody can have asked for it: the machine stopped, or its driver not enabled.

Misses: less than a tenth of full pressure; with the pump on and the driver off, what the valve lets through at zero
command and a tenth more. Cries wolf: stored pressure that a load makes rise again after a stop.
"""

from __future__ import annotations

import itertools

import numpy as np
from asleft.judge.intake.columns import PRESSURE, STATE
from asleft.judge.intake.holding import BoolArray
from asleft.judge.intake.states import NOT_ENABLED, STOPPED
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import WatchCarry, edges
from asleft.sheet.model import Sheet


def pressure_unasked(columns: FloatArray, sheet: Sheet, carry: WatchCarry) -> BoolArray | None:
    """Pressure that rises by a tenth of full pressure while the machine is stopped or the driver not enabled."""
    full = sheet.as_left.get("pressure_at_full")
    pressure = columns[PRESSURE]
    if full is None or sheet.controls != "pressure":
        return None
    quiet = (columns[STATE] == STOPPED) | (columns[STATE] == NOT_ENABLED)
    out = np.zeros(quiet.size, dtype=bool)
    if not quiet.any():
        carry.lowest_quiet_bar = float("inf")
        return out
    for a, b in itertools.pairwise(edges(quiet[1:] != quiet[:-1], quiet.size)):
        if a > 0 or not quiet[a]:
            carry.lowest_quiet_bar = float("inf")
        if quiet[a]:
            lowest = np.fmin.accumulate(np.concatenate(([carry.lowest_quiet_bar], pressure[a:b])))
            carry.lowest_quiet_bar = float(lowest[-1])
            out[a:b] = pressure[a:b] > lowest[1:] + 0.1 * full
    # With the driver off the pump may start: what the valve lets through without current is nobody's fault.
    zero = sheet.as_left.get("pressure_at_zero", 0.0)
    out &= (columns[STATE] == STOPPED) | (pressure > zero + 0.1 * full)
    return out
