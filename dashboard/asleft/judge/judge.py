"""The judge's front door: begin with a sheet, step through samples, read the judgement. State in, state out.

The same code serves live data (a few seconds at a time), history and a logger's file (everything at once), and gives
the same segments and numbers however the samples are cut.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.columns import (
    CLOCK,
    CURRENT,
    DEMAND,
    ENABLE,
    ENABLED,
    MODE,
    PRESSURE,
    PUMP,
    STATE,
    TIME,
    columns_of,
    noise_of,
)
from asleft.judge.dither import measure_burst
from asleft.judge.learner import Learner
from asleft.judge.memory import JudgeState, copy_of, dumps, loads
from asleft.judge.points import close_points
from asleft.judge.segments import Scale, cut
from asleft.judge.states import PRODUCING, STOPPED, StateCarry, gaps, hours_of, intervals_of, judge_states, surest
from asleft.judge.summary import summarise
from asleft.judge.types import ChartPoint, FloatArray, Judgement, Samples, StateInterval
from asleft.judge.watch import Stretch, watch
from asleft.sheet.model import Sheet

__all__ = ["JudgeState", "StepOutcome", "begin", "dumps", "expected_current", "judge_log", "loads", "step"]

#: Producing time that the live as-found rests on (s).
LIVE_HORIZON_S = 600.0
_SCALE_SAMPLES = 300
_GAP_S = 3600.0
_PAUSE_S = 1.5  # no time is counted over a longer pause between samples
_FAILED_BIN_S = 10.0
#: Pressure is read as the sensor's zero in this part of a stop (s from its beginning).
_VENTED_S = (60.0, 120.0)
_MOST_BURSTS = 300
_USUAL_LAG_S = 0.03
_CUT_SAMPLES = 50_000  # cut at once: bounds memory, changes nothing
_SLOW_SAMPLES = 2400  # a full ramp is thinned to at most this many samples


@dataclass(frozen=True, slots=True)
class StepOutcome:
    """What a step gives back: the next state, the judgement now, new state intervals, new points of history."""

    state: JudgeState
    judgement: Judgement
    intervals: tuple[StateInterval, ...]
    points: tuple[ChartPoint, ...]


def begin(sheet: Sheet, *, horizon_s: float | None = LIVE_HORIZON_S) -> JudgeState:
    """Fresh state for a revision of a sheet. `horizon_s`: producing time as-found rests on, None for all of it."""
    learner = Learner(sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0))
    return JudgeState(sheet.revision.number, learner, horizon_s)


def step(sheet: Sheet, state: JudgeState, samples: Samples) -> StepOutcome:
    """Judge further samples of a valve; times must lie after those already judged (others are left out).

    `state` is not changed. Never raises for poor data.
    """
    state = copy_of(state)
    intervals: list[StateInterval] = []
    points: list[ChartPoint] = []
    _take_bursts(sheet, state, samples)
    for part in _parts(samples, state.to_s):
        if state.to_s is not None and part.time_s[0] - state.to_s > _GAP_S:
            points += close_points(sheet, state, at_gap=True)
        intervals += _advance(sheet, state, part)
        points += close_points(sheet, state, at_gap=False)
    _trim(state)
    judgement = summarise(sheet, state)
    return StepOutcome(state, judgement, tuple(intervals), tuple(points))


def judge_log(sheet: Sheet, samples: Samples, *, dropped: Mapping[str, int] | None = None) -> Judgement:
    """Judge a whole recording at once; as-found rests on all of it. `dropped`: readings left out, by reason."""
    state = begin(sheet, horizon_s=None)
    _take_bursts(sheet, state, samples)
    parts = _parts(samples, None)
    for part in parts:
        _advance(sheet, state, part)
    if state.scale is None:
        _set_scale(sheet, state, state.waiting)
    _segment(state, state.waiting, flush=True)
    close_points(sheet, state, at_gap=True)
    state.missing = {reason: count for reason, count in (dropped or {}).items() if count > 0}
    return summarise(sheet, state)


def expected_current(
    sheet: Sheet, samples: Samples, *, as_found: Mapping[str, float] | None = None, lag_s: float = 0.02
) -> FloatArray:
    """Expected coil current (A) at each sample, shape (n,), from the measured command and the sheet's settings.

    `as_found` replaces settings by name. NaN where the command is unknown or the sheet has no currents. The first
    sample is taken as settled, so start some seconds earlier than what is to be shown. Where the driver is not
    enabled (channel `enable`, or a current under 30 % of the current at zero) zero is expected.
    """
    values = {**sheet.as_left, **(as_found or {})}
    n = samples.time_s.size
    zero, full = values.get("current_at_zero"), values.get("current_at_full")
    command = samples.channels.get("command")
    if zero is None or full is None or command is None or n == 0:
        return np.full(n, np.nan)
    columns = columns_of(samples, sheet.signal)
    judge_states(columns, sheet, StateCarry())
    up = 1.0 / max(values.get("ramp_up", 0.0), 1e-6)
    down = 1.0 / max(values.get("ramp_down", 0.0), 1e-6)
    off = sheet.signal.off_below_pct / 100.0
    out = np.empty(n)
    step_s = np.diff(samples.time_s, prepend=samples.time_s[0])
    rows = zip(columns[DEMAND].tolist(), step_s.tolist(), (columns[ENABLED] > 0.5).tolist(), strict=True)
    r: float | None = None
    y = 0.0
    for k, (raw, dt, on) in enumerate(rows):
        if raw != raw:
            out[k] = math.nan
            continue
        u = min(max(raw, 0.0), 1.0)
        flows = on and (off <= 0.0 or u >= off)
        if not flows:
            r, target = 0.0, 0.0
        else:
            if r is None:
                r = u
            r += min(max(u - r, -down * dt), up * dt)
            target = zero + r * (full - zero)
        if k == 0:
            y = target
        y += (target - y) * (1.0 - math.exp(-dt / lag_s)) if dt > 0 else 0.0
        out[k] = y
    return out


def _parts(samples: Samples, after_s: float | None) -> list[Samples]:
    """Cut at gaps over an hour, leaving out what is not later than all before it (and `after_s`)."""
    newest = np.fmax.accumulate(np.concatenate(([-np.inf if after_s is None else after_s], samples.time_s)))
    fresh = samples.time_s > newest[:-1]
    if not fresh.all():
        samples = Samples(samples.time_s[fresh], {name: v[fresh] for name, v in samples.channels.items()})
    time_s = samples.time_s
    if time_s.size == 0:
        return []
    cuts = [0, *(np.flatnonzero(np.diff(time_s) > _GAP_S) + 1).tolist(), time_s.size]
    return [
        Samples(time_s[a:b], {name: values[a:b] for name, values in samples.channels.items()})
        for a, b in itertools.pairwise(cuts)
    ]


def _advance(sheet: Sheet, state: JudgeState, samples: Samples) -> list[StateInterval]:
    """Take one unbroken-enough part in: states, watch, segments, bookkeeping."""
    _count_failed(state, samples)
    columns = columns_of(samples, sheet.signal)
    interval = state.scale.interval_s if state.scale else _interval(samples.time_s)
    gap = gaps(samples.time_s, state.to_s)
    state.states, basis = judge_states(columns, sheet, state.states)
    for name, words in basis.items():
        state.basis[name] = surest(state.basis.get(name, words), words)
    step_s = np.diff(samples.time_s, prepend=samples.time_s[0] if state.to_s is None else state.to_s)
    step_s[step_s > max(_PAUSE_S, 5.0 * interval)] = 0.0
    _run_clock(columns, state, step_s)
    left = (state.learner.left_up_s, state.learner.left_down_s)
    _merge_stretches(state, watch(columns, sheet, state.watch, left, _USUAL_LAG_S))
    for name, hours in hours_of(columns, step_s).items():
        state.hours[name] = state.hours.get(name, 0.0) + hours
    _vented(sheet, state, columns, gap)
    state.samples += samples.time_s.size
    state.from_s = float(samples.time_s[0]) if state.from_s is None else state.from_s
    state.to_s = float(samples.time_s[-1])
    state.last_state = int(columns[STATE, -1])
    if state.scale is None:
        state.waiting = np.concatenate((state.waiting, columns[:, np.isfinite(columns[DEMAND])]), axis=1)
        if state.waiting.shape[1] >= _SCALE_SAMPLES:
            waiting, state.waiting = state.waiting, state.waiting[:, :0]
            _set_scale(sheet, state, waiting)
            _segment(state, waiting, flush=False)
    else:
        if not state.scale.has_current and "current" in state.channels:
            state.scale = replace(state.scale, has_current=True)
        _segment(state, columns, flush=False)
    return list(intervals_of(columns, state.basis, interval))


def _interval(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.01


def _set_scale(sheet: Sheet, state: JudgeState, columns: FloatArray) -> None:
    """Fix interval, noise and the threshold of a move from the first samples, however many there are."""
    first = columns[:, :_SCALE_SAMPLES]
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    span = (full - zero) if zero is not None and full is not None else 1.0
    has_current = "current" in state.channels
    demand_noise = max(noise_of(first[DEMAND]), 1e-4)
    state.learner.noise_a = max(noise_of(first[CURRENT, first[ENABLED] > 0.5]), 2e-4 * span)
    move = max(0.006, 8.0 * demand_noise)
    state.scale = Scale(_interval(first[TIME]), demand_noise, move, span, has_current)


def _run_clock(columns: FloatArray, state: JudgeState, step_s: FloatArray) -> None:
    """Row CLOCK: producing time so far, gaps not counted."""
    producing = np.where(columns[STATE] == PRODUCING, step_s, 0.0)
    columns[CLOCK] = np.cumsum(np.concatenate(([state.clock_s], producing)))[1:]
    state.clock_s = float(columns[CLOCK, -1])


def _segment(state: JudgeState, columns: FloatArray, *, flush: bool) -> None:
    scale = state.scale
    if scale is None:
        return
    thin = _thinning(state, scale.interval_s)
    if thin > 1:
        columns = np.concatenate((state.rest, columns), axis=1)
        whole = columns.shape[1] - columns.shape[1] % thin
        state.rest, columns = columns[:, whole:], _averaged(columns[:, :whole], thin)
        scale = replace(scale, interval_s=scale.interval_s * thin)
    for first in range(0, max(columns.shape[1], 1), _CUT_SAMPLES):
        last = first + _CUT_SAMPLES
        joined = np.concatenate((state.tail, columns[:, first:last]), axis=1)
        result = cut(joined, state.carry, scale, state.learner, flush=flush and last >= columns.shape[1])
        state.tail, state.carry = result.tail, result.carry
        state.dwells += result.dwells
        state.strokes += result.strokes


def _thinning(state: JudgeState, interval_s: float) -> int:
    """Slow ramps need few samples: a full one is thinned to at most 2400. Fixed by the sheet, so always the same."""
    slowest = max(state.learner.left_up_s, state.learner.left_down_s)
    return max(1, int(slowest / interval_s / _SLOW_SAMPLES))


def _averaged(columns: FloatArray, thin: int) -> FloatArray:
    """Means of `thin` neighbours; the last of them for rows that are no quantity."""
    grouped = columns.reshape(columns.shape[0], -1, thin)
    out: FloatArray = grouped.mean(axis=2)
    for row in (MODE, ENABLE, PUMP, STATE, ENABLED, CLOCK):
        out[row] = grouped[row, :, -1]
    return out


def _merge_stretches(state: JudgeState, new: list[Stretch]) -> None:
    for stretch in new:
        known = next((s for s in reversed(state.stretches) if s.kind == stretch.kind), None)
        if known is not None and stretch.from_s <= known.to_s + 1.0:
            known.to_s = max(known.to_s, stretch.to_s)
            known.detail = stretch.detail
        else:
            state.stretches.append(stretch)


def _vented(sheet: Sheet, state: JudgeState, columns: FloatArray, gap: npt.NDArray[np.bool_]) -> None:
    """Pressure in the second minute of a stop, if vented by then: the sensor's own zero, free of the valve."""
    full = sheet.as_left.get("pressure_at_full")
    if full is None:
        return
    stopped = columns[STATE] == STOPPED
    cuts = [0, *(np.flatnonzero(np.diff(stopped) | gap[1:]) + 1).tolist(), stopped.size]
    for a, b in itertools.pairwise(cuts):
        since = state.vented_since_s
        if since is not None and (a > 0 or gap[0] or not stopped[a]):
            _end_vented(state, full)
            state.vented_since_s = since = None
        if not stopped[a]:
            continue
        if since is None:
            state.vented_since_s = since = float(columns[TIME, a])
        age = columns[TIME, a:b] - since
        values = columns[PRESSURE, a:b][(age > _VENTED_S[0]) & (age <= _VENTED_S[1])]
        values = values[np.isfinite(values)]
        state.vented_sum += float(values.sum())
        state.vented_count += int(values.size)
        if age[-1] > _VENTED_S[1]:
            _end_vented(state, full)


