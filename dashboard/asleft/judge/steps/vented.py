"""The sensors' own zeros, read while the machine stands still: they part sensors from valve and driver."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import CURRENT, ENABLE, ENABLED, PRESSURE, PUMP
from asleft.judge.state import JudgeState
from asleft.judge.types import FloatArray
from asleft.judge.watching.zeros import take_zero
from asleft.sheet.model import Sheet

#: Pressure is read as the sensor's zero in this part of a stop, current in this part of a time without enable (s).
_VENTED_S = (60.0, 120.0)
_IDLE_S = (5.0, 65.0)
#: Beyond this share of full pressure or full current it is no zero.
_MOST_PRESSURE, _MOST_CURRENT = 0.15, 0.1


def read_vented(sheet: Sheet, state: JudgeState, columns: FloatArray, gap: npt.NDArray[np.bool_]) -> None:
    """Pressure in the second minute of a stop; current while the enable channel itself says that the driver is off.

    An inferred enable rests on the current and cannot vouch for its zero.
    """
    full_bar = sheet.as_left.get("pressure_at_full")
    if full_bar is not None:
        stopped = columns[PUMP] < 0.5  # as recorded, else as inferred
        take_zero(state.vented, stopped, columns, PRESSURE, gap, _VENTED_S, _MOST_PRESSURE * full_bar)
    full_a = sheet.as_left.get("current_at_full")
    if full_a is not None:
        off = np.isfinite(columns[ENABLE]) & (columns[ENABLED] < 0.5)
        take_zero(state.idle, off, columns, CURRENT, gap, _IDLE_S, _MOST_CURRENT * full_a)
