"""The pressure sensor's own zero, read while the machine is stopped and vented: it parts sensor from valve."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from asleft.judge.columns import PRESSURE, STATE, TIME
from asleft.judge.memory import JudgeState
from asleft.judge.states import STOPPED
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Pressure is read as the sensor's zero in this part of a stop (s from its beginning).
_VENTED_S = (60.0, 120.0)


def read_vented(sheet: Sheet, state: JudgeState, columns: FloatArray, gap: npt.NDArray[np.bool_]) -> None:
    """Pressure in the second minute of a stop, if vented by then: the sensor's own zero, free of the valve."""
    full = sheet.as_left.get("pressure_at_full")
    if full is None:
        return
    stopped = columns[STATE] == STOPPED
    cuts = [0, *(np.flatnonzero(np.diff(stopped) | gap[1:]) + 1).tolist(), stopped.size]
    for a, b in itertools.pairwise(cuts):
        since = state.vented_since_s
        if since is not None and (a > 0 or gap[0] or not stopped[a]):
            _end_vented(state, full)
            state.vented_since_s = since = None
        if not stopped[a]:
            continue
        if since is None:
            state.vented_since_s = since = float(columns[TIME, a])
        age = columns[TIME, a:b] - since
        values = columns[PRESSURE, a:b][(age > _VENTED_S[0]) & (age <= _VENTED_S[1])]
        values = values[np.isfinite(values)]
        state.vented_sum += float(values.sum())
        state.vented_count += int(values.size)
        if age[-1] > _VENTED_S[1]:
            _end_vented(state, full)


def _end_vented(state: JudgeState, full_bar: float) -> None:
    """Take what was read in a stop; as left is the first such reading."""
    if state.vented_count >= 50 and abs(state.vented_sum) <= 0.08 * full_bar * state.vented_count:
        state.vented_now_bar = state.vented_sum / state.vented_count
        if state.vented_left_bar is None:
            state.vented_left_bar = state.vented_now_bar
    state.vented_sum, state.vented_count = 0.0, 0
