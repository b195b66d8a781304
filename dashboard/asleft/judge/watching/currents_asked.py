"""Current against what the command asks for: lost (asked for, none flows) and unwanted (flows, and nobody asked).

The current is compared with a envelope that is right for any ramp up to three times as slow as left, and a current
that is still on its way down is not called unwanted however slowly it falls: that is the ramp check's business.

A current that is away for less than it takes to call it lost is a break; three breaks are a contact that comes and
goes. Without an enable channel `intake.unanswered` tells a lost current from a driver that is off.

Misses: a current under a fifth of the span too high; without an enable channel, a driver that is off and lets less
through than an enabled one at zero command and a fifth of the span; breaks of one sample, and those while less than
three tenths of the full current must flow, or in the first half second of a rise that the current must follow.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLE, ENABLED, STATE, TIME
from asleft.judge.intake.holding import BoolArray
from asleft.judge.intake.states import NOT_ENABLED
from asleft.judge.intake.unanswered import STANDS_S
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import Stretch, WatchCarry, edges
from asleft.sheet.model import Sheet

BREAK = "current-break"
#: A current that falls by more than this share of span from one quarter second to the next is on its way down.
_FALLING = 0.01
_LOOK_BACK_S = 0.5
_NONE, _BROKEN, _FLOWS = 0.2, 0.6, 0.8  # of what must flow
_BETWEEN, _AWAY, _BACK, _NOT_ASKED = 0, 1, 2, 3
_SHORT_S = 0.5
_SAME_COMMAND = 0.03
_FELL = 0.8  # of what flowed before: a command that rose before the current did makes no current fall
_LEAST_READINGS = 2
_MUST_SHARE = 0.3  # of the current at full: ripple of a lower current reaches down to nothing
_COMMANDED = 0.15  # without an enable channel


def _ends(sheet: Sheet) -> tuple[float, float] | None:
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    return None if zero is None or full is None else (zero, full)


def _none_a(ends: tuple[float, float]) -> float:
    """A current (A) under which none flows, as `intake.enabling` has it."""
    return max(0.3 * ends[0], 0.03 * ends[1])


def _must_flow(low: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """What flows at least while the driver is enabled (A), shape (n,); `low`: lower edge of the envelope."""
    least: FloatArray = ends[0] + np.maximum(low, 0.0) * (ends[1] - ends[0])
    return least


def current_lost(columns: FloatArray, sheet: Sheet, low: FloatArray) -> BoolArray | None:
    """Enabled, commanded, and under a fifth of what must flow; by the states where no channel tells the enable."""
    ends = _ends(sheet)
    if ends is None:
        return None
    off = sheet.signal.off_below_pct / 100.0
    must = _must_flow(low, ends)
    commanded = (low > off) & (must > 0.05 * ends[1])
    has_enable = np.isfinite(columns[ENABLE])  # the enable channel itself says whether the driver is on
    enabled = columns[ENABLED] > 0.5
    lost: BoolArray = commanded & (columns[CURRENT] < _NONE * must) & enabled & has_enable
    lost |= ~(enabled | has_enable) & (columns[STATE] != NOT_ENABLED)
    return lost


def none_since(columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray) -> FloatArray:
    """Since when no current flows (unix s; the sample's own time where one does), shape (n,); updates `carry`."""
    time_s = columns[TIME]
    ends = _ends(sheet)
    flows = (
        np.ones(time_s.size, dtype=bool) if ends is None else columns[CURRENT] >= max(0.3 * ends[0], 0.03 * ends[1])
    )
    fresh = flows | gap
    begin = np.where(flows, np.arange(time_s.size) + 1, np.where(gap, np.arange(time_s.size), 0))
    begin = np.maximum.accumulate(begin)
    since = time_s[np.minimum(begin, time_s.size - 1)]
    if carry.none_since_s is not None and not fresh[0]:
        since = np.where(begin == 0, carry.none_since_s, since)
    carry.none_since_s = None if flows[-1] else float(since[-1])
    begins: FloatArray = np.where(flows, time_s, since)
    return begins


def current_breaks(
    columns: FloatArray, sheet: Sheet, low: FloatArray, carry: WatchCarry, gap: BoolArray
) -> list[Stretch]:
    """Short breaks of a commanded current, each told when it flows again; `carry` is updated in place.

    The current falls under six tenths of what must flow and is back at eight tenths of the same: within half a
    second, or later where none flowed at all. The command has not changed meanwhile, and that much had to flow for
    half a second: else readings that come late, each by another time, would look like breaks of a rising current.
    """
    ends = _ends(sheet)
    if ends is None:
        return []
    time_s, current = columns[TIME], columns[CURRENT]
    has_enable = np.isfinite(columns[ENABLE])
    must = _must_flow(low, ends)
    asked = np.where(has_enable, columns[ENABLE] > 0.5, columns[DEMAND] > _COMMANDED) & (
        must >= _MUST_SHARE * ends[1]
    )
    kind = np.where(current < _BROKEN * must, _AWAY, np.where(current >= _FLOWS * must, _BACK, _BETWEEN))
    away = np.flatnonzero((kind == _AWAY) & asked)
    lately = _must_flow(_lowest_lately(time_s, low, away, carry), ends)
    early = (current[away] >= _BROKEN * lately) | (lately < _MUST_SHARE * ends[1])
    kind[away[early]] = _BETWEEN
    kind[~asked] = _NOT_ASKED
    if not (kind == _AWAY).any() and carry.break_s is None:
        known = np.flatnonzero(kind >= _BACK)
        if known.size:
            last = int(known[-1])
            carry.flowed = _flow_at(columns, last) if kind[last] == _BACK else None
        return []
    out: list[Stretch] = []
    for a, b in itertools.pairwise(edges((kind[1:] != kind[:-1]) | gap[1:], kind.size)):
        if gap[a] or kind[a] == _NOT_ASKED:
            carry.flowed = carry.break_s = None
        if kind[a] == _BACK:
            if _is_break(carry, float(columns[DEMAND, a]), ends) and carry.break_s is not None:
                out.append(Stretch(BREAK, carry.break_s, carry.break_to_s, {"times": 1.0}))
            carry.flowed, carry.break_s = _flow_at(columns, b - 1), None
        elif kind[a] == _AWAY and carry.flowed is not None:
            if carry.break_s is None:
                carry.break_s, carry.break_n, carry.break_a = float(time_s[a]), 0, np.inf
            carry.break_n, carry.break_to_s = carry.break_n + b - a, float(time_s[b - 1])
            carry.break_a = min(carry.break_a, float(current[a:b].min()))
    return out


def _lowest_lately(time_s: FloatArray, low: FloatArray, at: npt.NDArray[np.int64], carry: WatchCarry) -> FloatArray:
    """Least of the envelope's lower edge in the half second before the samples `at` (k,), shape (k,).

    It begins with the sample that stood when the half second began, so that a slow logger has one to look back at.
    """
    kept = len(carry.recent_s)
    time_s, low = np.concatenate((carry.recent_s, time_s)), np.concatenate((carry.recent_low, low))
    first = np.maximum(np.searchsorted(time_s, time_s[at + kept] - _LOOK_BACK_S, side="right") - 1, 0)
    return np.array([low[a : b + 1].min() for a, b in zip(first.tolist(), (at + kept).tolist(), strict=True)])


def _flow_at(columns: FloatArray, k: int) -> list[float]:
    return [float(columns[DEMAND, k]), float(columns[CURRENT, k])]


def _is_break(carry: WatchCarry, demand: float, ends: tuple[float, float]) -> bool:
    """Whether the current that has just come back had been away as a contact makes it."""
    if carry.flowed is None or carry.break_s is None or carry.break_n < _LEAST_READINGS:
        return False
    before_u, before_a = carry.flowed
    if abs(demand - before_u) > _SAME_COMMAND or carry.break_a > _FELL * before_a:
        return False
    lasts_s = carry.break_to_s - carry.break_s
    return lasts_s < _SHORT_S or (lasts_s < STANDS_S and carry.break_a < _none_a(ends))


def current_unwanted(columns: FloatArray, sheet: Sheet, high: FloatArray, carry: WatchCarry) -> BoolArray | None:
    """Current nobody asked for: a fifth of span above the envelope, or flowing while the driver is not enabled."""
    ends = _ends(sheet)
    if ends is None:
        return None
    zero, full = ends
    current = columns[CURRENT]
    off = sheet.signal.off_below_pct / 100.0
    asked = np.where((off > 0.0) & (high < off), 0.0, zero + np.clip(high, 0.0, 1.0) * (full - zero))
    disabled = np.isfinite(columns[ENABLE]) & (columns[ENABLED] < 0.5)
    unwanted = np.where(disabled, current > max(0.5 * zero, 0.1 * full), current > asked + 0.2 * (full - zero))
    if unwanted.any():
        unwanted &= ~_falling(columns, carry, _FALLING * (full - zero))
    result: BoolArray = unwanted
    return result


def _falling(columns: FloatArray, carry: WatchCarry, drop_a: float) -> BoolArray:
    """Where the mean current of the last quarter second is lower by `drop_a` than that of the one before, (n,)."""
    read = np.isfinite(columns[CURRENT])
    time_s = np.concatenate((carry.recent_s, columns[TIME, read]))
    total = np.concatenate(([0.0], np.cumsum(np.concatenate((carry.recent_a, columns[CURRENT, read])))))
    now = np.searchsorted(time_s, columns[TIME], side="right")
    middle = np.searchsorted(time_s, columns[TIME] - 0.5 * _LOOK_BACK_S, side="right")
    first = np.searchsorted(time_s, columns[TIME] - _LOOK_BACK_S, side="right")
    before = (total[middle] - total[first]) / np.maximum(middle - first, 1)
    lately = (total[now] - total[middle]) / np.maximum(now - middle, 1)
    result: BoolArray = (before - lately > drop_a) & (middle > first) & (now > middle)
    return result


def remember_current(columns: FloatArray, low: FloatArray, carry: WatchCarry) -> None:
    """Keep the good readings of the last half second and the one before, with the envelope's lower edge (n,)."""
    since_s = columns[TIME, -1] - 1.1 * _LOOK_BACK_S
    read = np.isfinite(columns[CURRENT])
    time_s = np.concatenate((carry.recent_s, columns[TIME, read]))
    first = max(int(np.searchsorted(time_s, since_s)) - 1, 0)
    carry.recent_s = time_s[first:].tolist()
    carry.recent_a = np.concatenate((carry.recent_a, columns[CURRENT, read]))[first:].tolist()
    carry.recent_low = np.concatenate((carry.recent_low, low[read]))[first:].tolist()
