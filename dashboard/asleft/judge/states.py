"""What the machine was doing, sample by sample: from its own channels where recorded, else by stated rules.

Rules used without the channel (each is named in `basis` and shown on the page):

- enable: the driver is off while the coil current is under 30 % of the current at zero command.
- pump: stopped once pressure has been under half of the pressure at zero command for 2 s with the command at zero or
  the driver off; without a usable pressure, once the command has been at zero for 2 minutes.
- mode: set-up cannot be told from production, so everything else counts as producing.

Each sample follows from itself and what came before, never from what else happens to be in the same call.
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
#: A failed reading of pressure or mode is bridged by the last good one for this long.
_BRIDGE_S = 2.0


@dataclass(frozen=True, slots=True)
class StateCarry:
    """What must be remembered between calls (unix s): beginnings of stop conditions, last readings, last sample."""

    low_since_s: float | None = None  # pressure low and no command
    idle_since_s: float | None = None  # no command
    pressure_at_s: float = -np.inf  # last good reading of the pressure
    mode: float | None = None  # last good reading of the mode
    mode_at_s: float = -np.inf
    last_s: float | None = None


def gaps(time_s: FloatArray, last_s: float | None) -> BoolArray:
    """Where more than 1.5 s lie between a sample and the one before it (`last_s` before the first), shape (n,)."""
    if time_s.size == 0:
        return np.zeros(0, dtype=bool)
    result: BoolArray = np.diff(time_s, prepend=time_s[0] if last_s is None else last_s) > _GAP_S
    return result


def held(
    mask: BoolArray, time_s: FloatArray, since_s: float | None, hold_s: float, gap: BoolArray | None = None
) -> tuple[BoolArray, float | None]:
    """Where `mask` has been true for at least `hold_s`, given since when it was true before the first sample.

    A stretch begins anew where `gap` is true.
    """
    if mask.size == 0:
        return mask, since_s
    index = np.arange(mask.size)
    begins = index if gap is None else np.where(gap, index, 0)
    first = np.maximum.accumulate(np.where(mask, begins if gap is not None else 0, index + 1))
    carried = (first == 0) & (since_s is not None) & ~(gap is not None and bool(gap[0]))
    start = np.where(carried, np.nan if since_s is None else since_s, time_s[np.minimum(first, mask.size - 1)])
    result = mask & (time_s - start >= hold_s)
    return result, (float(start[-1]) if mask[-1] else None)


def judge_states(columns: FloatArray, sheet: Sheet, carry: StateCarry) -> tuple[StateCarry, Mapping[str, str]]:
    """Fill rows STATE and ENABLED of new samples in place; the carry for the next call and the basis in words."""
    time_s = columns[TIME]
    if time_s.size == 0:
        return carry, {}
    basis: dict[str, str] = {}
    gap = gaps(time_s, carry.last_s)
    enabled, basis["enabled"] = _enabled(columns, sheet)
    stopped, carry, basis["stopped"] = _stopped(columns, sheet, enabled, carry, gap)
    state, carry, basis["set-up"] = _by_mode(columns, sheet, carry)
    state = np.where(enabled, state, NOT_ENABLED)
    columns[STATE] = np.where(stopped, STOPPED, state)
    columns[ENABLED] = enabled
    return replace(carry, last_s=float(time_s[-1])), basis


def _enabled(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, str]:
    """By the channel where it was read, else by the current, sample by sample."""
    enable = columns[ENABLE]
    read = np.isfinite(enable)
    on: BoolArray = ~(enable < 0.5)
    words = "not known: taken as enabled"
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    current = columns[CURRENT]
    if zero is not None and full is not None and zero >= 0.03 * full and not read.all():
        off_below = sheet.signal.off_below_pct / 100.0
        on &= read | ~((current < 0.3 * zero) & ~(columns[DEMAND] < off_below))
        if np.isfinite(current).any():
            words = "inferred: the driver is off while the current is under 30 % of current at zero"
    return on, "from the channel enable" if read.any() else words


def _stopped(
    columns: FloatArray, sheet: Sheet, enabled: BoolArray, carry: StateCarry, gap: BoolArray
) -> tuple[BoolArray, StateCarry, str]:
    """By the channel where it was read, else by the pressure where that was read lately, else by the command."""
    time_s, pump, pressure = columns[TIME], columns[PUMP], columns[PRESSURE]
    idle = ~enabled | (columns[DEMAND] < _ZERO_COMMAND)
    stopped, idle_since = held(idle, time_s, carry.idle_since_s, _ZERO_COMMAND_HOLD_S, gap)
    words = "inferred: no command for 2 minutes"
    seen = np.maximum.accumulate(np.where(np.isfinite(pressure), time_s, -np.inf))
    seen = np.maximum(seen, carry.pressure_at_s)
    low_since = None
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    if zero is not None and full is not None and zero >= 0.024 * full:
        lately = time_s - seen <= _BRIDGE_S
        low = idle & ~(pressure >= 0.5 * zero) & lately
        by_pressure, low_since = held(low, time_s, carry.low_since_s, _LOW_PRESSURE_HOLD_S, gap)
        stopped = np.where(lately, by_pressure, stopped)
        if lately.any():
            words = "inferred: pressure under half of pressure at zero for 2 s with no command"
    read = np.isfinite(pump)
    stopped = np.where(read, pump < 0.5, stopped)
    carry = replace(carry, low_since_s=low_since, idle_since_s=idle_since, pressure_at_s=float(seen[-1]))
    return stopped, carry, "from the channel pump_running" if read.any() else words


def _by_mode(columns: FloatArray, sheet: Sheet, carry: StateCarry) -> tuple[FloatArray, StateCarry, str]:
    """Producing, set-up or unknown; a failed reading of the mode keeps the last one for 2 s."""
    time_s, mode = columns[TIME], columns[MODE]
    last = np.maximum.accumulate(np.where(np.isfinite(mode), np.arange(mode.size), -1))
    now = np.where(last >= 0, mode[last], np.nan if carry.mode is None else carry.mode)
    at = np.where(last >= 0, time_s[last], carry.mode_at_s)
    known = np.isin(now, (*sheet.conditions.producing_modes, *sheet.conditions.in_control_modes))
    set_up = np.isin(now, sheet.conditions.set_up_modes)
    state = np.where(set_up, SET_UP, np.where(known, PRODUCING, UNKNOWN))
    state = np.where(time_s - at <= _BRIDGE_S, state, UNKNOWN)
    never = ~np.isfinite(now)
    state = np.where(never, PRODUCING, state)
    if never[-1]:
        return state, carry, "no channel mode: set-up cannot be told from production"
    return state, replace(carry, mode=float(now[-1]), mode_at_s=float(at[-1])), "from the channel mode"


#: How a state may be known, the surest first, by how the words for it begin.
_SURENESS = ("from the channel", "inferred: pressure", "inferred")


def surest(known: str, now: str) -> str:
    """The surer of two bases in words: what was recorded for a while has been recorded."""

    def rank(words: str) -> int:
        return next((k for k, start in enumerate(_SURENESS) if words.startswith(start)), len(_SURENESS))

    return now if rank(now) < rank(known) else known


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


def hours_of(columns: FloatArray, step_s: FloatArray) -> dict[str, float]:
    """Judged time per state in hours; `step_s`, shape (n,), is the time each sample stands for (0 after a gap)."""
    sums = np.bincount(columns[STATE].astype(np.int64), weights=step_s, minlength=len(CODES))
    seen = np.bincount(columns[STATE].astype(np.int64), minlength=len(CODES))
    return {CODES[k].value: float(sums[k]) / 3600.0 for k in range(len(CODES)) if seen[k]}
