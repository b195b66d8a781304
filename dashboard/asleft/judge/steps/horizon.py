"""What a state takes in of bursts, and what it may forget: all that lies before the horizon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import TypeVar

import numpy as np
from asleft.judge.dither.dither import Expected, read_burst, remembered
from asleft.judge.intake.intake import Intake
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.segments.retention import MOST_PRODUCING, MOST_RESTING, MOST_SECONDS, MOST_STROKES
from asleft.judge.state import JudgeState
from asleft.judge.steps.failed import FAILED_BIN_S
from asleft.judge.types import Samples
from asleft.judge.valve.living import STUCK
from asleft.judge.watching.stretch_age import still_count
from asleft.sheet.model import Sheet

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
