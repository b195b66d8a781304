"""Whether the driver is enabled: from its channel, else from the current, which an enabled driver never lets go out.

The current must have been under 30 % of the current at zero command for 0.05 s, so that neither a single reading nor
dither that was not filtered out turns the driver off. Under the off threshold an enabled driver has no current
either, nor for as long as its ramp takes from there: so long, and while no current is read, the last word stands.

Where the sheet's current at zero is under 3 % of that at full, a driver that is off and one at zero command look
alike: the driver is taken as enabled. That no current flows is told all the same, for `unanswered`.

Misses: an off driver through which more than 30 % of the current at zero leaks looks enabled (the watch on unwanted
current sees it from a fifth of the span on); a valve without a current reading shows nothing. Late by 0.05 s and the
coil's lag.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLE
from asleft.judge.intake.holding import BoolArray, held, kept, last_good, latched
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Of the current at zero command, under which a driver is off.
OFF_SHARE = 0.3
_OFF_HOLD_S = 0.05
#: How much later than its ramp as left says, and than such a lag (s), a driver may come out from under its threshold.
_LATE, _LAG_S = 3.0, 2.0
#: Of the current at full: where less flows at zero command, a driver that is off looks like one that is on.
ALIKE_SHARE = 0.03
_BRIDGE_S = 2.0
FROM_CHANNEL = "from the channel enable"
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
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        on: BoolArray = ~(enable < 0.5)
        return on, np.zeros(on.size, dtype=bool), carry, FROM_CHANNEL if read.any() else NOT_KNOWN
    if zero < ALIKE_SHARE * full:
        on = ~(enable < 0.5)
        current, last, last_s = kept(columns[CURRENT], time_s, carry.current_a, carry.current_at_s, _BRIDGE_S)
        none_flows = (current < ALIKE_SHARE * full) & ~read
        none_flows, since_s = held(none_flows, time_s, carry.low_since_s, _OFF_HOLD_S, gap)
        after = EnableCarry(last, last_s, since_s, bool(on[-1]))
        return on, none_flows, after, FROM_CHANNEL if read.any() else NOT_KNOWN
    current = columns[CURRENT]
    if read.all():  # what a channel says begins everything else anew, so that nothing need be followed beside it
        on = enable >= 0.5
        last, last_s = last_good(current, time_s, carry.current_a, carry.current_at_s)
        return on, np.zeros(on.size, dtype=bool), EnableCarry(last, last_s, None, bool(on[-1])), FROM_CHANNEL
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
        return on, ~on & ~read, after, FROM_CHANNEL
    if last is None:
        return on, ~on, after, NOT_KNOWN
    return on, ~on, after, "inferred: the driver is off while the current is under 30 % of current at zero"
