"""What the machine was doing, sample by sample: from its own channels where recorded, else by stated rules.

- enable: `enabling`, from the current;
- pump: `standstill`, from the pressure, else from how long nothing has been commanded;
- set-up: `levels` and `rhythm`, from the command: production repeats itself, a hand does not.

A driver that is off says more than a pump that is off: where both are, the state is *not enabled*; row PUMP keeps
whether the pump runs, as recorded or else as inferred. Each sample follows from itself and what came before, never
from what else happens to be in the same call. What no channel can show stands in the rules' own modules; `basis` says
in words which rule was used.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from asleft.judge.intake.columns import DEMAND, ENABLE, ENABLED, MODE, PUMP, STATE, TIME
from asleft.judge.intake.command_range import reports_failure
from asleft.judge.intake.declared import BASIS
from asleft.judge.intake.enabling import EnableCarry, judge_enabled
from asleft.judge.intake.holding import GAP_S, BoolArray, gaps, held, kept
from asleft.judge.intake.levels import LevelsCarry, levels
from asleft.judge.intake.rhythm import Rhythm, RhythmCarry
from asleft.judge.intake.standstill import StillCarry, judge_standstill
from asleft.judge.intake.unanswered import UnansweredCarry, unanswered
from asleft.judge.types import FloatArray, State, StateInterval
from asleft.sheet.model import MadeBy, Sheet

__all__ = [
    "CODES", "NOT_ENABLED", "PRODUCING", "SET_UP", "STOPPED", "UNKNOWN", "WORK", "StateCarry",
    "gaps", "held", "hours_of", "intervals_of", "judge_states", "surest",
]  # fmt: skip

CODES: tuple[State, ...] = (
    State.PRODUCING,
    State.STOPPED,
    State.NOT_ENABLED,
    State.SET_UP,
    State.UNKNOWN,
    State.WORK_IN_PROGRESS,  # never inferred: a person declares it
)
PRODUCING, STOPPED, NOT_ENABLED, SET_UP, UNKNOWN, WORK = (float(code) for code in range(6))

#: A failed reading of the mode is bridged by the last good one for this long.
_BRIDGE_S = 2.0
_FROM_MODE = "from the channel mode"


@dataclass(frozen=True, slots=True)
class StateCarry:
    """What must be remembered between calls: each rule's own carry, the last mode and the last sample (unix s)."""

    enabling: EnableCarry = field(default_factory=EnableCarry)
    standstill: StillCarry = field(default_factory=StillCarry)
    levels: LevelsCarry = field(default_factory=LevelsCarry)
    rhythm: RhythmCarry = field(default_factory=RhythmCarry)
    mode: float | None = None  # last good reading of the mode
    mode_at_s: float = -np.inf
    last_s: float | None = None
    unanswered: UnansweredCarry = field(default_factory=UnansweredCarry)
    command_failed: bool = False  # and its loop alive


def judge_states(
    columns: FloatArray, sheet: Sheet, carry: StateCarry, *, learn: bool = True
) -> tuple[StateCarry, Mapping[str, str]]:
    """Fill rows STATE, ENABLED and PUMP of new samples in place; the next call's carry and the basis in words.

    `learn`: whether what the command does here is production's or a hand's habit, to be learnt.
    """
    time_s = columns[TIME]
    if time_s.size == 0:
        return carry, {}
    basis: dict[str, str] = {}
    gap = gaps(time_s, carry.last_s)
    set_up, rest_hold_s, carry = _by_hand(columns, sheet, carry, learn=learn)
    enabled, none_flows, enabling, basis["enabled"] = judge_enabled(time_s, columns, sheet, carry.enabling, gap)
    # Nobody switched off a driver that goes on being commanded: its current is lost. Row ENABLED keeps that none
    # flows; the state is the machine's, so that the loss is heard.
    asked, vain = unanswered(time_s, columns[DEMAND], none_flows, gap, carry.unanswered)
    # Nor did anybody who has a failed command reported: the driver is off, or the pressure gone, for want of one.
    failed = reports_failure(sheet.signal, columns[DEMAND], carry.command_failed)
    wanted = failed & ~(columns[ENABLE] < 0.5) & ~(columns[PUMP] < 0.5)
    asked |= wanted & none_flows
    still, standstill, basis["stopped"] = judge_standstill(
        time_s, columns, sheet, enabled | asked, rest_hold_s, carry.standstill, gap
    )
    still &= ~wanted
    state, carry, basis["set-up"] = _by_mode(columns, sheet, carry, set_up)
    state = np.where(still, STOPPED, state)
    columns[STATE] = np.where(enabled | asked, state, NOT_ENABLED)
    columns[ENABLED] = enabled & ~asked
    columns[PUMP] = ~still
    carry = replace(
        carry,
        enabling=enabling,
        standstill=standstill,
        unanswered=vain,
        command_failed=bool(failed[-1]),
        last_s=float(time_s[-1]),
    )
    return carry, basis