def _end_vented(state: JudgeState, full_bar: float) -> None:
    """Take what was read in a stop; as left is the first such reading."""
    if state.vented_count >= 50 and abs(state.vented_sum) <= 0.08 * full_bar * state.vented_count:
        state.vented_now_bar = state.vented_sum / state.vented_count
        if state.vented_left_bar is None:
            state.vented_left_bar = state.vented_now_bar
    state.vented_sum, state.vented_count = 0.0, 0


def _count_failed(state: JudgeState, samples: Samples) -> None:
    """Failed readings of each channel since its first good one, by time, for the share over the horizon."""
    n = samples.time_s.size
    failed = np.zeros(n, dtype=np.int64)
    known = set(state.channels)
    for name, values in samples.channels.items():
        good = np.isfinite(values)
        if name not in known:
            if not good.any():
                continue
            known.add(name)
            good[: int(np.argmax(good))] = True
        failed += ~good
    state.channels = tuple(sorted(known))
    bins = np.floor(samples.time_s / _FAILED_BIN_S)
    cuts = [0, *(np.flatnonzero(np.diff(bins)) + 1).tolist(), n]
    for a, b in itertools.pairwise(cuts):
        entry = (float(bins[a]) * _FAILED_BIN_S, int(failed[a:b].sum()), (b - a) * max(len(samples.channels), 1))
        if state.failed and state.failed[-1][0] == entry[0]:
            last = state.failed.pop()
            entry = (entry[0], last[1] + entry[1], last[2] + entry[2])
        state.failed.append(entry)


