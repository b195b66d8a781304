"""Current and pressure against what the command asks for: lost, unwanted, or there before it was asked for.

The current is compared with a envelope that is right for any ramp up to three times as slow as left, and a current
that is still on its way down is not called unwanted however slowly it falls: that is the ramp check's business.

A current that is away for less than it takes to call it lost is a break; three breaks are a contact that comes and
goes. Without an enable channel `intake.holding` tells a lost current from a driver that is off.

Misses: a current under a fifth of the span too high; without an enable channel, a driver that is off and lets less
through than an enabled one at zero command and a fifth of the span; breaks of one sample, and those while less than
three tenths of the full current must flow, or in the first half second of a rise that the current must follow.
"""

from __future__ import annotations

import itertools
from typing import Protocol

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.holding import STANDS_S, BoolArray
from asleft.judge.intake.intake import CURRENT, DEMAND, ENABLE, ENABLED, PRESSURE, STATE, TIME
from asleft.judge.intake.states import NOT_ENABLED, STOPPED
from asleft.judge.medians import mean_of, median_of
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


def _least_ends(sheet: Sheet) -> tuple[float, float] | None:
    """The same for what must flow at least: where the sheet does not say what zero command asks for, none."""
    full = sheet.as_left.get("current_at_full")
    return None if full is None else (sheet.as_left.get("current_at_zero", 0.0), full)


def _none_a(ends: tuple[float, float]) -> float:
    """A current (A) under which none flows, as `intake.states` has it."""
    return max(0.3 * ends[0], 0.03 * ends[1])


