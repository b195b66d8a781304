"""Conditions seen sample by sample, whatever the segments say: a failed signal, a lost or unwanted current, a pin.

Each condition must hold for a time before it counts, and is remembered as a stretch with a beginning and an end.
The current is compared with a corridor that is right for any ramp up to three times as slow as left, and a current
that is still on its way down is not called unwanted however slowly it falls: that is the ramp check's business. What
counts follows from each sample and those before it, never from where the samples happen to be cut.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.judge.columns import CURRENT, DEMAND, ENABLE, ENABLED, PRESSURE, STATE, SUPPLY, TIME
from asleft.judge.corridor import corridor
from asleft.judge.states import NOT_ENABLED, PRODUCING, STOPPED, gaps
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet, SignalKind

BoolArray = npt.NDArray[np.bool_]

#: How long a condition must hold before it is one (s).
HOLD_S: Mapping[str, float] = {
    "command-failed": 0.5,
    "command-clipped": 1.0,
    "current-lost": 0.5,
    "current-unwanted": 0.5,
    "pressure-unwanted": 0.5,
}
_STUCK_S = 5.0
_PINNED_S = 1.0
#: A current that falls by more than this share of span from one quarter second to the next is on its way down.
_FALLING = 0.01
_LOOK_BACK_S = 0.5


@dataclass(slots=True)
class Stretch:
    """A condition from its beginning to the last sample at which it held (unix s)."""

    kind: str
    from_s: float
    to_s: float
    detail: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class WatchCarry:
    """Open conditions and running values between calls."""

    since: dict[str, float] = field(default_factory=dict)
    total: dict[str, float] = field(default_factory=dict)  # sum and number of the readings in an open condition
    count: dict[str, int] = field(default_factory=dict)
    high: float = 0.0  # corridor of demand
    low: float = 0.0
    unknown_s: float = 0.0  # for how long the command has not been read
    last_s: float = float("-inf")
    quiet_since_s: float = float("-inf")  # since when the machine is stopped or not enabled
    lowest_quiet_bar: float = float("inf")
    same_value: dict[str, float] = field(default_factory=dict)
    same_since: dict[str, float] = field(default_factory=dict)
    same_low: dict[str, float] = field(default_factory=dict)
    same_high: dict[str, float] = field(default_factory=dict)
    off_rises: int = 0  # demand rises while an inferred enable is off
    was_low: bool = True
    recent_s: list[float] = field(default_factory=list)  # times and currents of the last half second
    recent_a: list[float] = field(default_factory=list)

    def copy(self) -> WatchCarry:
        """An independent copy."""
        return dataclasses.replace(
            self,
            since=dict(self.since),
            total=dict(self.total),
            count=dict(self.count),
            recent_s=list(self.recent_s),
            recent_a=list(self.recent_a),
            same_value=dict(self.same_value),
            same_since=dict(self.same_since),
            same_low=dict(self.same_low),
            same_high=dict(self.same_high),
        )

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {name: getattr(self, name) for name in self.__slots__}


def watch(
    columns: FloatArray, sheet: Sheet, carry: WatchCarry, slowest_s: tuple[float, float], lag_s: float
) -> list[Stretch]:
    """New stretches in new samples (shape (ROWS, n)); `carry` is updated in place.

    `slowest_s`: ramp up and ramp down as left (s over the full span).
    """
    if columns.shape[1] == 0:
        return []
    time_s = columns[TIME]
    gap = gaps(time_s, carry.last_s if np.isfinite(carry.last_s) else None)
    if not np.isfinite(carry.last_s):
        gap[0] = True
    if gap[0]:
        carry.since.clear()
        carry.same_since.clear()
    high, low = corridor(columns, carry, slowest_s, lag_s, gap)
    out: list[Stretch] = []
    for kind, mask, detail_row in (
        ("command-failed", _command_failed(columns, sheet), DEMAND),
        ("command-clipped", _command_clipped(columns, sheet), DEMAND),
        ("current-lost", _current_lost(columns, sheet, low, carry), CURRENT),
        ("current-unwanted", _current_unwanted(columns, sheet, high, carry), CURRENT),
        ("pressure-unwanted", _pressure_unasked(columns, sheet, carry), PRESSURE),
    ):
        if mask is not None:
            out += _stretches(kind, mask, columns, carry, HOLD_S[kind], gap, detail_row)
    for name, row in (("command", DEMAND), ("current", CURRENT), ("pressure", PRESSURE), ("supply", SUPPLY)):
        out += _pinned(name, row, columns, sheet, carry, gap)
    _remember_current(columns, carry)
    carry.last_s = float(time_s[-1])
    return out


def _stretches(
    kind: str,
    mask: BoolArray,
    columns: FloatArray,
    carry: WatchCarry,
    hold_s: float,
    gap: BoolArray,
    row: int | None = None,
) -> list[Stretch]:
    """Runs of `mask` that have held long enough; `value` is the mean reading of `row` since the condition began."""
    if not mask.any():
        carry.since.pop(kind, None)
        return []
    time_s = columns[TIME]
    edges = _edges(np.diff(mask) | gap[1:], mask.size)
    out = []
    for a, b in itertools.pairwise(edges):
        if not mask[a]:
            carry.since.pop(kind, None)
            continue
        if a > 0 or kind not in carry.since:
            carry.since[kind], carry.total[kind], carry.count[kind] = float(time_s[a]), 0.0, 0
        begin = carry.since[kind]
        detail = {}
        if row is not None:
            values = columns[row, a:b][np.isfinite(columns[row, a:b])]
            carry.total[kind] += float(values.sum())
            carry.count[kind] += int(values.size)
            detail["value"] = carry.total[kind] / carry.count[kind] if carry.count[kind] else float("nan")
        if time_s[b - 1] - begin >= hold_s:
            out.append(Stretch(kind, begin, float(time_s[b - 1]), detail))
    return out


def _edges(changes: BoolArray, n: int) -> list[int]:
    """Ends of runs: 0, the index after each change, n."""
    return [0, *(np.flatnonzero(changes) + 1).tolist(), n]


def _command_failed(columns: FloatArray, sheet: Sheet) -> BoolArray | None:
    """NAMUR NE 43: at or under 3.6 mA or at or over 21 mA the signal has failed. Only a live zero can show it."""
    if sheet.signal.kind is not SignalKind.MA_4_20:
        return None
    reading = sheet.signal.at_zero + columns[DEMAND] * (sheet.signal.at_full - sheet.signal.at_zero)
    active = (columns[STATE] != STOPPED) & (columns[STATE] != NOT_ENABLED)
    failed: BoolArray = ((reading <= 3.6) | (reading >= 21.0)) & active
    return failed


def _command_clipped(columns: FloatArray, sheet: Sheet) -> BoolArray:
    """Sustained beyond 3.8 / 20.5 mA (NE 43), or 2 % outside any other range; at the ends is normal operation."""
    demand = columns[DEMAND]
    if sheet.signal.kind is SignalKind.MA_4_20:
        reading = 4.0 + demand * 16.0
        beyond = ((reading < 3.8) & (reading > 3.6)) | ((reading > 20.5) & (reading < 21.0))
    else:
        beyond = (demand < -0.02) | (demand > 1.02)
    sustained: BoolArray = beyond & (columns[STATE] == PRODUCING)
    return sustained


def _ends(sheet: Sheet) -> tuple[float, float] | None:
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    return None if zero is None or full is None else (zero, full)


def _current_lost(columns: FloatArray, sheet: Sheet, low: FloatArray, carry: WatchCarry) -> BoolArray | None:
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
    lost |= none_flows & _risen_twice(columns[DEMAND], ~(enabled | told), carry)
    return lost


def _risen_twice(demand: FloatArray, off: BoolArray, carry: WatchCarry) -> BoolArray:
    """Where a driver that seems off has seen the command rise twice since, and is commanded now, shape (n,)."""
    out = np.zeros(off.size, dtype=bool)
    for a, b in itertools.pairwise(_edges(off[1:] != off[:-1], off.size)):
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


def _current_unwanted(columns: FloatArray, sheet: Sheet, high: FloatArray, carry: WatchCarry) -> BoolArray | None:
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


def _remember_current(columns: FloatArray, carry: WatchCarry) -> None:
    """Keep the good readings of the last half second."""
    read = np.isfinite(columns[CURRENT])
    time_s = np.concatenate((carry.recent_s, columns[TIME, read]))
    current = np.concatenate((carry.recent_a, columns[CURRENT, read]))
    first = int(np.searchsorted(time_s, columns[TIME, -1] - 1.1 * _LOOK_BACK_S))
    carry.recent_s, carry.recent_a = time_s[first:].tolist(), current[first:].tolist()


def _pressure_unasked(columns: FloatArray, sheet: Sheet, carry: WatchCarry) -> BoolArray | None:
    """Pressure that rises by a tenth of full pressure while the machine is stopped or the driver not enabled."""
    full = sheet.as_left.get("pressure_at_full")
    pressure = columns[PRESSURE]
    if full is None or sheet.controls != "pressure":
        return None
    quiet = (columns[STATE] == STOPPED) | (columns[STATE] == NOT_ENABLED)
    out = np.zeros(quiet.size, dtype=bool)
    if not quiet.any():
        carry.lowest_quiet_bar = float("inf")
        return out
    for a, b in itertools.pairwise(_edges(quiet[1:] != quiet[:-1], quiet.size)):
        if a > 0 or not quiet[a]:
            carry.lowest_quiet_bar = float("inf")
        if quiet[a]:
            lowest = np.fmin.accumulate(np.concatenate(([carry.lowest_quiet_bar], pressure[a:b])))
            carry.lowest_quiet_bar = float(lowest[-1])
            out[a:b] = pressure[a:b] > lowest[1:] + 0.1 * full
    return out


def _pinned(
    name: str, row: int, columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray
) -> list[Stretch]:
    """A reading at the end of its instrument's range for 1 s, or exactly constant for 5 s while the command moves."""
    values = columns[row]
    finite = np.isfinite(values)
    kind = f"stuck:{name}"
    if not finite.any():
        carry.since.pop(f"pinned:{name}", None)
        carry.same_since.pop(kind, None)
        return []
    out: list[Stretch] = []
    instrument = sheet.instruments.get(name)
    if instrument is not None and instrument.range_high is not None:
        reading = values
        if name == "command":
            reading = sheet.signal.at_zero + values * (sheet.signal.at_full - sheet.signal.at_zero)
        span = instrument.range_high - (instrument.range_low or 0.0)
        at_end = finite & (reading >= instrument.range_high - 0.001 * span)
        for stretch in _stretches(f"pinned:{name}", at_end, columns, carry, _PINNED_S, gap):
            stretch.detail["value"] = instrument.range_high
            out.append(stretch)
    if name in {"command", "supply"}:
        return out
    active = finite & ((columns[STATE] == PRODUCING) if name == "pressure" else (columns[ENABLED] > 0.5))
    out += _stuck(kind, values, active, columns, carry, gap)
    return out