def _take_bursts(sheet: Sheet, state: JudgeState, samples: Samples) -> None:
    least = 0.02 * sheet.as_left.get("dither_amplitude", 0.02)
    flowing = max(0.5 * sheet.as_left.get("current_at_zero", 0.0), 0.05 * sheet.as_left.get("current_at_full", 0.0))
    for burst in samples.bursts:
        if state.bursts and burst.start_s <= state.bursts[-1].at_s:
            continue
        if not burst.current_a.size or float(np.mean(burst.current_a)) < flowing:
            continue  # the driver is off: no dither to be expected
        result = measure_burst(burst, least)
        if result is not None:
            state.bursts.append(result)


def _trim(state: JudgeState) -> None:
    """Forget what lies before the horizon."""
    horizon = state.horizon_s
    if horizon is None or state.to_s is None:
        return
    newest = max((d.clock_s for d in state.dwells[-1:]), default=0.0)
    since = newest - horizon
    keep = min(since, state.point_from_s)
    state.dwells = [d for d in state.dwells if d.clock_s >= keep]
    state.strokes = [s for s in state.strokes if s.clock_s >= keep]
    oldest = min((d.from_s for d in state.dwells[:1]), default=state.to_s) - 60.0
    state.bursts = [b for b in state.bursts if b.at_s >= oldest][-_MOST_BURSTS:]
    state.failed = [f for f in state.failed if f[0] >= state.to_s - horizon - _FAILED_BIN_S]
    state.stretches = [s for s in state.stretches if s.to_s >= state.to_s - 60.0]
