"""Conditions seen sample by sample, as stretches of time, and what must be remembered of them between calls."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.intake.columns import TIME
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray


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
    lowest_quiet_bar: float = float("inf")  # since the machine is stopped or not enabled
    same_value: dict[str, float] = field(default_factory=dict)  # of readings that do not change, by condition
    same_since: dict[str, float] = field(default_factory=dict)
    same_low: dict[str, float] = field(default_factory=dict)  # of what they should follow
    same_high: dict[str, float] = field(default_factory=dict)
    swings: int = 0  # of the current since the command's reading stands still
    swung_high: float = 0.0  # where the last one ended: +1 high, -1 low, 0 not known
    off_rises: int = 0  # demand rises while an inferred enable is off
    was_low: bool = True
    recent_s: list[float] = field(default_factory=list)  # times and currents of the last half second
    recent_a: list[float] = field(default_factory=list)


def edges(changes: BoolArray, n: int) -> list[int]:
    """Ends of runs: 0, the index after each change, n."""
    return [0, *(np.flatnonzero(changes) + 1).tolist(), n]


def stretches(
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
    out = []
    for a, b in itertools.pairwise(edges(np.diff(mask) | gap[1:], mask.size)):
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
