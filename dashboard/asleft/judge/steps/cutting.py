"""From columns to segments, whatever the sample rate: the scale is told first, slow ramps are thinned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from asleft.judge.intake.columns import CLOCK, CURRENT, ENABLE, ENABLED, MODE, PUMP, STATE, noise_of
from asleft.judge.intake.scale import LARGEST_STEP, SCALE_SAMPLES, Scale, first_scale
from asleft.judge.segments.retention import dwells_kept, strokes_kept
from asleft.judge.segments.segments import cut
from asleft.judge.segments.sliding import slide
from asleft.judge.state import JudgeState
from asleft.judge.steps.horizon import keep_newest
from asleft.judge.types import FloatArray
from asleft.sheet.model import MadeBy, Sheet

_CUT_SAMPLES = 50_000  # cut at once: bounds memory, changes nothing
_SLOW_SAMPLES = 2400  # a full ramp is thinned to at most this many samples


def set_scale(sheet: Sheet, state: JudgeState, columns: FloatArray) -> None:
    """Tell interval, noise and the threshold of a move from the first samples, however many there are."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    span = (full - zero) if zero is not None and full is not None else 1.0
    first = columns[:, :SCALE_SAMPLES]
    noise_a = noise_of(first[CURRENT, first[ENABLED] > 0.5], LARGEST_STEP * span)
    state.learner.noise_a = max(noise_a, 2e-4 * span)
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    state.scale = first_scale(first, span, has_current="current" in state.channels, outer=outer)


def segment(state: JudgeState, columns: FloatArray, *, flush: bool) -> None:
    """Cut further columns, shape (ROWS, n), into the state's dwells and strokes; `flush` closes what is open."""
    scale = state.scale
    rest, more = columns, scale is not None
    while scale is not None and more:
        next_scale, count = scale.seen(rest)
        now, rest = rest[:, :count], rest[:, count:]
        more = rest.shape[1] > 0
        _segment(state, scale, now, flush=flush and not more)
        state.scale = scale = next_scale


def _segment(state: JudgeState, scale: Scale, columns: FloatArray, *, flush: bool) -> None:
    """The same while the scale stays as it is."""
    thin = 1 if scale.outer else _thinning(state, scale.interval_s)
    if thin > 1 or state.rest.shape[1]:
        columns = np.concatenate((state.rest, columns), axis=1)
        whole = columns.shape[1] - columns.shape[1] % thin
        state.rest, columns = columns[:, whole:], _averaged(columns[:, :whole], thin)
        scale = replace(scale, interval_s=scale.interval_s * thin)
    for first in range(0, max(columns.shape[1], 1), _CUT_SAMPLES):
        last = first + _CUT_SAMPLES
        joined = np.concatenate((state.tail, columns[:, first:last]), axis=1)
        ends = flush and last >= columns.shape[1]
        if scale.outer:
            slid = slide(joined, state.slide, scale, state.learner, flush=ends)
            state.tail, state.slide = slid.tail, slid.carry
            state.dwells += dwells_kept(slid.dwells)
            state.strokes += strokes_kept(slid.strokes)
            continue
        result = cut(joined, state.carry, scale, state.learner, flush=ends)
        state.tail, state.carry = result.tail, result.carry
        state.dwells += dwells_kept(result.dwells)
        state.strokes += strokes_kept(result.strokes)
        state.pressure_delays += result.delays
    keep_newest(state)


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
