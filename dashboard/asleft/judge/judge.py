"""The judge's front door: begin with a sheet, step through samples, read the judgement. State in, state out.

The same code serves live data (a few seconds at a time), history and a logger's file (everything at once), and gives
the same segments and numbers however the samples are cut.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge import drift
from asleft.judge.coil.coldsoak import see_soak, take_cold
from asleft.judge.drift import BUDGET_YEARS
from asleft.judge.fit.levels import take_points
from asleft.judge.intake.holding import gaps
from asleft.judge.intake.intake import (
    CLOCK,
    DEMAND,
    ENABLED,
    SCALE_SAMPLES,
    STATE,
    TIME,
    columns_of,
    interval_of,
    take_in,
)
from asleft.judge.intake.states import (
    PRODUCING,
    WORK,
    StateCarry,
    bursts_outside,
    declared_at,
    hours_of,
    intervals_of,
    judge_states,
    next_edge,
    surest,
)
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.state import JudgeState, copied, dumps, loads
from asleft.judge.steps.cutting import (
    count_excluded,
    count_failed,
    read_vented,
    segment,
    set_scale,
    take_bursts,
    trim,
)
from asleft.judge.steps.looks import is_due
from asleft.judge.steps.points import POINT_S, close_points
from asleft.judge.steps.summary import summarise
from asleft.judge.types import ChartPoint, FloatArray, Judgement, Samples, StateInterval
from asleft.judge.watching.stretches import Stretch, dangers
from asleft.judge.watching.watch import stamped, watch
from asleft.sheet.model import Sheet

# The current a healthy driver would give for the measured command, by the sheet's settings.


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


__all__ = [
    "JudgeState",
    "StepOutcome",
    "advance",
    "begin",
    "dumps",
    "expected_current",
    "judge_log",
    "loads",
    "state_of_log",
    "step",
    "summarise",
]

#: Producing time that the live as-found rests on (s).
LIVE_HORIZON_S = 600.0
_GAP_S = 3600.0
_MINUTE_S = 60.0
_PAUSE_S = 1.5  # no time is counted over a longer pause between samples
_USUAL_LAG_S = 0.03
_ONE_EVENT_S = 1.0  # a condition that is back so soon has not been away
_NOTHING = Samples(np.zeros(0), {})


@dataclass(frozen=True, slots=True)
class StepOutcome:
    """What a step gives back: the next state, the judgement now, new state intervals, new points of history."""

    state: JudgeState
    judgement: Judgement
    intervals: tuple[StateInterval, ...]
    points: tuple[ChartPoint, ...]


@dataclass(frozen=True, slots=True)
class Advance:
    """A step without its judgement.

    `conditions`: what was seen sample by sample during the step, even if it ended long before its end and a judgement
    would no longer speak of it. `nothing_new`: whether nothing came that could change the last judgement's findings.
    `due`: whether a live valve is to be judged anew now, see `steps.looks`.
    """

    state: JudgeState
    intervals: tuple[StateInterval, ...]
    points: tuple[ChartPoint, ...]
    conditions: tuple[Stretch, ...]
    nothing_new: bool
    due: bool


def begin(
    sheet: Sheet, *, horizon_s: float | None = LIVE_HORIZON_S, budget_years: float = BUDGET_YEARS
) -> JudgeState:
    """Fresh state for a revision of a sheet. `horizon_s`: producing time as-found rests on, None for all of it.

    `budget_years`: at most one false drift alarm of this valve in so many years of production.

    Raises:
        ValueError: `budget_years` is outside a hundredth to ten thousand years.
    """
    drift.check_budget(budget_years)
    learner = Learner(
        sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0), sheet.signal.off_below_pct / 100.0
    )
    return JudgeState(sheet.revision.number, learner, horizon_s, budget_years)


def step(sheet: Sheet, state: JudgeState, samples: Samples) -> StepOutcome:
    """Judge further samples of a valve; times must lie after those already judged (others are left out).

    `state` is not changed. Never raises for poor data.
    """
    done = advance(sheet, state, samples)
    judgement = summarise(sheet, done.state)
    points = () if judgement.fit.fits is False else done.points  # of readings that mean something else: no history
    return StepOutcome(done.state, judgement, done.intervals, points)


def advance(sheet: Sheet, state: JudgeState, samples: Samples) -> Advance:
    """Take further samples in without judging them yet; the same conditions as for `step`."""
    before, began_s = state, state.to_s
    state = copied(state)
    take_bursts(sheet, state, replace(samples, bursts=bursts_outside(samples.bursts, samples.work)))
    intervals, points = _take(sheet, state, samples)
    conditions = tuple(s for s in state.stretches if began_s is None or s.to_s > began_s)
    nothing_new = not (points or conditions) and _content(state) == _content(before)
    trim(state)
    due = bool(points) or is_due(sheet, state)
    return Advance(state, tuple(intervals), tuple(points), conditions, nothing_new, due)


def _content(state: JudgeState) -> tuple[float, ...]:
    """What changes when anything comes that findings rest on: segments, bursts, failed readings, the state."""
    failed = sum(count for _, count, _ in state.failed)
    dwell_s, stroke_s = (rows[-1].to_s if rows else 0.0 for rows in (state.dwells, state.strokes))
    return dwell_s, stroke_s, len(state.bursts), failed, state.last_state


def judge_log(
    sheet: Sheet,
    samples: Samples,
    *,
    dropped: Mapping[str, int] | None = None,
    told: Callable[[float], None] | None = None,
) -> Judgement:
    """Judge a whole recording at once; as-found rests on all of it. `dropped`: readings left out, by reason.

    `told` is called with the time (s) of the last sample taken, about every ten minutes of the recording.
    """
    state = state_of_log(sheet, samples, told=told)
    state.missing = {reason: count for reason, count in (dropped or {}).items() if count > 0}
    return summarise(sheet, state)


def state_of_log(sheet: Sheet, samples: Samples, *, told: Callable[[float], None] | None = None) -> JudgeState:
    """All that a whole recording leaves behind, nothing of it unfinished: dwells, strokes, what was learnt."""
    state = begin(sheet, horizon_s=None)
    take_bursts(sheet, state, replace(samples, bursts=bursts_outside(samples.bursts, samples.work)))
    _take(sheet, state, samples, told)
    _advance(sheet, state, _NOTHING, flush=True)
    if state.scale is None:
        set_scale(sheet, state, state.waiting)
    segment(state, state.waiting, flush=True)
    take_cold(state.dwells, sheet, state.soak, closed=True)
    close_points(sheet, state, at_gap=True)
    return state


def _take(
    sheet: Sheet, state: JudgeState, samples: Samples, told: Callable[[float], None] | None = None
) -> tuple[list[StateInterval], list[ChartPoint]]:
    """Take further samples in, closing points of history at gaps and, where one is complete, at whole minutes.

    A point rests on what has been learnt of noise and filters by then, so it must close at the same instant however
    the samples are cut into calls. Samples are cut only at minutes by which a point can be complete.
    """
    intervals: list[StateInterval] = []
    points: list[ChartPoint] = []
    declared = samples.work
    for part in _parts(samples, state):
        time_s, first = part.time_s, 0
        while first < time_s.size:
            next_s, newest_s = float(time_s[first]), state.intake.newest_s
            was, working = declared_at(newest_s, declared), declared_at(next_s, declared)
            if newest_s is not None and (was != working or next_s - newest_s > _GAP_S):
                intervals += _advance(sheet, state, _NOTHING, flush=True, working=was)
                points += close_points(sheet, state, at_gap=True)
                if was != working:
                    state.rest = state.rest[:, :0]  # readings from before and after are not averaged
            elif newest_s is not None and next_s // _MINUTE_S != newest_s // _MINUTE_S:
                points += close_points(sheet, state, at_gap=False)
            wait_s = max(state.point_from_s + POINT_S - state.clock_s - _PAUSE_S - 1.0, 0.0)
            mark_s = ((next_s + wait_s) // _MINUTE_S + 1.0) * _MINUTE_S
            last = int(np.searchsorted(time_s, min(mark_s, next_edge(next_s, declared))))
            intervals += _advance(sheet, state, _between(part, first, last), working=working)
            first = last
            if told is not None:
                told(float(time_s[last - 1]))
    return intervals, points


def _between(samples: Samples, first: int, last: int) -> Samples:
    return Samples(samples.time_s[first:last], {name: v[first:last] for name, v in samples.channels.items()})


def _parts(samples: Samples, state: JudgeState) -> list[Samples]:
    """Cut at gaps over an hour, leaving out (and counting) what is not later than all before it."""
    after_s = state.intake.newest_s
    newest = np.fmax.accumulate(np.concatenate(([-np.inf if after_s is None else after_s], samples.time_s)))
    fresh = samples.time_s > newest[:-1]
    if not fresh.all():
        sent_again = samples.time_s <= (-np.inf if after_s is None else after_s)
        state.intake = state.intake.counting("time", newest[1:][~fresh & ~sent_again])
        samples = Samples(samples.time_s[fresh], {name: v[fresh] for name, v in samples.channels.items()})
    time_s = samples.time_s
    if time_s.size == 0:
        return []
    cuts = [0, *(np.flatnonzero(np.diff(time_s) > _GAP_S) + 1).tolist(), time_s.size]
    return [_between(samples, a, b) for a, b in itertools.pairwise(cuts)]


def _advance(
    sheet: Sheet, state: JudgeState, samples: Samples, *, flush: bool = False, working: bool = False
) -> list[StateInterval]:
    """Take one part in: intake, states, watch, segments, bookkeeping. `flush`: a long pause follows it.

    `working`: all of it lies in a declared stretch; then nothing is learnt from it, and only danger is seen in it.
    """
    columns = _take_samples(sheet, state, samples, flush=flush, working=working)
    time_s = columns[TIME]
    if time_s.size == 0:
        return []
    interval = state.scale.interval_s if state.scale else interval_of(time_s)
    gap = gaps(time_s, state.to_s)
    _follow_states(sheet, state, columns, interval, working=working)
    state.to_s = float(time_s[-1])
    state.last_state = int(columns[STATE, -1])
    if not working:
        read_vented(sheet, state, columns, gap)
        _take_segments(sheet, state, columns)
    return list(intervals_of(columns, state.basis, interval))


def _take_samples(sheet: Sheet, state: JudgeState, samples: Samples, *, flush: bool, working: bool) -> FloatArray:
    """The samples as columns, counted and checked."""
    if samples.time_s.size:
        if not working:
            count_failed(state, samples)
            take_points(state.fit_points, samples, sheet, live=state.horizon_s is not None)
        state.samples += samples.time_s.size
        state.from_s = float(samples.time_s[0]) if state.from_s is None else state.from_s
    columns, state.intake = take_in(samples, sheet, state.intake, flush=flush)
    if not working:
        count_excluded(state)
    return columns


def _follow_states(sheet: Sheet, state: JudgeState, columns: FloatArray, interval_s: float, *, working: bool) -> None:
    """What the machine was doing, for how long, and what is watched sample by sample."""
    time_s = columns[TIME]
    state.states, basis = judge_states(columns, sheet, state.states, learn=not working)
    for name, words in basis.items():
        state.basis[name] = surest(state.basis.get(name, words), words)
    step_s = np.diff(time_s, prepend=time_s[0] if state.to_s is None else state.to_s)
    step_s[step_s > max(_PAUSE_S, 5.0 * interval_s)] = 0.0
    _run_clock(columns, state, np.zeros_like(step_s) if working else step_s)
    left = (state.learner.left_up_s, state.learner.left_down_s)
    seen = watch(columns, sheet, state.watch, left, _USUAL_LAG_S)
    _merge_stretches(state, stamped(dangers(seen) if working else seen, columns))
    see_soak(columns, sheet, state.soak)
    if working:
        columns[STATE] = WORK
    for name, hours in hours_of(columns, step_s).items():
        state.hours[name] = state.hours.get(name, 0.0) + hours


def _take_segments(sheet: Sheet, state: JudgeState, columns: FloatArray) -> None:
    """Cut into dwells and strokes; the first samples wait until the valve's scale can be told."""
    if state.scale is None:
        state.waiting = np.concatenate((state.waiting, columns[:, np.isfinite(columns[DEMAND])]), axis=1)
        if state.waiting.shape[1] >= SCALE_SAMPLES:
            waiting, state.waiting = state.waiting, state.waiting[:, :0]
            set_scale(sheet, state, waiting)
            segment(state, waiting, flush=False)
    else:
        if not state.scale.has_current and "current" in state.channels:
            state.scale = replace(state.scale, has_current=True)
        segment(state, columns, flush=False)
    take_cold(state.dwells, sheet, state.soak)


def _run_clock(columns: FloatArray, state: JudgeState, step_s: FloatArray) -> None:
    """Row CLOCK: producing time so far, gaps not counted."""
    clock_s = columns[CLOCK]
    np.multiply(step_s, columns[STATE] == PRODUCING, out=clock_s)
    clock_s[0] += state.clock_s
    np.cumsum(clock_s, out=clock_s)
    state.clock_s = float(clock_s[-1])


def _merge_stretches(state: JudgeState, new: list[Stretch]) -> None:
    for stretch in new:
        known = next((s for s in reversed(state.stretches) if s.kind == stretch.kind), None)
        if known is not None and stretch.from_s <= known.to_s + _ONE_EVENT_S:
            if "times" in known.detail and stretch.from_s > known.from_s:
                stretch.detail["times"] += known.detail["times"]
            if "longest_s" in stretch.detail:
                stretch.detail["longest_s"] = max(stretch.detail["longest_s"], known.detail["longest_s"])
            known.to_s = max(known.to_s, stretch.to_s)
            known.detail = stretch.detail
        else:
            state.stretches.append(stretch)
