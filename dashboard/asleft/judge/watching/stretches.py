"""Conditions seen sample by sample, as stretches of time, and what must be remembered of them between calls."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from asleft.catalogue.finding_kinds import DANGER_KINDS
from asleft.judge.intake.holding import BoolArray
from asleft.judge.intake.intake import TIME
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
    begun_s: dict[str, float] = field(default_factory=dict)  # when what it is about began, if that was earlier
    total: dict[str, float] = field(default_factory=dict)  # sum and number of the readings in an open condition
    count: dict[str, int] = field(default_factory=dict)
    high: float = 0.0  # envelope of demand
    low: float = 0.0
    unknown_s: float = 0.0  # for how long the command has not been read
    last_s: float = float("-inf")
    lowest_quiet_bar: float = float("inf")  # since the machine is stopped or not enabled
    same_value: dict[str, float] = field(default_factory=dict)  # of readings that do not change, by condition
    same_since: dict[str, float] = field(default_factory=dict)
    same_low: dict[str, float] = field(default_factory=dict)  # of what they should follow
    same_high: dict[str, float] = field(default_factory=dict)
    same_moved_s: dict[str, float] = field(default_factory=dict)  # since when that has moved (unix s); inf: not yet
    swings: int = 0  # of the current since the command's reading stands still
    swung_high: float = 0.0  # where the last one ended: +1 high, -1 low, 0 not known
    held_s: dict[str, float] = field(default_factory=dict)  # what a condition has held more than not, see `counted`
    confirmed: dict[str, bool] = field(default_factory=dict)  # counted conditions that have held long enough
    none_since_s: float | None = None  # since when no current flows (unix s)
    flowed: list[float] | None = None  # demand and current (A) when it last flowed as it must
    break_s: float | None = None  # beginning and end so far of a break of the current (unix s), its samples
    break_to_s: float = 0.0
    break_n: int = 0
    break_a: float = 0.0  # its lowest reading
    recent_s: list[float] = field(default_factory=list)  # of the last half second: times, currents, lower edges
    recent_a: list[float] = field(default_factory=list)
    recent_low: list[float] = field(default_factory=list)
    earlier: list[list[float]] = field(default_factory=list)  # time, demand, current (A) of the last two seconds
    stepped_s: float = float("-inf")  # the last step of the command that was looked at (unix s)
    ahead_s: list[float] = field(default_factory=list)  # steps in a row that came after the current, minus: down
    ahead_alike: list[list[float]] = field(default_factory=list)  # of ten minutes: such steps, by how much (s)
    ahead_told_s: float = -np.inf  # the last step that has been told
    contrary: float = 0.0  # steps before which the current had moved the other way, the old ones forgotten
    first_supply_v: list[float] = field(default_factory=list)  # until it is known whether they flicker
    supply_flickers: bool | None = None
    first_idle_supply_v: list[float] = field(default_factory=list)  # the same with the driver not enabled
    idle_supply_flickers: bool | None = None


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
    begins_s: FloatArray | None = None,
) -> list[Stretch]:
    """Runs of `mask` that have held long enough; `value` is the mean reading of `row` since the condition began.

    `begins_s`: when what a condition is about began (unix s), for one that begins at a sample, shape (n,); None: at
    that sample. It dates a condition, and is no part of how long it has held.
    """
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
            _begin(kind, float(time_s[a]), carry)
            carry.begun_s[kind] = float(time_s[a] if begins_s is None else begins_s[a])
        lasts_s = float(time_s[b - 1]) - carry.since[kind]
        detail = {} if row is None else {"value": _mean(kind, columns[row, a:b], carry), "longest_s": lasts_s}
        if lasts_s >= hold_s:
            out.append(Stretch(kind, carry.begun_s[kind], float(time_s[b - 1]), detail))
    return out


def counted(
    kind: str,
    on: BoolArray,
    off: BoolArray,
    columns: FloatArray,
    carry: WatchCarry,
    hold_s: float,
    gap: BoolArray,
    row: int,
) -> list[Stretch]:
    """Stretches of a level that noise crosses: told once it has been `on` for `hold_s` more than not.

    Over once it has been `off` for as long more than `on`; what is neither ends nothing that is told. An up-down
    counter, 0 to `hold_s`: time on counts up, other time down. `value` is the mean reading of `row` while `on`.
    """
    if not on.any() and kind not in carry.since:
        return []
    time_s = columns[TIME]
    step_s = np.maximum(np.diff(time_s, prepend=time_s[0] if gap[0] else carry.last_s), 0.0)
    step_s[gap] = 0.0
    level = np.where(on, 1, np.where(off, -1, 0))
    out = []
    for a, b in itertools.pairwise(edges((level[1:] != level[:-1]) | gap[1:], level.size)):
        if gap[a]:
            carry.since.pop(kind, None)
        lasts_s = float(step_s[a:b].sum())
        if level[a] > 0:
            if kind not in carry.since:
                _begin(kind, float(time_s[a]), carry)
                carry.held_s[kind], lasts_s = 0.0, lasts_s - float(step_s[a])
                carry.confirmed.pop(kind, None)
            carry.held_s[kind] = min(carry.held_s[kind] + lasts_s, hold_s)
            value = _mean(kind, columns[row, a:b], carry)
            if carry.held_s[kind] >= hold_s - 1e-6:
                carry.confirmed[kind] = True
            if kind in carry.confirmed:
                out.append(Stretch(kind, carry.since[kind], float(time_s[b - 1]), {"value": value}))
        elif kind in carry.since and not (level[a] == 0 and kind in carry.confirmed):
            carry.held_s[kind] -= lasts_s
            if carry.held_s[kind] <= 1e-6:
                carry.since.pop(kind)
    return out


def _begin(kind: str, at_s: float, carry: WatchCarry) -> None:
    carry.since[kind], carry.total[kind], carry.count[kind] = at_s, 0.0, 0


def _mean(kind: str, readings: FloatArray, carry: WatchCarry) -> float:
    """Mean of the readings since the condition began, further ones taken in; NaN without any."""
    values = readings[np.isfinite(readings)]
    carry.total[kind] += float(values.sum())
    carry.count[kind] += int(values.size)
    return carry.total[kind] / carry.count[kind] if carry.count[kind] else float("nan")


def dangers(stretches: Iterable[Stretch]) -> list[Stretch]:
    """Those of them that are evidence of danger."""
    return [stretch for stretch in stretches if stretch.kind in DANGER_KINDS]