def _must_flow(low: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """What flows at least while the driver is enabled (A), shape (n,); `low`: lower edge of the envelope."""
    least: FloatArray = ends[0] + np.maximum(low, 0.0) * (ends[1] - ends[0])
    return least


def current_lost(columns: FloatArray, sheet: Sheet, low: FloatArray) -> BoolArray | None:
    """Enabled, commanded, and under a fifth of what must flow; by the states where no channel tells the enable."""
    ends = _least_ends(sheet)
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
    ends = _least_ends(sheet)
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
    ends = _least_ends(sheet)
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


# Highest and lowest demand the current may still be answering, for any ramp up to three times as slow as left.

#: An unread command leaves the envelope as it is for so long; then anything may be commanded.
_BRIDGE_S = 0.5


class Edges(Protocol):
    """Where the envelope stands between calls, and since when the command has not been read."""

    high: float
    low: float
    unknown_s: float
    last_s: float


def expected_envelope(
    columns: FloatArray,
    carry: Edges,
    slowest_s: tuple[float, float],
    lag_s: float,
    gap: npt.NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray]:
    """Envelope at new samples (columns of shape (ROWS, n)), shape (n,) each; `carry` is updated in place.

    Its upper edge falls with a third of the slowest ramp down until it meets the command and rises with it at once,
    its lower edge the other way round. `slowest_s`: ramp up and down (s); `gap`: where a pause lies before a sample,
    after which it closes on the next command.
    """
    time_s, demand = columns[TIME], columns[DEMAND]
    rise = 1.0 / max(3.0 * slowest_s[0], 10.0 * lag_s, 0.05)
    fall = 1.0 / max(3.0 * slowest_s[1], 10.0 * lag_s, 0.05)
    step_s = np.diff(time_s, prepend=time_s[0] if gap[0] else carry.last_s)
    read = np.isfinite(demand)
    high, low = np.empty(demand.size), np.empty(demand.size)
    cuts = np.flatnonzero((read[1:] != read[:-1]) | gap[1:]) + 1
    for a, b in itertools.pairwise([0, *cuts.tolist(), demand.size]):
        if read[a]:
            carry.unknown_s = 0.0
            if gap[a]:
                carry.high, carry.low = -np.inf, np.inf
                step_s[a] = 0.0
            # the largest of what was commanded before, each less what has fallen since: a running maximum
            since_s = np.cumsum(step_s[a:b])
            falls, rises = fall * since_s, rise * since_s
            high[a:b] = np.maximum(np.maximum.accumulate(demand[a:b] + falls), carry.high) - falls
            low[a:b] = np.minimum(np.minimum.accumulate(demand[a:b] - rises), carry.low) + rises
        else:
            unknown_s = carry.unknown_s + np.cumsum(np.where(gap[a:b], np.inf, step_s[a:b]))
            carry.unknown_s = float(unknown_s[-1])
            high[a:b] = np.where(unknown_s > _BRIDGE_S, 1.0, carry.high)
            low[a:b] = np.where(unknown_s > _BRIDGE_S, 0.0, carry.low)
        carry.high, carry.low = float(high[b - 1]), float(low[b - 1])
    return high, low


# Pressure that comes while nobody can have asked for it: the machine stopped, or its driver not enabled.
#
# Misses: less than a tenth of full pressure; with the pump on and the driver off, what the valve lets through at
# zero command and a tenth more. Cries wolf: stored pressure that a load makes rise again after a stop.


def pressure_unasked(columns: FloatArray, sheet: Sheet, carry: WatchCarry) -> BoolArray | None:
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
    for a, b in itertools.pairwise(edges(quiet[1:] != quiet[:-1], quiet.size)):
        if a > 0 or not quiet[a]:
            carry.lowest_quiet_bar = float("inf")
        if quiet[a]:
            lowest = np.fmin.accumulate(np.concatenate(([carry.lowest_quiet_bar], pressure[a:b])))
            carry.lowest_quiet_bar = float(lowest[-1])
            out[a:b] = pressure[a:b] > lowest[1:] + 0.1 * full
    # With the driver off the pump may start: what the valve lets through without current is nobody's fault.
    zero = sheet.as_left.get("pressure_at_zero", 0.0)
    out &= (columns[STATE] == STOPPED) | (pressure > zero + 0.1 * full)
    return out


# A current that moves before the command that asks for it: the reading of the command comes late.
#
# Nothing answers before it is asked. Looked at are steps of a command that had stood for 2.1 s. The current rested
# at its level from 1.7 to 1.1 s before the step; where it has left that in the direction of the step a tenth of a
# second (and two samples) before it, it came first. Four such steps in a row, up and down among them, are no chance.
# A current that also leaves its level the other way, or goes from it while the command stands, wanders by itself
# (dither that beats with the logger, a disturbance), and seems to come first by chance: every such step asks for
# eight more in the row, and is forgotten over the next hundred.
#
# Misses: less than a tenth of a second or two samples, ramps so slow that the current moves by less than 2 % of the
# span meanwhile, commands that stand for shorter, and those that move along slopes, whose beginning nobody sees
# well.

FORESTALLED = "command-late"
_STANDS_S, _RESTS_S = 2.1, (1.7, 1.1)
_AHEAD_S, _WINDOW_S = 0.1, 0.1
_STEP_TAKES_S, _SEEN_S = 0.03, 0.05
_STEP, _STANDS = 0.1, 0.03  # of the command
_LEAST, _MOST, _AT_LEVEL = 0.02, 0.1, 0.1  # of the span of the current
_FAR_AWAY = 0.005  # of the span, within half a second of a command that stands
_TIMES_NOISE = 6.0
_IN_A_ROW, _MORE_IF_CONTRARY, _FORGOTTEN_AFTER = 4, 8.0, 100.0
_LEAST_EARLY_READINGS = 3
_KEPT = 40  # steps
_LATELY_S, _ALIKE_S = 600.0, 0.05
_LONGEST_PAUSE_S = 0.25


def forestalled(columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray) -> list[Stretch]:
    """Stretches of steps that the current forestalled in new samples (shape (ROWS, n)); `carry` is updated in place.

    `times`: steps; `lead_s`: by how much the current came first at the last of them.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        return []
    if gap.any():
        carry.earlier, carry.ahead_s = [], []
        columns = columns[:, int(np.flatnonzero(gap)[-1]) :]
    good = np.isfinite(columns[DEMAND]) & np.isfinite(columns[CURRENT]) & (columns[ENABLED] > 0.5)
    before = np.array(carry.earlier).reshape(-1, 3).T
    time_s, demand, current = np.concatenate((before, columns[np.ix_([TIME, DEMAND, CURRENT], good)]), axis=1)
    out: list[Stretch] = []
    for k in _steps(time_s, demand):
        if time_s[k] <= carry.stepped_s:
            continue
        if k + 1 >= time_s.size or time_s[-1] < time_s[k] + _SEEN_S:
            break
        carry.stepped_s = float(time_s[k])
        lead_s = _lead_s(time_s[: k + 1], demand[: k + 2], current[: k + 1], (zero, full))
        if lead_s is None:
            continue
        carry.contrary = max(carry.contrary - 1.0 / _FORGOTTEN_AFTER, 0.0)
        if lead_s <= 0.0:
            carry.contrary += lead_s < 0.0
            carry.ahead_s = []
            continue
        step_s = float(time_s[k]) * (1.0 if demand[k] > demand[k - 1] else -1.0)
        carry.ahead_s = [*carry.ahead_s, step_s][-_KEPT:]
        lately = [one for one in carry.ahead_alike if abs(one[0]) > time_s[k] - _LATELY_S]
        carry.ahead_alike = [*lately, [step_s, lead_s]][-_KEPT:]
        out += _stretches_of(carry, lead_s)
    first = max(int(np.searchsorted(time_s, time_s[-1] - 1.1 * _STANDS_S)) - 1, 0) if time_s.size else 0
    carry.earlier = np.stack((time_s, demand, current), axis=1)[first:].tolist()
    return out


def _stretches_of(carry: WatchCarry, lead_s: float) -> list[Stretch]:
    """Steps not yet told, of a row or of those alike, where either are enough."""
    alike = [step_s for step_s, one_s in carry.ahead_alike if abs(one_s - lead_s) < _ALIKE_S]
    for steps in (carry.ahead_s, alike):
        if len(steps) < _IN_A_ROW + _MORE_IF_CONTRARY * carry.contrary or min(steps) > 0.0 or max(steps) < 0.0:
            continue
        new = [abs(step_s) for step_s in steps if abs(step_s) > carry.ahead_told_s]
        if not new:  # times that went back
            continue
        carry.ahead_told_s = new[-1]
        return [Stretch(FORESTALLED, new[0] - lead_s, new[-1], {"times": float(len(new)), "lead_s": lead_s})]
    return []


def _steps(time_s: FloatArray, demand: FloatArray) -> list[int]:
    """First samples after steps of the command by a tenth within 0.03 s or one sample."""
    if time_s.size < 2:
        return []
    ago = np.searchsorted(time_s, time_s - _STEP_TAKES_S)
    ago = np.minimum(ago, np.arange(time_s.size) - 1)
    ago[0] = 0
    big = np.abs(demand - demand[ago]) >= _STEP
    ends = np.flatnonzero(big & ~np.concatenate(([False], big[:-1])))
    out = []
    for end in ends.tolist():
        from_u = demand[ago[end]]
        out.append(int(ago[end]) + 1 + int(np.argmax(np.abs(demand[ago[end] + 1 : end + 1] - from_u) > _STANDS)))
    return out


def _lead_s(time_s: FloatArray, demand: FloatArray, current: FloatArray, ends: tuple[float, float]) -> float | None:
    """By how much the current came before the step at the last sample of `time_s` (s); 0: not, None: not known.

    Negative where it wanders by itself: it had left its level the other way, or went from it while the command stood.
    `demand` has the sample after the step too.
    """
    k = time_s.size - 1
    step_s, span_a = time_s[k], ends[1] - ends[0]
    stood = slice(int(np.searchsorted(time_s, step_s - _STANDS_S)), k)
    if time_s[0] > step_s - _STANDS_S or stood.stop - stood.start < _LEAST_EARLY_READINGS:
        return None
    level = median_of(demand[stood])
    pauses = np.diff(time_s[stood.start :])
    if np.abs(demand[stood] - level).max() > _STANDS or pauses.max() > _LONGEST_PAUSE_S:
        return None
    at_rest = _between(time_s, step_s - _RESTS_S[0], step_s - _RESTS_S[1])
    rest = current[at_rest]
    last = min(k - 2, int(np.searchsorted(time_s, step_s - _AHEAD_S, side="right")) - 1)
    if rest.size < _LEAST_EARLY_READINGS or last < 0 or time_s[last] < step_s - 0.5 * _RESTS_S[1]:
        return None
    rested_a, half = mean_of(rest), rest.size // 2
    least_a = max(_LEAST * span_a, _TIMES_NOISE * _scatter_of_means(time_s[at_rest], rest))
    drift_a = mean_of(rest[half:]) - mean_of(rest[:half])
    off_a = rested_a - (ends[0] + min(max(level, 0.0), 1.0) * span_a)
    if abs(drift_a) > max(0.25 * least_a, _FAR_AWAY * span_a) and drift_a * off_a > 0.0:
        return -1.0
    if least_a > _MOST * span_a or abs(drift_a) > 0.25 * least_a or abs(off_a) > _AT_LEVEL * span_a:
        return None
    sign = 1.0 if mean_of(demand[k : k + 2]) > level else -1.0
    moved_a = sign * (current - rested_a)
    ahead_a = float(moved_a[_between(time_s, time_s[last] - _WINDOW_S, time_s[last])].mean())
    if ahead_a < least_a:
        return -1.0 if ahead_a < -least_a else 0.0
    since = int(np.flatnonzero(moved_a[: last + 1] < 0.5 * least_a)[-1]) + 1
    return float(step_s - time_s[min(since, last)])


def _scatter_of_means(time_s: FloatArray, values: FloatArray) -> float:
    """Standard deviation of means over windows as long as that in which a current is seen to have left its level."""
    window = ((time_s - time_s[0]) / _WINDOW_S).astype(np.int64)
    means = np.bincount(window, values) / np.maximum(np.bincount(window), 1)
    return float(means[np.bincount(window) > 0].std())


def _between(time_s: FloatArray, from_s: float, to_s: float) -> npt.NDArray[np.bool_]:
    return (time_s >= from_s) & (time_s <= to_s)
