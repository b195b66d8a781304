"""Conditions seen sample by sample, whatever the segments say: a failed signal, a lost or unwanted current, a pin.

Each condition must hold for a time before it counts (a level that noise may cross, for so long more than not), and is
remembered as a stretch with a beginning and an end. What counts follows from each sample and those before it, never
from where the samples happen to be cut.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from asleft.judge.intake.columns import CURRENT, DEMAND, PRESSURE, STATE, TIME
from asleft.judge.intake.command_range import beyond, failed
from asleft.judge.intake.holding import BoolArray, gaps
from asleft.judge.intake.states import NOT_ENABLED, PRODUCING, STOPPED
from asleft.judge.types import FloatArray
from asleft.judge.watching.currents_asked import (
    current_breaks,
    current_lost,
    current_unwanted,
    none_since,
    remember_current,
)
from asleft.judge.watching.expected_envelope import expected_envelope
from asleft.judge.watching.forestalled import forestalled
from asleft.judge.watching.pressure_asked import pressure_unasked
from asleft.judge.watching.stretches import Stretch, WatchCarry, counted, stretches
from asleft.judge.watching.stuck_readings import dead_readings
from asleft.sheet.model import Sheet

__all__ = ["HOLD_S", "Stretch", "WatchCarry", "watch"]

#: How long a condition must hold before it is one (s).
HOLD_S: Mapping[str, float] = {
    "command-failed": 0.5,
    "command-clipped": 1.0,
    "current-lost": 0.5,
    "current-unwanted": 0.5,
    "pressure-unwanted": 0.5,
}


def watch(
    columns: FloatArray, sheet: Sheet, carry: WatchCarry, slowest_s: tuple[float, float], lag_s: float
) -> list[Stretch]:
    """New stretches in new samples (shape (ROWS, n)); `carry` is updated in place.

    `slowest_s`: ramp up and ramp down as left (s over the full span).
    """
    if columns.shape[1] == 0:
        return []
    time_s = columns[TIME]
    gap = gaps(time_s, carry.last_s if np.isfinite(carry.last_s) else None)
    if not np.isfinite(carry.last_s):
        gap[0] = True
    if gap[0]:
        carry.since.clear()
        carry.same_since.clear()
    high, low = expected_envelope(columns, carry, slowest_s, lag_s, gap)
    out: list[Stretch] = []
    for kind, masks in (("command-failed", _failed(columns, sheet)), ("command-clipped", _beyond(columns, sheet))):
        if masks is not None:
            out += counted(kind, *masks, columns, carry, HOLD_S[kind], gap, DEMAND)
    none_s = none_since(columns, sheet, carry, gap)
    for kind, mask, detail_row, begins_s in (
        ("current-lost", current_lost(columns, sheet, low), CURRENT, none_s),
        ("current-unwanted", current_unwanted(columns, sheet, high, carry), CURRENT, None),
        ("pressure-unwanted", pressure_unasked(columns, sheet, carry), PRESSURE, None),
    ):
        if mask is not None:
            out += stretches(kind, mask, columns, carry, HOLD_S[kind], gap, detail_row, begins_s)
    out += current_breaks(columns, sheet, low, carry, gap)
    out += dead_readings(columns, sheet, carry, gap)
    out += forestalled(columns, sheet, carry, gap)
    remember_current(columns, low, carry)
    carry.last_s = float(time_s[-1])
    return out


def _failed(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, BoolArray] | None:
    """Where the command has failed, and where it surely has not; a machine that stands need not command."""
    masks = failed(sheet.signal, columns[DEMAND])
    if masks is None:
        return None
    active = (columns[STATE] != STOPPED) & (columns[STATE] != NOT_ENABLED)
    return masks[0] & active, masks[1] | ~active


def _beyond(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, BoolArray]:
    """Where production commands beyond the signal's range, and where not."""
    out = beyond(sheet.signal, columns[DEMAND]) & (columns[STATE] == PRODUCING)
    return out, ~out
