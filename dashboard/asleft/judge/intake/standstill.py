"""Whether the pump runs: from its channel, else from the pressure, else from how long the command has been at zero.

- By pressure: stopped once the pressure has been under half of the pressure at zero command for 0.5 s with
  nothing commanded; over when something is commanded or the pressure has been back for 0.3 s. A pressure a tenth of
  full above what the valve lets through at zero is no pump start: the machine still counts as stopped, so that the
  watch sees it. Not for a driver with an off threshold: with no current in production's own rests, no pressure
  says nothing. A press whose load makes no pressure in its rests is called stopped in each of them.
- By command: stopped once nothing has been commanded, and no current flowed above that at zero, for twice the
  longest usual rest of production (6 to 120 s, 120 s until five rests are known). Pump on and pump off look the same
  there: a machine that waits for its next part with the pump running is called stopped too, and the first and last
  seconds of a true stop are called production.

A command that has failed (a live zero's 3.6 mA and below) is not a command at zero, but it asks for nothing either:
with the pressure gone the machine is stopped all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.intake.columns import CURRENT, DEMAND, PRESSURE, PUMP
from asleft.judge.intake.holding import BoolArray, held, kept, last_good, latched
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

_ZERO_COMMAND = 0.02
_FAILED_COMMAND = -0.0225  # 3.64 mA of 4-20 mA: next to where NAMUR NE 43 calls it failed
_LOW_HOLD_S = 0.5
_BACK_HOLD_S = 0.3
#: A failed reading of pressure or command is bridged by the last good one for this long.
_BRIDGE_S = 2.0
FROM_CHANNEL = "from the channel pump_running"
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
        return still, StillCarry(None, None, None, *demand_now, *pressure_now, bool(still[-1])), FROM_CHANNEL
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
        words = FROM_CHANNEL
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