def _by_hand(
    columns: FloatArray, sheet: Sheet, carry: StateCarry, *, learn: bool
) -> tuple[BoolArray | bool, FloatArray | float, StateCarry]:
    """Whether a hand commands, and how long a rest must be to be a stop (s), each (n,) or one for all."""
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        return False, carry.rhythm.rest_hold_s, carry
    if not learn:
        return carry.rhythm.set_up, carry.rhythm.rest_hold_s, carry
    found, new_levels = levels(columns[TIME], columns[DEMAND], carry.levels)
    carry = replace(carry, levels=new_levels)
    set_up, hold_s = carry.rhythm.set_up, carry.rhythm.rest_hold_s
    if not found:
        return set_up, hold_s, carry
    rhythm = Rhythm(carry.rhythm)
    from_s, words = [-np.inf], [(set_up, hold_s)]
    for at_s, demand in found:
        rhythm.take(at_s, demand)
        now = (rhythm.set_up, rhythm.rest_hold_s)
        if now != words[-1]:
            from_s.append(at_s)
            words.append(now)
    carry = replace(carry, rhythm=rhythm.carry())
    if len(words) == 1:
        return set_up, hold_s, carry
    at = np.searchsorted(np.array(from_s), columns[TIME], side="right") - 1
    return np.array([w[0] for w in words])[at], np.array([w[1] for w in words])[at], carry


def _by_mode(
    columns: FloatArray, sheet: Sheet, carry: StateCarry, set_up: BoolArray | bool
) -> tuple[FloatArray, StateCarry, str]:
    """Producing, set-up or unknown: by the mode channel once it has been read (kept for 2 s), else by the command."""
    mode, last, last_s = kept(columns[MODE], columns[TIME], carry.mode, carry.mode_at_s, _BRIDGE_S)
    by_command = np.where(set_up, SET_UP, PRODUCING)
    if last is None:
        state = np.broadcast_to(by_command, mode.shape)
        return state, carry, _words(sheet, carry.rhythm)
    known = np.isin(mode, (*sheet.conditions.producing_modes, *sheet.conditions.in_control_modes))
    state = np.where(np.isin(mode, sheet.conditions.set_up_modes), SET_UP, np.where(known, PRODUCING, UNKNOWN))
    if carry.mode is None:  # nobody knew of the channel before its first reading
        first = int(np.argmax(np.isfinite(columns[MODE])))
        state[:first] = np.broadcast_to(by_command, mode.shape)[:first]
    return state, replace(carry, mode=last, mode_at_s=last_s), _FROM_MODE


def _words(sheet: Sheet, rhythm: RhythmCarry) -> str:
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        return "no channel mode: with a loop closed outside, set-up cannot be told from production"
    cycle = rhythm.cycle_pct()
    if not cycle:
        return "inferred: set-up where the command's levels do not repeat; production's are not learnt yet"
    return f"inferred: set-up where the command leaves production's levels ({', '.join(map(str, cycle))} %)"


#: How a state may be known, the surest first, by how the words for it begin.
_SURENESS = ("from the channel", "inferred: pressure", "inferred")


def surest(known: str, now: str) -> str:
    """The surer of two bases in words, the later of equals: what was recorded for a while has been recorded."""

    def rank(words: str) -> int:
        return next((k for k, start in enumerate(_SURENESS) if words.startswith(start)), len(_SURENESS))

    return now if rank(now) <= rank(known) else known


def intervals_of(columns: FloatArray, basis: Mapping[str, str], interval_s: float) -> tuple[StateInterval, ...]:
    """Stretches of one state, in order; a gap of more than 1.5 s between samples ends one."""
    time_s, state = columns[TIME], columns[STATE]
    if time_s.size == 0:
        return ()
    cut = np.flatnonzero((np.diff(state) != 0) | (np.diff(time_s) > GAP_S)) + 1
    edges = [0, *cut.tolist(), time_s.size]
    out = []
    for a, b in itertools.pairwise(edges):
        name = CODES[int(state[a])]
        known = {State.STOPPED: "stopped", State.NOT_ENABLED: "enabled"}.get(name, "set-up")
        end = float(time_s[b]) if b < time_s.size and time_s[b] - time_s[b - 1] <= GAP_S else None
        until = end if end is not None else float(time_s[b - 1]) + interval_s
        words = BASIS if name is State.WORK_IN_PROGRESS else basis.get(known, "")
        out.append(StateInterval(name, float(time_s[a]), until, words))
    return tuple(out)


def hours_of(columns: FloatArray, step_s: FloatArray) -> dict[str, float]:
    """Judged time per state in hours; `step_s`, shape (n,), is the time each sample stands for (0 after a gap)."""
    sums = np.bincount(columns[STATE].astype(np.int64), weights=step_s, minlength=len(CODES))
    seen = np.bincount(columns[STATE].astype(np.int64), minlength=len(CODES))
    return {CODES[k].value: float(sums[k]) / 3600.0 for k in range(len(CODES)) if seen[k]}
