"""The judge's front door: begin with a sheet, step through samples, read the judgement. State in, state out.

The same code serves live data (a few seconds at a time), history and a logger's file (everything at once).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
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
    resolution,
)
from asleft.judge.dither import measure_burst
from asleft.judge.learner import Learner
from asleft.judge.memory import JudgeState, copy_of, dumps, loads
from asleft.judge.points import close_points
from asleft.judge.segments import Scale, cut
from asleft.judge.states import PRODUCING, STOPPED, StateCarry, hours_of, intervals_of, judge_states
from asleft.judge.summary import summarise
from asleft.judge.types import ChartPoint, FloatArray, Judgement, Samples, StateInterval
from asleft.judge.watch import Stretch, watch
from asleft.sheet.model import Sheet

__all__ = ["JudgeState", "StepOutcome", "begin", "dumps", "expected_current", "judge_log", "loads", "step"]

#: Producing time that the live as-found rests on (s).
LIVE_HORIZON_S = 600.0
_SCALE_SAMPLES = 300
_GAP_S = 3600.0
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
    _segment(state, np.empty((state.tail.shape[0], 0)), flush=True)
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
    """Cut at gaps over an hour, leaving out what is not later than `after_s`; empty if nothing is left."""
    time_s = samples.time_s
    first = 0 if after_s is None else int(np.searchsorted(time_s, after_s, side="right"))
    if first >= time_s.size:
        return []
    cuts = [first, *(np.flatnonzero(np.diff(time_s[first:]) > _GAP_S) + first + 1).tolist(), time_s.size]
    return [
        Samples(time_s[a:b], {name: values[a:b] for name, values in samples.channels.items()})
        for a, b in itertools.pairwise(cuts)
    ]


def _advance(sheet: Sheet, state: JudgeState, samples: Samples) -> list[StateInterval]:
    """Take one unbroken-enough part in: states, watch, segments, bookkeeping."""
    state.channels = tuple(sorted({*state.channels, *_present(samples)}))
    columns = columns_of(samples, sheet.signal)
    interval = state.scale.interval_s if state.scale else _interval(samples.time_s)
    state.states, basis = judge_states(columns, sheet, state.states)
    state.basis.update(basis)
    _run_clock(columns, state, interval)
    slowest = (max(state.learner.left_up_s, state.learner.up_s), max(state.learner.left_down_s, state.learner.down_s))
    _merge_stretches(state, watch(columns, sheet, state.watch, slowest, state.learner.lag_s))
    for name, hours in hours_of(columns, interval).items():
        state.hours[name] = state.hours.get(name, 0.0) + hours
    _vented(sheet, state, columns)
    _count_failed(state, samples)
    state.samples += samples.time_s.size
    state.from_s = float(samples.time_s[0]) if state.from_s is None else state.from_s
    state.to_s = float(samples.time_s[-1])
    state.last_state = int(columns[STATE, -1])
    if state.scale is None:
        state.waiting = np.concatenate((state.waiting, columns), axis=1)
        if int(np.isfinite(state.waiting[DEMAND]).sum()) >= _SCALE_SAMPLES:
            columns, state.waiting = state.waiting, state.waiting[:, :0]
            _set_scale(sheet, state, columns)
            _segment(state, columns, flush=False)
    else:
        _segment(state, columns, flush=False)
    return list(intervals_of(columns, state.basis, interval))


def _present(samples: Samples) -> set[str]:
    return {name for name, values in samples.channels.items() if np.isfinite(values).any()}


def _interval(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.01


def _set_scale(sheet: Sheet, state: JudgeState, columns: FloatArray) -> None:
    """Fix interval, noise and the threshold of a move from the first samples."""
    first = columns[:, np.isfinite(columns[DEMAND])][:, :_SCALE_SAMPLES]
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    span = (full - zero) if zero is not None and full is not None else 1.0
    has_current = "current" in state.channels or bool(np.isfinite(columns[CURRENT]).any())
    demand_noise = max(noise_of(first[DEMAND]), 1e-4)
    enabled = columns[CURRENT, columns[ENABLED] > 0.5]
    noise = max(noise_of(enabled[:3000]), 2e-4 * span)
    step_a = resolution(columns[CURRENT, :6000])
    state.resolution_a = step_a if np.isfinite(step_a) and step_a < 0.05 * span else 0.0
    state.learner.noise_a = noise
    move = max(0.006, 8.0 * demand_noise)
    state.scale = Scale(_interval(first[TIME]), demand_noise, move, span, has_current)


def _run_clock(columns: FloatArray, state: JudgeState, interval_s: float) -> None:
    """Row CLOCK: producing time so far, gaps not counted."""
    producing = columns[STATE] == PRODUCING
    columns[CLOCK] = state.clock_s + np.cumsum(producing) * interval_s
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
    joined = np.concatenate((state.tail, columns), axis=1)
    result = cut(joined, state.carry, scale, state.learner, flush=flush)
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


def _vented(sheet: Sheet, state: JudgeState, columns: FloatArray) -> None:
    """Pressure while stopped for a minute and vented: the sensor's own zero, free of the valve."""
    full = sheet.as_left.get("pressure_at_full")
    stopped = columns[STATE] == STOPPED
    if full is None or not stopped.any() or not stopped[-1]:
        state.vented_since_s = None
        return
    if not stopped.all():
        state.vented_since_s = float(columns[TIME, np.flatnonzero(~stopped)[-1]])
    since = state.vented_since_s if state.vented_since_s is not None else float(columns[TIME, 0])
    state.vented_since_s = since
    late = columns[PRESSURE, stopped & (columns[TIME] - since > 60.0)]
    late = late[np.isfinite(late)]
    if late.size < 50 or abs(float(late.mean())) > 0.08 * full:
        return
    mean = float(late.mean())
    state.vented_now_bar = mean if state.vented_now_bar is None else 0.7 * state.vented_now_bar + 0.3 * mean
    if state.vented_left_bar is None:
        state.vented_left_bar = mean


def _count_failed(state: JudgeState, samples: Samples) -> None:
    """Failed readings of channels that do exist, by time, for the share over the horizon."""
    failed = sum(
        int((~np.isfinite(values)).sum()) for name, values in samples.channels.items() if name in state.channels
    )
    total = samples.time_s.size * max(len(samples.channels), 1)
    state.failed.append((float(samples.time_s[-1]), failed, total))


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
    state.bursts = state.bursts[-30:]
    state.failed = [f for f in state.failed if f[0] >= state.to_s - horizon]
    state.stretches = [s for s in state.stretches if s.to_s >= state.to_s - 60.0]
