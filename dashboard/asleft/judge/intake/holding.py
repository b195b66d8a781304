"""Conditions that must last before they count, and readings that are kept over a short failure. Vectorised, causal.

Among them a command that has failed, stands beyond its range, or stays unanswered.

Every function takes what is known from before the first sample and gives back what the next call needs, so that the
answer for a sample follows from itself and those before it, wherever the samples are cut.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray
from asleft.sheet.model import Signal, SignalKind

BoolArray = npt.NDArray[np.bool_]

#: A longer pause between samples ends whatever was going on (s).
GAP_S = 1.5
#: Unix times carry a quarter of a microsecond.
_ROUNDING_S = 1e-6


def gaps(time_s: FloatArray, last_s: float | None) -> BoolArray:
    """Where more than 1.5 s lie between a sample and the one before it (`last_s` before the first), shape (n,)."""
    if time_s.size == 0:
        return np.zeros(0, dtype=bool)
    result = np.empty(time_s.size, dtype=bool)
    result[0] = last_s is not None and time_s[0] - last_s > GAP_S
    np.greater(time_s[1:] - time_s[:-1], GAP_S, out=result[1:])
    return result


def held(
    mask: BoolArray,
    time_s: FloatArray,
    since_s: float | None,
    hold_s: float | FloatArray,
    gap: BoolArray | None = None,
) -> tuple[BoolArray, float | None]:
    """Where `mask` has been true for at least `hold_s`, given since when it was true before the first sample.

    A stretch begins anew where `gap` is true. `hold_s` may differ from sample to sample, shape (n,).
    """
    if mask.size == 0:
        return mask, since_s
    if not mask.any():
        return mask, None
    index = np.arange(mask.size)
    begins = index if gap is None else np.where(gap, index, 0)
    first = np.maximum.accumulate(np.where(mask, begins if gap is not None else 0, index + 1))
    begun_before = since_s is not None and not (gap is not None and bool(gap[0]))
    carried = (first == 0) & begun_before
    start = np.where(carried, np.nan if since_s is None else since_s, time_s[np.minimum(first, mask.size - 1)])
    result = mask & (time_s - start >= np.asarray(hold_s) - _ROUNDING_S)
    return result, (float(start[-1]) if mask[-1] else None)


def latched(on: BoolArray, off: BoolArray, before: bool) -> BoolArray:
    """True from where `on` was last true, false from where `off` was (which wins where both are), shape (n,)."""
    news = on | off
    if not news.any():
        return np.full(on.size, before)
    last = np.maximum.accumulate(np.where(news, np.arange(on.size), -1))
    result: BoolArray = np.where(last >= 0, (on & ~off)[last], before)
    return result


def kept(
    values: FloatArray, time_s: FloatArray, last: float | None, last_s: float, bridge_s: float
) -> tuple[FloatArray, float | None, float]:
    """Readings, a failed one replaced by the last good one for at most `bridge_s`, else NaN; the last and its time.

    `last`, `last_s`: the last good reading before the first sample, None if there is none.
    """
    good = np.isfinite(values)
    if good.all():
        return (values, float(values[-1]), float(time_s[-1])) if values.size else (values, last, last_s)
    index = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    now = np.where(index >= 0, values[index], np.nan if last is None else last)
    at_s = np.where(index >= 0, time_s[index], last_s)
    out = np.where(time_s - at_s <= bridge_s, now, np.nan)
    return out, *last_good(values, time_s, last, last_s)


def last_good(
    values: FloatArray, time_s: FloatArray, last: float | None, last_s: float
) -> tuple[float | None, float]:
    """The last good reading and its time (unix s), from before the first sample if there is none among these."""
    if values.size and np.isfinite(values[-1]):
        return float(values[-1]), float(time_s[-1])
    good = np.flatnonzero(np.isfinite(values))
    return (float(values[good[-1]]), float(time_s[good[-1]])) if good.size else (last, last_s)


# Where a command signal has failed and where it stands beyond its range, in the signal's own unit.
#
# A 4-20 mA loop has failed at or below 3.6 mA and at or above 21 mA, and measures from 3.8 to 20.5 mA (NAMUR NE 43,
# written for transmitters; taken over here for the command). These limits belong to the loop and not to the part of
# it that a valve uses: 20 to 4 mA and 4 to 12 mA have the same. Where a valve's full command lies inside the loop's
# range (4 to 12 mA), a command beyond it by 2 % of the valve's range asks for more than the valve can give. Where
# its zero command lies inside (12 to 20 mA), the other side belongs to another coil and is in order.
#
# A loop without current is broken or switched off with the machine, which look alike. A loop that carries 2 to 3.6
# mA, or too much, is alive and reports its failure: no machine at rest does that.
#
# Any other signal has no live zero: a broken wire is not told from zero command, and 2 % of the range are allowed
# beyond either end.

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


# Commands that stay unanswered: the driver seems off, and is commanded all the same. Its current is lost.
#
# Without an enable channel a driver that is off and a coil that is open look alike: no current flows. What tells
# them apart is the command. Whoever switches a driver off takes its command away within seconds, and does not go on
# commanding it. So the current is lost
#
# - where the command has stood for 3.2 s without any, be it that the current went while it stood or that it rose
#   since (an emergency stop may leave it standing for some 3 s; common practice); or
# - where the command has risen twice since the current went.
#
# Once lost, it stays lost until current flows again, whatever the command does meanwhile. A command that stands when
# a record begins says nothing: the driver may not be switched on yet.
#
# Misses: a coil that opens at zero command, until the next rise. Cries wolf: a driver that is switched off while its
# command is left standing for longer.

STANDS_S = 3.2
_LOW, _HIGH = 0.15, 0.3  # of the command: at rest below, commanded above


@dataclass(frozen=True, slots=True)
class UnansweredCarry:
    """Between calls: since when the driver seems off (unix s; None: it does not), and what was commanded since."""

    off_since_s: float | None = None
    up_since_s: float | None = None  # since when the command has stood; -inf: since before the current went
    rises: int = 0  # of the command since the driver seems off
    was_low: bool = False  # whether the command has been at rest after its last rise
    lost: bool = False


def unanswered(
    time_s: FloatArray, demand: FloatArray, off: BoolArray, gap: BoolArray, carry: UnansweredCarry
) -> tuple[BoolArray, UnansweredCarry]:
    """Where a driver that seems off (`off`) is commanded all the same, shape (n,), and the carry for the next call.

    `demand`: NaN where the command was not read. A gap in the samples ends what stood.
    """
    out = np.zeros(off.size, dtype=bool)
    cuts = (np.flatnonzero((off[1:] != off[:-1]) | gap[1:]) + 1).tolist()
    for a, b in itertools.pairwise([0, *cuts, off.size]):
        if off[a]:
            if gap[a]:
                carry = replace(carry, up_since_s=None)
            out[a:b], carry = _while_off(time_s[a:b], demand[a:b], carry)
        else:
            known = demand[a:b][np.isfinite(demand[a:b])]
            low = bool(known[-1] < _LOW) if known.size else carry.was_low
            carry = UnansweredCarry(None, None if low else -np.inf, 0, low)
    return out, carry


def _while_off(time_s: FloatArray, demand: FloatArray, carry: UnansweredCarry) -> tuple[BoolArray, UnansweredCarry]:
    """Whether the current is lost, in a run of samples (n,) at which the driver seems off."""
    since_s = float(time_s[0]) if carry.off_since_s is None else carry.off_since_s
    low = demand < _LOW
    side = np.flatnonzero((demand > _HIGH) | low)
    high = ~low[side]
    rise = np.zeros(demand.size, dtype=bool)
    rise[side[high & np.concatenate(([carry.was_low], ~high[:-1]))]] = True
    rises = carry.rises + np.cumsum(rise)
    last = np.maximum.accumulate(np.where(rise | low, np.arange(demand.size), -1))
    before_s = np.inf if carry.up_since_s is None else carry.up_since_s
    up_s = np.where(last < 0, before_s, np.where(rise[last], time_s[last], np.inf))
    lost: BoolArray = np.maximum.accumulate(
        carry.lost | (rises >= 2) | (time_s - np.maximum(up_s, since_s) >= STANDS_S)
    )
    return lost, UnansweredCarry(
        since_s,
        float(up_s[-1]) if up_s[-1] < np.inf else None,
        int(rises[-1]),
        bool(~high[-1]) if side.size else carry.was_low,
        bool(lost[-1]),
    )