def _stuck(
    kind: str, values: FloatArray, active: BoolArray, columns: FloatArray, carry: WatchCarry, gap: BoolArray
) -> list[Stretch]:
    """Runs of one exact value, watched throughout, over which the command moved by more than a fifth."""
    time_s, demand = columns[TIME], columns[DEMAND]
    edges = _edges((np.diff(values) != 0) | (active[1:] != active[:-1]) | gap[1:], values.size)
    if not (active[0] and carry.same_value.get(kind) == values[0]):
        carry.same_since.pop(kind, None)
    out: list[Stretch] = []
    for number in _long_runs(edges, time_s, carry.same_since.get(kind)):
        a, b = edges[number], edges[number + 1]
        if not active[a]:
            carry.same_since.pop(kind, None)
            continue
        carried = a == 0 and kind in carry.same_since
        begin = carry.same_since[kind] if carried else float(time_s[a])
        known = demand[a:b][np.isfinite(demand[a:b])]
        lowest = float(known.min(initial=carry.same_low[kind] if carried else np.inf))
        highest = float(known.max(initial=carry.same_high[kind] if carried else -np.inf))
        if time_s[b - 1] - begin >= _STUCK_S and highest - lowest > 0.2:
            out.append(Stretch(kind, begin, float(time_s[b - 1]), {"value": float(values[a])}))
        if b == values.size:
            carry.same_value[kind], carry.same_since[kind] = float(values[-1]), begin
            carry.same_low[kind], carry.same_high[kind] = lowest, highest
    return out


def _long_runs(edges: list[int], time_s: FloatArray, since_s: float | None) -> list[int]:
    """Numbers of the runs worth a look: the first (it may go on from before), the last, and any over the limit."""
    starts = np.asarray(edges[:-1])
    ends = np.asarray(edges[1:]) - 1
    long = np.flatnonzero(time_s[ends] - time_s[starts] >= _STUCK_S).tolist()
    numbers = {*long, len(edges) - 2}
    if since_s is not None:
        numbers.add(0)
    return sorted(numbers)
