"""Conditions seen sample by sample, whatever the segments say: a failed signal, a lost or unwanted current, a pin.

Each condition must hold for a time before it counts, and is remembered as a stretch with a beginning and an end. What
counts follows from each sample and those before it, never from where the samples happen to be cut.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from asleft.judge.intake.columns import CURRENT, DEMAND, PRESSURE, STATE, TIME
from asleft.judge.intake.holding import BoolArray, gaps
from asleft.judge.intake.states import NOT_ENABLED, PRODUCING, STOPPED
from asleft.judge.types import FloatArray
from asleft.judge.watching.corridor import corridor
from asleft.judge.watching.currents_asked import current_lost, current_unwanted, remember_current
from asleft.judge.watching.pinned import dead_readings
from asleft.judge.watching.pressure_asked import pressure_unasked
from asleft.judge.watching.stretches import Stretch, WatchCarry, stretches
from asleft.sheet.model import Sheet, SignalKind

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
    high, low = corridor(columns, carry, slowest_s, lag_s, gap)
    out: list[Stretch] = []
    for kind, mask, detail_row in (
        ("command-failed", _command_failed(columns, sheet), DEMAND),
        ("command-clipped", _command_clipped(columns, sheet), DEMAND),
        ("current-lost", current_lost(columns, sheet, low, carry), CURRENT),
        ("current-unwanted", current_unwanted(columns, sheet, high, carry), CURRENT),
        ("pressure-unwanted", pressure_unasked(columns, sheet, carry), PRESSURE),
    ):
        if mask is not None:
            out += stretches(kind, mask, columns, carry, HOLD_S[kind], gap, detail_row)
    out += dead_readings(columns, sheet, carry, gap)
    remember_current(columns, carry)
    carry.last_s = float(time_s[-1])
    return out


def _command_failed(columns: FloatArray, sheet: Sheet) -> BoolArray | None:
    """NAMUR NE 43: at or under 3.6 mA or at or over 21 mA the signal has failed. Only a live zero can show it."""
    if sheet.signal.kind is not SignalKind.MA_4_20:
        return None
    reading = sheet.signal.at_zero + columns[DEMAND] * (sheet.signal.at_full - sheet.signal.at_zero)
    active = (columns[STATE] != STOPPED) & (columns[STATE] != NOT_ENABLED)
    failed: BoolArray = ((reading <= 3.6) | (reading >= 21.0)) & active
    return failed


def _command_clipped(columns: FloatArray, sheet: Sheet) -> BoolArray:
    """Sustained beyond 3.8 / 20.5 mA (NE 43), or 2 % outside any other range; at the ends is normal operation."""
    demand = columns[DEMAND]
    if sheet.signal.kind is SignalKind.MA_4_20:
        reading = 4.0 + demand * 16.0
        beyond = ((reading < 3.8) & (reading > 3.6)) | ((reading > 20.5) & (reading < 21.0))
    else:
        beyond = (demand < -0.02) | (demand > 1.02)
    sustained: BoolArray = beyond & (columns[STATE] == PRODUCING)
    return sustained
