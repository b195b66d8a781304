"""What the machine was doing, sample by sample: from its own channels where recorded, else by stated rules.

- enable: from the current;
- pump: from the pressure, else from how long nothing has been commanded;
- set-up: `levels` and `rhythm`, from the command: production repeats itself, a hand does not.

A driver that is off says more than a pump that is off: where both are, the state is *not enabled*; row PUMP keeps
whether the pump runs, as recorded or else as inferred. Each sample follows from itself and what came before, never
from what else happens to be in the same call. What no channel can show stands in the rules' own modules; `basis` says
in words which rule was used.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from asleft.judge.intake.holding import (
    GAP_S,
    BoolArray,
    UnansweredCarry,
    gaps,
    held,
    kept,
    last_good,
    latched,
    reports_failure,
    unanswered,
)
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLE, ENABLED, MODE, PRESSURE, PUMP, STATE, TIME
from asleft.judge.intake.rhythm import LevelsCarry, Rhythm, RhythmCarry, levels
from asleft.judge.types import FastBurst, FloatArray, State, StateInterval
from asleft.sheet.model import MadeBy, Sheet

# Work in progress that a person has declared: the stretches in which nothing is judged but evidence of danger.
#
# Within them samples are counted and shown as *work in progress*, and that is all: they become no dwell, stroke,
# dither, zero or habit of production. What was judged before stays as it was, and judging goes on after them as
# after a gap: the first stroke is set aside. The machine's own state goes on being followed, because what a person
# declares does not make unasked current or pressure harmless.

Declared = Sequence[tuple[float, float]]
"""From and until (unix s), in order: from <= time < until."""

BASIS = "declared by a person"


def declared_at(at_s: float | None, declared: Declared) -> bool:
    """Whether a time lies in a declared stretch; None (no time yet) does not."""
    return at_s is not None and any(from_s <= at_s < until_s for from_s, until_s in declared)


def next_edge(at_s: float, declared: Declared) -> float:
    """The next beginning or end of a stretch after a time (unix s), infinite without one."""
    return min((edge for stretch in declared for edge in stretch if edge > at_s), default=float("inf"))


def bursts_outside(bursts: Iterable[FastBurst], declared: Declared) -> tuple[FastBurst, ...]:
    """Bursts that begin outside every declared stretch."""
    return tuple(burst for burst in bursts if not declared_at(burst.start_s, declared))


# Whether the driver is enabled: from its channel, else from the current, which an enabled driver never lets go out.
#
# The current must have been under 30 % of the current at zero command for 0.05 s, so that neither a single reading
# nor dither that was not filtered out turns the driver off. Under the off threshold an enabled driver has no current
# either, nor for as long as its ramp takes from there: so long, and while no current is read, the last word stands.
#
# Where the sheet states no current at zero, or one under 3 % of that at full, a driver that is off and one at zero
# command look alike: the driver is taken as enabled. That no current flows is told all the same, for `holding`.
#
# Misses: an off driver through which more than 30 % of the current at zero leaks looks enabled (the watch on
# unwanted current sees it from a fifth of the span on); a valve without a current reading shows nothing. Late by
# 0.05 s and the coil's lag.

#: Of the current at zero command, under which a driver is off.
OFF_SHARE = 0.3
_OFF_HOLD_S = 0.05
#: How much later than its ramp as left says, and than such a lag (s), a driver may come out from under its threshold.
_LATE, _LAG_S = 3.0, 2.0
#: Of the current at full: where less flows at zero command, a driver that is off looks like one that is on.
ALIKE_SHARE = 0.03
_BRIDGE_S = 2.0
FROM_ENABLE = "from the channel enable"
NOT_KNOWN = "not known: taken as enabled"


@dataclass(frozen=True, slots=True)
class EnableCarry:
    """What must be remembered between calls (unix s): last good current, since when it is low, the last word."""

    current_a: float | None = None
    current_at_s: float = -np.inf
    low_since_s: float | None = None
    on: bool | None = None  # None: no sample yet


def judge_enabled(
    time_s: FloatArray, columns: FloatArray, sheet: Sheet, carry: EnableCarry, gap: BoolArray
) -> tuple[BoolArray, BoolArray, EnableCarry, str]:
    """Enabled or not at each sample, and where no current flows though no channel says that the driver is off.

    Shape (n,) each; then the carry for the next call and the basis in words.
    """
    enable = columns[ENABLE]
    read = np.isfinite(enable)
    zero, full = sheet.as_left.get("current_at_zero", 0.0), sheet.as_left.get("current_at_full")
    if full is None:
        on: BoolArray = ~(enable < 0.5)
        return on, np.zeros(on.size, dtype=bool), carry, FROM_ENABLE if read.any() else NOT_KNOWN
    if zero < ALIKE_SHARE * full:
        on = ~(enable < 0.5)
        current, last, last_s = kept(columns[CURRENT], time_s, carry.current_a, carry.current_at_s, _BRIDGE_S)
        none_flows = (current < ALIKE_SHARE * full) & ~read
        none_flows, since_s = held(none_flows, time_s, carry.low_since_s, _OFF_HOLD_S, gap)
        after = EnableCarry(last, last_s, since_s, bool(on[-1]))
        return on, none_flows, after, FROM_ENABLE if read.any() else NOT_KNOWN
    current = columns[CURRENT]
    if read.all():  # what a channel says begins everything else anew, so that nothing need be followed beside it
        on = enable >= 0.5
        last, last_s = last_good(current, time_s, carry.current_a, carry.current_at_s)
        return on, np.zeros(on.size, dtype=bool), EnableCarry(last, last_s, None, bool(on[-1])), FROM_ENABLE
    current, last, last_s = kept(current, time_s, carry.current_a, carry.current_at_s, _BRIDGE_S)
    low, flows = current < OFF_SHARE * zero, current >= OFF_SHARE * zero
    off_below = sheet.signal.off_below_pct / 100.0
    telling = low & ~read
    if off_below > 0.0:
        telling &= ~(columns[DEMAND] < off_below)
    hold_s = _OFF_HOLD_S + _LATE * off_below * (sheet.as_left.get("ramp_up", 0.0) + _LAG_S)
    # A record that begins without current begins with the driver off.
    since_s = time_s[0] - hold_s if carry.on is None else carry.low_since_s
    none_flows, since_s = held(telling, time_s, since_s, hold_s, gap)
    before = carry.on is not False
    if read.any():
        on = latched(np.where(read, enable >= 0.5, flows), np.where(read, enable < 0.5, none_flows), before)
    else:
        on = latched(flows, none_flows, before)
    after = EnableCarry(last, last_s, since_s, bool(on[-1]))
    if read.any():
        return on, ~on & ~read, after, FROM_ENABLE
    if last is None:
        return on, ~on, after, NOT_KNOWN
    return on, ~on, after, "inferred: the driver is off while the current is under 30 % of current at zero"


# Whether the pump runs: from its channel, else from the pressure, else from how long the command has been at zero.
#
# - By pressure: stopped once the pressure has been under half of the pressure at zero command for 0.5 s with
#   nothing commanded; over when something is commanded or the pressure has been back for 0.3 s. A pressure a tenth
#   of full above what the valve lets through at zero is no pump start: the machine still counts as stopped, so that
#   the watch sees it. Not for a driver with an off threshold: with no current in production's own rests, no pressure
#   says nothing. A press whose load makes no pressure in its rests is called stopped in each of them.
# - By command: stopped once nothing has been commanded, and no current flowed above that at zero, for twice the
#   longest usual rest of production (6 to 120 s, 120 s until five rests are known). Pump on and pump off look the
#   same
#   there: a machine that waits for its next part with the pump running is called stopped too, and the first and last
#   seconds of a true stop are called production.
#
# A command that has failed (a live zero's 3.6 mA and below) is not a command at zero, but it asks for nothing
# either: with the pressure gone the machine is stopped all the same.

_ZERO_COMMAND = 0.02
_FAILED_COMMAND = -0.0225  # 3.64 mA of 4-20 mA: next to where NAMUR NE 43 calls it failed
_LOW_HOLD_S = 0.5
_BACK_HOLD_S = 0.3
FROM_PUMP = "from the channel pump_running"
BY_PRESSURE = "inferred: pressure under half of pressure at zero with nothing commanded"
BY_COMMAND = "inferred: nothing commanded for twice the usual rest; a pump that runs on is not seen"


@dataclass(frozen=True, slots=True)
class StillCarry:
    """What must be remembered between calls (unix s): beginnings of conditions, last good readings, the last word."""

    low_since_s: float | None = None  # pressure low and nothing commanded
    back_since_s: float | None = None  # pressure as a pump makes it
    idle_since_s: float | None = None  # command at zero, or driver off
    demand: float | None = None
    demand_at_s: float = -np.inf
    pressure_bar: float | None = None
    pressure_at_s: float = -np.inf
    still: bool = False


def judge_standstill(
    time_s: FloatArray,
    columns: FloatArray,
    sheet: Sheet,
    enabled: BoolArray,
    hold_s: FloatArray | float,
    carry: StillCarry,
    gap: BoolArray,
) -> tuple[BoolArray, StillCarry, str]:
    """Pump off or not at each sample, shape (n,); the carry for the next call and the basis in words.

    `hold_s`: how long the command must have been at zero, shape (n,) or one for all (s).
    """
    pump = columns[PUMP]
    read = np.isfinite(pump)
    if read.all():  # what a channel says begins everything else anew, so that nothing need be followed beside it
        still = pump < 0.5
        demand_now = last_good(columns[DEMAND], time_s, carry.demand, carry.demand_at_s)
        pressure_now = last_good(columns[PRESSURE], time_s, carry.pressure_bar, carry.pressure_at_s)
        return still, StillCarry(None, None, None, *demand_now, *pressure_now, bool(still[-1])), FROM_PUMP
    demand, last_u, last_u_s = kept(columns[DEMAND], time_s, carry.demand, carry.demand_at_s, _BRIDGE_S)
    asks = enabled & (demand >= _ZERO_COMMAND)
    idle = ~enabled | ((demand < _ZERO_COMMAND) & ~(demand < _FAILED_COMMAND) & ~_flows(columns, sheet))
    on, idle_since = held(idle & ~read, time_s, carry.idle_since_s, hold_s, gap)
    off, low_since, back_since = asks, None, None
    pressure, last_p, last_p_s = kept(columns[PRESSURE], time_s, carry.pressure_bar, carry.pressure_at_s, _BRIDGE_S)
    zero, full = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    words = BY_COMMAND
    lately = np.isfinite(pressure)
    tells = zero is not None and full is not None and zero >= 0.024 * full and sheet.signal.off_below_pct <= 0.0
    if tells and zero is not None and full is not None and lately.any():
        low = pressure < 0.5 * zero
        gone, low_since = held(low & ~asks & ~read, time_s, carry.low_since_s, _LOW_HOLD_S, gap)
        normal = lately & ~low & (pressure <= zero + 0.1 * full) & ~read
        back, back_since = held(normal, time_s, carry.back_since_s, _BACK_HOLD_S, gap)
        on = np.where(lately, gone, on)
        off = asks | back
        words = BY_PRESSURE
    if read.any():
        on, off = np.where(read, pump < 0.5, on), np.where(read, pump >= 0.5, off)
        words = FROM_PUMP
    still = latched(on, off, carry.still)
    after = StillCarry(low_since, back_since, idle_since, last_u, last_u_s, last_p, last_p_s, bool(still[-1]))
    return still, after, words


def _flows(columns: FloatArray, sheet: Sheet) -> BoolArray:
    """Where more current flows than zero command asks for: a dead command reading must not stop the machine."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        return np.zeros(columns.shape[1], dtype=bool)
    flows: BoolArray = columns[CURRENT] > zero + 0.2 * (full - zero)
    return flows


CODES: tuple[State, ...] = (
    State.PRODUCING,
    State.STOPPED,
    State.NOT_ENABLED,
    State.SET_UP,
    State.UNKNOWN,
    State.WORK_IN_PROGRESS,  # never inferred: a person declares it
)
PRODUCING, STOPPED, NOT_ENABLED, SET_UP, UNKNOWN, WORK = (float(code) for code in range(6))

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
