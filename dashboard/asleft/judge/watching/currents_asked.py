"""Current against what the command asks for: lost (asked for, none flows) and unwanted (flows, and nobody asked).

The current is compared with a corridor that is right for any ramp up to three times as slow as left, and a current
that is still on its way down is not called unwanted however slowly it falls: that is the ramp check's business.

Misses: a current under a fifth of the span too high; without an enable channel, a driver that is off and lets less
through than an enabled one at zero command and a fifth of the span. Without an enable channel a lost current is told
from a driver that is off by two rises of the command that stay unanswered, so it is late by a cycle.
"""

from __future__ import annotations

import itertools
from typing import Protocol

import numpy as np
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLE, ENABLED, TIME
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import WatchCarry, edges
from asleft.sheet.model import Sheet

#: A current that falls by more than this share of span from one quarter second to the next is on its way down.
_FALLING = 0.01
_LOOK_BACK_S = 0.5


class Rises(Protocol):
    """How often the command has risen while the driver seems off, and whether it is low since."""

    off_rises: int
    was_low: bool


def _ends(sheet: Sheet) -> tuple[float, float] | None:
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    return None if zero is None or full is None else (zero, full)


def current_lost(columns: FloatArray, sheet: Sheet, low: FloatArray, carry: WatchCarry) -> BoolArray | None:
    """Enabled, commanded, and under a fifth of what must flow; with an inferred enable the command rises twice."""
    ends = _ends(sheet)
    if ends is None:
        return None
    off = sheet.signal.off_below_pct / 100.0
    must = ends[0] + np.maximum(low, 0.0) * (ends[1] - ends[0])
    commanded = (low > off) & (must > 0.05 * ends[1])
    none_flows = columns[CURRENT] < 0.2 * must
    told = np.isfinite(columns[ENABLE])  # the enable channel itself says whether the driver is on
    enabled = columns[ENABLED] > 0.5
    lost: BoolArray = commanded & none_flows & enabled & told
    if told.all():
        carry.off_rises, carry.was_low = 0, bool(columns[DEMAND, -1] < 0.15)
        return lost
    lost |= none_flows & risen_twice(columns[DEMAND], ~(enabled | told), carry)
    return lost


def risen_twice(demand: FloatArray, off: BoolArray, carry: Rises) -> BoolArray:
    """Where a driver that seems off has seen the command rise twice since, and is commanded now, shape (n,)."""
    out = np.zeros(off.size, dtype=bool)
    for a, b in itertools.pairwise(edges(off[1:] != off[:-1], off.size)):
        u = demand[a:b]
        if not off[a]:
            carry.off_rises, carry.was_low = 0, bool(u[-1] < 0.15)
            continue
        side = np.flatnonzero((u > 0.3) | (u < 0.15))
        if not side.size:
            out[a:b] = (carry.off_rises >= 2) & (u > 0.15)
            continue
        high = u[side] > 0.3
        rises = np.zeros(u.size, dtype=np.int64)
        rises[side[high & np.concatenate(([carry.was_low], ~high[:-1]))]] = 1
        rises = carry.off_rises + np.cumsum(rises)
        out[a:b] = (rises >= 2) & (u > 0.15)
        carry.off_rises, carry.was_low = int(rises[-1]), not high[-1]
    return out


def current_unwanted(columns: FloatArray, sheet: Sheet, high: FloatArray, carry: WatchCarry) -> BoolArray | None:
    """Current nobody asked for: a fifth of span above the corridor, or flowing while the driver is not enabled."""
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


def remember_current(columns: FloatArray, carry: WatchCarry) -> None:
    """Keep the good readings of the last half second."""
    since_s = columns[TIME, -1] - 1.1 * _LOOK_BACK_S
    late = columns[:, int(np.searchsorted(columns[TIME], since_s)) :]
    read = np.isfinite(late[CURRENT])
    earlier = [(at, a) for at, a in zip(carry.recent_s, carry.recent_a, strict=True) if at >= since_s]
    carry.recent_s = [at for at, _ in earlier] + late[TIME, read].tolist()
    carry.recent_a = [a for _, a in earlier] + late[CURRENT, read].tolist()
