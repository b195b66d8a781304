"""Where a command signal has failed and where it stands beyond its range, in the signal's own unit.

A 4-20 mA loop has failed at or below 3.6 mA and at or above 21 mA, and measures from 3.8 to 20.5 mA (NAMUR NE 43,
written for transmitters; taken over here for the command). These limits belong to the loop and not to the part of it
that a valve uses: 20 to 4 mA and 4 to 12 mA have the same. Where a valve's full command lies inside the loop's range
(4 to 12 mA), a command beyond it by 2 % of the valve's range asks for more than the valve can give. Where its zero
command lies inside (12 to 20 mA), the other side belongs to another coil and is in order.

A loop without current is broken or switched off with the machine, which look alike. A loop that carries 2 to 3.6 mA,
or too much, is alive and reports its failure: no machine at rest does that.

Any other signal has no live zero: a broken wire is not told from zero command, and 2 % of the range are allowed
beyond either end.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.intake.holding import BoolArray, latched
from asleft.judge.types import FloatArray
from asleft.sheet.model import Signal, SignalKind

_FAILED_MA = (3.6, 21.0)
_MEASURES_MA = (3.8, 20.5)
#: A signal that has failed is back only here: noise of a reading near the limit must not end the condition.
_BACK_MA = (3.7, 20.75)
_LOOP_MA = (4.0, 20.0)
_ALIVE_MA = 2.0
_SAME_MA = 0.5  # an end so close to the loop's own end is that end
_BEYOND = 0.02  # of the range


def has_live_zero(signal: Signal) -> bool:
    """Whether the signal travels on a 4-20 mA loop: so called, or in mA with both ends within its range."""
    if signal.kind is SignalKind.MA_4_20:
        return True
    ends = (signal.at_zero, signal.at_full)
    return signal.unit == "mA" and _LOOP_MA[0] <= min(ends) and max(ends) <= _LOOP_MA[1]


def reading_of(signal: Signal, demand: FloatArray) -> FloatArray:
    """Readings in the signal's unit from demand, shape (n,)."""
    return signal.at_zero + demand * (signal.at_full - signal.at_zero)


def failed(signal: Signal, demand: FloatArray) -> tuple[BoolArray, BoolArray] | None:
    """Where the signal has failed, and where it surely has not, shape (n,) each; None without a live zero."""
    if not has_live_zero(signal):
        return None
    reading = reading_of(signal, demand)
    return (
        (reading <= _FAILED_MA[0]) | (reading >= _FAILED_MA[1]),
        (reading > _BACK_MA[0]) & (reading < _BACK_MA[1]),
    )


def reports_failure(signal: Signal, demand: FloatArray, before: bool) -> BoolArray:
    """Where a live loop has failed, until it surely has not, shape (n,); `before`: whether it had before these."""
    masks = failed(signal, demand)
    if masks is None:
        return np.zeros(demand.size, dtype=bool)
    alive = reading_of(signal, demand) > _ALIVE_MA
    return latched(masks[0] & alive, masks[1] | ~(alive | np.isnan(demand)), before)


def beyond(signal: Signal, demand: FloatArray) -> BoolArray:
    """Where the command stands beyond its range and has not failed, shape (n,). At the ends is normal operation."""
    if not has_live_zero(signal):
        return (demand < -_BEYOND) | (demand > 1.0 + _BEYOND)
    reading = reading_of(signal, demand)
    low, high = _MEASURES_MA
    out = ((reading < low) & (reading > _FAILED_MA[0])) | ((reading > high) & (reading < _FAILED_MA[1]))
    if min(abs(signal.at_full - end) for end in _LOOP_MA) > _SAME_MA:
        out |= (demand > 1.0 + _BEYOND) & (reading > _FAILED_MA[0]) & (reading < _FAILED_MA[1])
    return out
