"""What a step takes in and lets go.

Columns become segments at any sample rate, the sensors' zeros are read in a stop, failed readings are counted, and
what lies before the horizon is forgotten.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from asleft.judge.dither import Expected, read_burst, remembered
from asleft.judge.features import Dwell, Stroke
from asleft.judge.intake.intake import (
    CLOCK,
    CURRENT,
    ENABLE,
    ENABLED,
    LARGEST_STEP,
    MODE,
    PRESSURE,
    PUMP,
    SCALE_SAMPLES,
    STATE,
    Intake,
    Scale,
    first_scale,
    noise_of,
)
from asleft.judge.packing import MEAN_BITS, SPREAD_BITS, rounded
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.segments.segments import cut
from asleft.judge.segments.sliding import slide
from asleft.judge.state import JudgeState
from asleft.judge.types import FloatArray, Samples
from asleft.judge.valve.living import STUCK
from asleft.judge.watching.sensors import take_zero
from asleft.judge.watching.watch import still_count
from asleft.sheet.model import MadeBy, Sheet

# The sensors' own zeros, read while the machine stands still: they part sensors from valve and driver.

#: Pressure is read as the sensor's zero in this part of a stop, current in this part of a time without enable (s).
_VENTED_S = (60.0, 120.0)
_IDLE_S = (5.0, 65.0)
#: Beyond this share of full pressure or full current it is no zero.
_MOST_PRESSURE, _MOST_CURRENT = 0.15, 0.1


def read_vented(sheet: Sheet, state: JudgeState, columns: FloatArray, gap: npt.NDArray[np.bool_]) -> None:
    """Pressure in the second minute of a stop; current while the enable channel itself says that the driver is off.

    An inferred enable rests on the current and cannot vouch for its zero.
    """
    full_bar = sheet.as_left.get("pressure_at_full")
    if full_bar is not None:
        stopped = columns[PUMP] < 0.5  # as recorded, else as inferred
        take_zero(state.vented, stopped, columns, PRESSURE, gap, _VENTED_S, _MOST_PRESSURE * full_bar)
    full_a = sheet.as_left.get("current_at_full")
    if full_a is not None:
        off = np.isfinite(columns[ENABLE]) & (columns[ENABLED] < 0.5)
        take_zero(state.idle, off, columns, CURRENT, gap, _IDLE_S, _MOST_CURRENT * full_a)


# What is kept of segments: numbers to the digits they are worth, and never more than tell something.
#
# A live judge commits its memory every few seconds for each valve, so it must be short. Means and standard errors
# have the digits that `packing` keeps of them, a stroke's information has 32, because its weakest directions are
# differences of large numbers; times are exact. As this happens when a segment is made, a log and a live valve have
# the same numbers, and text form and back changes none.
#
# A log keeps all of its segments, a live valve the newest: those of a machine at rest add nothing after some
# minutes, and as long as it rests no time of production goes by that would make room for them. Missed: what an hour
# of set-up showed before its last minutes.

#: Dwells of production that a live valve keeps: ten minutes of a stroke every three seconds are 200. Under an outer
#: loop every quiet second is one.
MOST_PRODUCING, MOST_SECONDS = 240, 600
#: Other dwells; and strokes either way, ten of which tell a ramp to a few hundredths of its tolerance (`ration`).
MOST_RESTING, MOST_STROKES = 40, 20

_EXACT, _INFORMATION = 53, 32
_TIMES = ("from_s", "to_s", "clock_s")
_SPREADS = ("demand_se", "current_se_a", "current_sd_a", "pressure_se_bar", "pressure_moves_bar",
            "pressure_moved_bar", "pressure_sd_bar", "chi2")  # fmt: skip


def _digits(name: str) -> int:
    if name in _TIMES:
        return _EXACT
    if name in _SPREADS:
        return SPREAD_BITS
    return _INFORMATION if name[0] == "h" and name[1:].isdigit() else MEAN_BITS


_DWELL = np.array([_digits(name) for name in Dwell._fields])
_STROKE = np.array([_digits(name) for name in Stroke._fields])


def dwells_kept(dwells: Sequence[Dwell]) -> list[Dwell]:
    """New dwells with the digits that are kept."""
    return [Dwell._make(row) for row in rounded(dwells, _DWELL).tolist()] if dwells else []


def strokes_kept(strokes: Sequence[Stroke]) -> list[Stroke]:
    """New strokes with the digits that are kept."""
    return [Stroke._make(row) for row in rounded(strokes, _STROKE).tolist()] if strokes else []


# Failed readings, counted by time, for the share of data that is missing.

FAILED_BIN_S = 10.0


def count_failed(state: JudgeState, samples: Samples) -> None:
    """Failed readings of each channel since its first good one, by time, for the share over the horizon."""
    n = samples.time_s.size
    failed: npt.NDArray[np.int64] | None = None
    known = set(state.channels)
    for name, values in samples.channels.items():
        good = np.isfinite(values)
        if name not in known:
            if not good.any():
                continue
            known.add(name)
            good[: int(np.argmax(good))] = True
        if not good.all():
            failed = ~good + (np.zeros(n, dtype=np.int64) if failed is None else failed)
    state.channels = tuple(sorted(known))
    lowest, highest = (float(np.floor(samples.time_s[k] / FAILED_BIN_S)) for k in (0, -1))
    begins = np.arange(lowest + 1.0, highest + 1.0) * FAILED_BIN_S
    cuts = [0, *np.unique(samples.time_s.searchsorted(begins)).tolist(), n]
    for a, b in itertools.pairwise(cuts):
        at_s = float(np.floor(samples.time_s[a] / FAILED_BIN_S)) * FAILED_BIN_S
        count = 0 if failed is None else int(failed[a:b].sum())
        entry = (at_s, count, (b - a) * max(len(samples.channels), 1))
        if state.failed and state.failed[-1][0] == entry[0]:
            last = state.failed.pop()
            entry = (entry[0], last[1] + entry[1], last[2] + entry[2])
        state.failed.append(entry)


def count_excluded(state: JudgeState) -> None:
    """Wild readings that the intake has just set aside count as failed ones."""
    for at_s in state.intake.found_s:
        at_bin = float(np.floor(at_s / FAILED_BIN_S)) * FAILED_BIN_S
        for k in range(len(state.failed) - 1, -1, -1):
            begin, failed, readings = state.failed[k]
            if begin <= at_bin:
                state.failed[k] = (begin, failed + 1, readings)
                break


# What a state takes in of bursts, and what it may forget: all that lies before the horizon.

_MOST_BURSTS = 300

_Row = TypeVar("_Row")


def take_bursts(sheet: Sheet, state: JudgeState, samples: Samples) -> None:
    """Measure the bursts that are newer than those known, while current flows, and keep the latest."""
    left_hz, left_a = sheet.as_left.get("dither_frequency"), sheet.as_left.get("dither_amplitude")
    least = 0.02 * (0.02 if left_a is None else left_a)
    flowing = max(0.5 * sheet.as_left.get("current_at_zero", 0.0), 0.05 * sheet.as_left.get("current_at_full", 0.0))
    for burst in samples.bursts:
        if state.bursts and burst.start_s <= state.bursts[-1].at_s:
            continue
        if not burst.current_a.size or float(np.mean(burst.current_a)) < flowing:
            continue  # the driver is off: no dither to be expected
        read = read_burst(burst, Expected(least, left_hz, left_a, state.other_lines_hz))
        if read is not None:
            state.bursts.append(read[0])
            state.other_lines_hz = remembered(state.other_lines_hz, read[0], read[1], left_hz)


#: What stays when readings that did not fit the sheet are forgotten: what was counted and told, and the time.
_STAYS = frozenset(
    {
        "sheet_number", "horizon_s", "budget_years", "clock_s", "point_from_s", "hours", "samples", "from_s", "to_s",
        "failed", "missing", "findings", "began_under", "gone_s", "channels", "basis", "last_state", "fit_points",
        "fit",
    }
)  # fmt: skip


def forget_misread(sheet: Sheet, state: JudgeState) -> None:
    """Forget what was learnt from readings that did not fit: segments, noise, what was measured as left."""
    learner = Learner(
        sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0), sheet.signal.off_below_pct / 100.0
    )
    fresh = JudgeState(state.sheet_number, learner, state.horizon_s, state.budget_years)
    fresh.intake = Intake(newest_s=state.intake.newest_s)
    for name in (one.name for one in fields(JudgeState)):
        if name not in _STAYS:
            setattr(state, name, getattr(fresh, name))


def trim(state: JudgeState) -> None:
    """Forget what lies before the horizon."""
    horizon = state.horizon_s
    if horizon is None or state.to_s is None:
        return
    newest = max((d.clock_s for d in state.dwells[-1:]), default=0.0)
    since = newest - horizon
    keep = min(since, state.point_from_s)
    state.dwells = [d for d in state.dwells if d.clock_s >= keep]
    state.strokes = [s for s in state.strokes if s.clock_s >= keep]
    state.pressure_delays = state.pressure_delays[-MOST_STROKES:]
    oldest = min((d.from_s for d in state.dwells[:1]), default=state.to_s) - 60.0
    state.bursts = [b for b in state.bursts if b.at_s >= oldest][-_MOST_BURSTS:]
    state.failed = [f for f in state.failed if f[0] >= state.to_s - horizon - FAILED_BIN_S]
    told = {id(s) for s in still_count(state.stretches, state.to_s, state.clock_s)}
    # What a dead reading said stays out as long as the features of that time are kept.
    state.stretches = [s for s in state.stretches if id(s) in told or (s.kind.startswith(STUCK) and s.to_s >= oldest)]


def keep_newest(state: JudgeState) -> None:
    """Let a live valve forget its oldest segments where it has more than tell something."""
    if state.horizon_s is None:
        return
    if len(state.dwells) > min(MOST_PRODUCING, MOST_RESTING):
        producing = [d.producing > 0.5 for d in state.dwells]
        most = MOST_SECONDS if state.scale is not None and state.scale.outer else MOST_PRODUCING
        state.dwells = _newest(state.dwells, producing, most, MOST_RESTING)
    if len(state.strokes) > MOST_STROKES:
        rising = [s.to_demand > s.from_demand for s in state.strokes]
        state.strokes = _newest(state.strokes, rising, MOST_STROKES, MOST_STROKES)


def _newest(rows: list[_Row], first: Sequence[bool], most_first: int, most_others: int) -> list[_Row]:
    """The newest rows of two kinds, in order; `first`: which are of the first kind."""
    room = {True: most_first, False: most_others}
    kept: list[_Row] = []
    for row, kind in zip(reversed(rows), reversed(first), strict=True):
        if room[kind]:
            room[kind] -= 1
            kept.append(row)
    return kept[::-1] if len(kept) < len(rows) else rows


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
