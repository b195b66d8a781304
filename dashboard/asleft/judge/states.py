"""What the machine was doing, sample by sample: from its own channels where recorded, else by stated rules.

Rules used without the channel (each is named in `basis` and shown on the page):

- enable: the driver is off while the coil current is under 30 % of the current at zero command.
- pump: stopped once pressure has been under half of the pressure at zero command for 2 s with the command at zero or
  the driver off; without a usable pressure, once the command has been at zero for 2 minutes.
- mode: set-up cannot be told from production, so everything else counts as producing.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.columns import CURRENT, DEMAND, ENABLE, ENABLED, MODE, PRESSURE, PUMP, STATE, TIME
from asleft.judge.types import FloatArray, State, StateInterval
from asleft.sheet.model import Sheet

BoolArray = npt.NDArray[np.bool_]

CODES: tuple[State, ...] = (
    State.PRODUCING,
    State.STOPPED,
    State.NOT_ENABLED,
    State.SET_UP,
    State.UNKNOWN,
)
PRODUCING, STOPPED, NOT_ENABLED, SET_UP, UNKNOWN = (float(code) for code in range(5))

_ZERO_COMMAND = 0.02
_LOW_PRESSURE_HOLD_S = 2.0
_ZERO_COMMAND_HOLD_S = 120.0
_GAP_S = 1.5


@dataclass(frozen=True, slots=True)
class StateCarry:
    """What must be remembered between calls: since when the stop condition holds, and the last sample time."""

    low_since_s: float | None = None
    last_s: float | None = None


def held(mask: BoolArray, time_s: FloatArray, since_s: float | None, hold_s: float) -> tuple[BoolArray, float | None]:
    """Where `mask` has been true for at least `hold_s`, given since when it was true before the first sample."""
    if mask.size == 0:
        return mask, since_s
    index = np.arange(mask.size)
    last_false = np.maximum.accumulate(np.where(~mask, index, -1))
    first_true = np.minimum(last_false + 1, mask.size - 1)
    start = np.where(last_false >= 0, time_s[first_true], time_s[0] if since_s is None else since_s)
    result = mask & (time_s - start >= hold_s)
    return result, (float(start[-1]) if mask[-1] else None)


def judge_states(columns: FloatArray, sheet: Sheet, carry: StateCarry) -> tuple[StateCarry, Mapping[str, str]]:
    """Fill rows STATE and ENABLED of new samples in place; the carry for the next call and the basis in words."""
    time_s = columns[TIME]
    basis: dict[str, str] = {}
    if carry.last_s is not None and time_s.size and time_s[0] - carry.last_s > _GAP_S:
        carry = replace(carry, low_since_s=None)
    enabled, basis["enabled"] = _enabled(columns, sheet)
    stopped, low_since, basis["stopped"] = _stopped(columns, sheet, enabled, carry.low_since_s)
    mode = columns[MODE]
    state = np.full(time_s.size, PRODUCING)
    if np.isfinite(mode).any():
        basis["set-up"] = "from the channel mode"
        known = np.isin(mode, (*sheet.conditions.producing_modes, *sheet.conditions.in_control_modes))
        set_up = np.isin(mode, sheet.conditions.set_up_modes)
        state = np.where(set_up, SET_UP, np.where(known, PRODUCING, UNKNOWN))
    else:
        basis["set-up"] = "no channel mode: set-up cannot be told from production"
    state = np.where(enabled, state, NOT_ENABLED)
    columns[STATE] = np.where(stopped, STOPPED, state)
    columns[ENABLED] = enabled
    last = float(time_s[-1]) if time_s.size else carry.last_s
    return StateCarry(low_since, last), basis


def _enabled(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, str]:
    enable = columns[ENABLE]
    if np.isfinite(enable).any():
        return ~(enable < 0.5), "from the channel enable"
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    current = columns[CURRENT]
    if zero is not None and full is not None and zero >= 0.03 * full and np.isfinite(current).any():
        off_below = sheet.signal.off_below_pct / 100.0
        off = (current < 0.3 * zero) & ~(columns[DEMAND] < off_below)
        return ~off, "inferred: the driver is off while the current is under 30 % of current at zero"
    return np.ones(enable.size, dtype=bool), "not known: taken as enabled"


def _stopped(
    columns: FloatArray, sheet: Sheet, enabled: BoolArray, since_s: float | None
) -> tuple[BoolArray, float | None, str]:
    pump = columns[PUMP]
    if np.isfinite(pump).any():
        return pump < 0.5, None, "from the channel pump_running"
    pressure, demand = columns[PRESSURE], columns[DEMAND]
    idle = ~enabled | (demand < _ZERO_COMMAND)
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    if zero is not None and full is not None and zero >= 0.024 * full and np.isfinite(pressure).any():
        low = idle & (pressure < 0.5 * zero)
        result, since = held(low, columns[TIME], since_s, _LOW_PRESSURE_HOLD_S)
        return result, since, "inferred: pressure under half of pressure at zero for 2 s with no command"
    result, since = held(idle, columns[TIME], since_s, _ZERO_COMMAND_HOLD_S)
    return result, since, "inferred: no command for 2 minutes"


def intervals_of(columns: FloatArray, basis: Mapping[str, str], interval_s: float) -> tuple[StateInterval, ...]:
    """Stretches of one state, in order; a gap of more than 1.5 s between samples ends one."""
    time_s, state = columns[TIME], columns[STATE]
    if time_s.size == 0:
        return ()
    cut = np.flatnonzero((np.diff(state) != 0) | (np.diff(time_s) > _GAP_S)) + 1
    edges = [0, *cut.tolist(), time_s.size]
    out = []
    for a, b in itertools.pairwise(edges):
        name = CODES[int(state[a])]
        known = {State.STOPPED: "stopped", State.NOT_ENABLED: "enabled"}.get(name, "set-up")
        end = float(time_s[b]) if b < time_s.size and time_s[b] - time_s[b - 1] <= _GAP_S else None
        until = end if end is not None else float(time_s[b - 1]) + interval_s
        out.append(StateInterval(name, float(time_s[a]), until, basis.get(known, "")))
    return tuple(out)


def hours_of(columns: FloatArray, interval_s: float) -> dict[str, float]:
    """Judged time per state in hours, gaps not counted."""
    counts = np.bincount(columns[STATE].astype(np.int64), minlength=len(CODES))
    return {CODES[k].value: float(counts[k]) * interval_s / 3600.0 for k in range(len(CODES)) if counts[k]}
