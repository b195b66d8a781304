from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.features import Dwell, Stroke
from asleft.judge.judge import begin, step
from asleft.judge.state import JudgeState, dumps
from asleft.judge.steps.cutting import (
    MOST_PRODUCING,
    MOST_RESTING,
    MOST_STROKES,
    dwells_kept,
    keep_newest,
    strokes_kept,
)
from asleft.judge.types import Samples
from synth import sheet


def dwell(at_s: float, *, producing: bool) -> Dwell:
    blank = Dwell._make([0.0] * len(Dwell._fields))
    return blank._replace(from_s=at_s, to_s=at_s + 1.0, producing=float(producing))


def stroke(at_s: float, *, rising: bool) -> Stroke:
    blank = Stroke._make([0.0] * len(Stroke._fields))
    return blank._replace(from_s=at_s, to_s=at_s + 1.0, from_demand=float(not rising), to_demand=float(rising))


def filled(horizon_s: float | None) -> JudgeState:
    state = begin(sheet(), horizon_s=horizon_s)
    state.dwells = [dwell(k, producing=k % 4 != 0) for k in range(600)]
    state.strokes = [stroke(k, rising=k % 3 == 0) for k in range(300)]
    return state


def test_a_live_valve_keeps_the_newest_of_each_kind_in_order() -> None:
    state = filled(600.0)
    all_dwells, all_strokes = list(state.dwells), list(state.strokes)
    keep_newest(state)
    assert [d for d in state.dwells if d.producing] == [d for d in all_dwells if d.producing][-MOST_PRODUCING:]
    assert [d for d in state.dwells if not d.producing] == [d for d in all_dwells if not d.producing][-MOST_RESTING:]
    for rising in (True, False):
        assert [s for s in state.strokes if (s.to_demand > 0.5) is rising] == [
            s for s in all_strokes if (s.to_demand > 0.5) is rising
        ][-MOST_STROKES:]
    times = [d.from_s for d in state.dwells]
    assert times == sorted(times)


def test_bit_by_bit_it_keeps_the_same() -> None:
    whole, pieces = filled(600.0), begin(sheet())
    for k, row in enumerate(whole.dwells):
        pieces.dwells.append(row)
        if k % 7 == 0:
            keep_newest(pieces)
    keep_newest(pieces)
    keep_newest(whole)
    assert whole.dwells == pieces.dwells


def test_a_log_keeps_everything() -> None:
    state = filled(None)
    keep_newest(state)
    assert (len(state.dwells), len(state.strokes)) == (600, 300)


def test_times_are_exact_and_the_rest_has_the_digits_it_is_worth() -> None:
    row = Dwell._make(np.random.default_rng(3).uniform(0.1, 1.0, len(Dwell._fields)).tolist())
    row = row._replace(from_s=1764046802.37, to_s=1764046807.36, clock_s=31673.590000391006)
    (kept,) = dwells_kept([row])
    assert (kept.from_s, kept.to_s, kept.clock_s) == (row.from_s, row.to_s, row.clock_s)
    assert kept.current_a == pytest.approx(row.current_a, rel=2.0**-20)
    assert kept.current_se_a == pytest.approx(row.current_se_a, rel=2.0**-12)
    move = Stroke._make(np.random.default_rng(4).uniform(0.1, 1.0, len(Stroke._fields)).tolist())
    (short,) = strokes_kept([move])
    assert short.clock_s == move.clock_s
    assert short.h01 == pytest.approx(move.h01, rel=2.0**-32)
    assert short.t0 == pytest.approx(move.t0, rel=2.0**-20)


def test_an_hour_at_rest_does_not_make_the_memory_grow() -> None:
    """Enabled and in set-up the clock of production stands: nothing else would make room."""
    rng = np.random.default_rng(5)
    state, sizes = begin(sheet()), []
    for minute in range(60):
        time_s = 1.7e9 + 60.0 * minute + np.arange(0.0, 60.0, 0.02)
        command = 4.0 + 16.0 * (np.floor(time_s / 4.0) % 2) * 0.4
        channels = {
            "command": command + rng.normal(0.0, 0.002, time_s.size),
            "current": 0.2 + 0.6 * (command - 4.0) / 16.0 + rng.normal(0.0, 0.002, time_s.size),
            "enable": np.ones(time_s.size),
            "mode": np.full(time_s.size, 2.0),
        }
        state = step(sheet(), state, Samples(time_s, channels)).state
        sizes.append((len(state.dwells), len(state.strokes), len(dumps(state))))
    assert state.clock_s < 60.0
    assert max(s[0] for s in sizes) <= MOST_PRODUCING + MOST_RESTING
    assert max(s[1] for s in sizes) <= 2 * MOST_STROKES
    assert max(s[2] for s in sizes) < 30_000
    assert sizes[-1][2] < 1.1 * max(s[2] for s in sizes[20:40])
