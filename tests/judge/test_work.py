"""Declared work: nothing is learnt from it, nothing judged in it but danger, and judging goes on after it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.statuses import Status
from asleft.judge.intake.states import BASIS, declared_at, next_edge
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.state import dumps, loads
from asleft.judge.types import FastBurst, Samples, State, Verdict
from synth import recording, sheet

LEVELS = (0.1, 0.9, 0.3, 0.8)
PART_S = 64.0
WORK = ((1000.0 + PART_S, 1000.0 + 2 * PART_S),)
SHEET = replace(sheet(), as_left={k: v for k, v in sheet().as_left.items() if k.startswith(("current", "ramp"))})


def plant(middle: dict[str, float] | None = None, work: tuple[tuple[float, float], ...] = WORK) -> Samples:
    """Production, something else for as long, production again."""
    parts = [
        recording(LEVELS * 8, jitter_s=0.0, start_s=1000.0, seed=1),
        recording(LEVELS * 8, jitter_s=0.0, start_s=1000.0 + PART_S, seed=2, **(middle or {})),
        recording(LEVELS * 8, jitter_s=0.0, start_s=1000.0 + 2 * PART_S, seed=3),
    ]
    return Samples(
        np.concatenate([p.time_s for p in parts]),
        {n: np.concatenate([p.channels[n] for p in parts]) for n in ("command", "current")},
        work=work,
    )


def cut(samples: Samples, *edges: int) -> list[Samples]:
    at = [0, *edges, samples.time_s.size]
    return [
        Samples(samples.time_s[a:b], {n: v[a:b] for n, v in samples.channels.items()}, work=samples.work)
        for a, b in itertools.pairwise(at)
    ]


def live(samples: Samples, *edges: int):
    state, outcomes = begin(SHEET), []
    for piece in cut(samples, *edges):
        outcomes.append(step(SHEET, loads(dumps(state)), piece))
        state = outcomes[-1].state
    return outcomes


CHANGED = {"up_s": 2.0, "full_a": 0.9}


def test_where_a_stretch_begins_and_ends() -> None:
    declared = ((10.0, 20.0), (30.0, 40.0))
    assert [declared_at(t, declared) for t in (None, 9.9, 10.0, 19.9, 20.0, 35.0)] == [
        False, False, True, True, False, True,
    ]  # fmt: skip
    assert [next_edge(t, declared) for t in (0.0, 10.0, 25.0, 40.0)] == [10.0, 20.0, 30.0, float("inf")]


def test_what_is_set_differently_during_work_is_not_found_and_would_be_without_the_declaration() -> None:
    seen, _ = live(plant(CHANGED, work=()), 12_700)
    assert {f.kind for f in seen.judgement.findings} == {"ramp-up-changed", "current-full-changed"}
    assert live(plant(CHANGED), 12_700)[0].judgement.findings == ()
    declared = judge_log(SHEET, plant(CHANGED))
    assert declared.findings == ()
    assert {q.id: q.verdict for q in declared.quantities if q.id in SHEET.as_left} == dict.fromkeys(
        SHEET.as_left, Verdict.IN
    )


def test_time_at_work_is_counted_and_no_production() -> None:
    judged = judge_log(SHEET, plant())
    assert judged.state_hours["work-in-progress"] == pytest.approx(PART_S / 3600.0, abs=0.02 / 3600)
    assert judged.state_hours["producing"] == pytest.approx(2 * PART_S / 3600.0, abs=0.05 / 3600)
    assert judged.samples == round(300 * PART_S)


def test_what_was_judged_before_stays_while_work_goes_on_and_judging_resumes_by_itself() -> None:
    samples = plant(CHANGED)
    before, during, after = live(samples, round(100 * PART_S), round(200 * PART_S))
    assert before.judgement.current_state is State.PRODUCING
    assert during.judgement.current_state is State.WORK_IN_PROGRESS
    assert during.judgement.status is Status.FUNCTION_CHECK
    assert [(i.state, i.basis) for i in during.intervals][-1] == (State.WORK_IN_PROGRESS, BASIS)
    found = {q.id: q.as_found for q in before.judgement.quantities if q.as_found is not None}
    # What waited for its neighbours (20 ms) is judged with the first readings of the work.
    later = {q.id: q.as_found for q in during.judgement.quantities if q.as_found is not None}
    assert later == pytest.approx(found, rel=1e-3)
    assert set(found) == set(SHEET.as_left)
    assert during.state.clock_s == pytest.approx(before.state.clock_s, abs=0.03)
    assert after.judgement.current_state is State.PRODUCING
    assert after.judgement.status is Status.GOOD
    assert after.judgement.quantities[0].coverage.segments > before.judgement.quantities[0].coverage.segments


def test_the_first_stroke_after_work_is_set_aside() -> None:
    *_, after = live(plant(), round(100 * PART_S), round(200 * PART_S))
    strokes = [s for s in after.state.strokes if s.from_s >= WORK[0][1] - 1.0]
    assert strokes[0].excluded == 1.0
    assert all(s.excluded == 0.0 for s in strokes[1:])
    assert not any(WORK[0][0] + 1.0 < s.from_s < WORK[0][1] - 1.0 for s in after.state.strokes)


def test_cuts_between_calls_change_nothing() -> None:
    samples = plant(CHANGED)
    whole = live(samples)[-1]
    edges = sorted({*range(700, samples.time_s.size, 777), 6401, 6402, 12799, 12801})
    parts = live(samples, *edges)[-1]
    assert replace(parts.judgement, state_hours={}) == replace(whole.judgement, state_hours={})
    assert parts.judgement.state_hours == pytest.approx(whole.judgement.state_hours)
    for rows in ("dwells", "strokes"):
        assert [r.from_s for r in getattr(parts.state, rows)] == [r.from_s for r in getattr(whole.state, rows)]


def test_current_nobody_asked_for_is_told_during_work_and_a_lost_one_is_not() -> None:
    samples = plant()
    current = samples.channels["current"].copy()
    asked = (samples.channels["command"] - 4.0) / 16.0
    at = (samples.time_s > 1100.0) & (samples.time_s < 1103.0)
    current[at] = 1.3
    unwanted, after = live(replace(samples, channels={**samples.channels, "current": current}), 10_250)
    assert unwanted.judgement.current_state is State.WORK_IN_PROGRESS
    assert {f.kind for f in unwanted.judgement.findings} == {"current-unwanted"}
    assert after.judgement.findings == ()
    current = samples.channels["current"].copy()
    current[at & (asked > 0.5)] = 0.0
    failed = samples.channels["command"].copy()
    pulled = (samples.time_s > 1110.0) & (samples.time_s < 1115.0)
    failed[pulled], current[pulled] = 2.0, 0.2
    channels = {"command": failed, "current": current}
    spoilt = replace(samples, channels=channels)
    assert [one.judgement.findings for one in live(spoilt, 11_400)] == [(), ()]
    seen = live(replace(spoilt, work=()), 11_400)[0].judgement.findings
    assert "command-failed" in {finding.kind for finding in seen}


def test_readings_that_fail_during_work_are_no_missing_data() -> None:
    samples = plant()
    current = samples.channels["current"].copy()
    current[(samples.time_s >= WORK[0][0]) & (samples.time_s < WORK[0][1])] = np.nan
    unplugged = replace(samples, channels={**samples.channels, "current": current})
    assert live(unplugged, 6400, 12_000)[-1].judgement.findings == ()
    assert "data-missing" in {f.kind for f in live(replace(unplugged, work=()), 6400, 12_000)[-1].judgement.findings}


def test_a_hands_habits_during_work_do_not_become_productions() -> None:
    learnt = live(plant(), 6400)[0].state.states.rhythm
    swept = Samples(plant().time_s, dict(plant().channels), work=WORK)
    sweep = 4.0 + 16.0 * np.repeat(np.tile([0.0, 0.25, 0.5, 0.75, 1.0], 20), 64)
    swept.channels["command"][6400:12_800] = sweep
    assert live(swept, 6400)[-1].state.states.rhythm.cycle_pct() == learnt.cycle_pct()


def test_a_point_of_history_closes_as_work_begins_and_mixes_nothing() -> None:
    begins_s = 1000.0 + 38 * 8.0
    before = recording(LEVELS * 38, jitter_s=0.0, start_s=1000.0, seed=1)
    after = recording(LEVELS * 40, jitter_s=0.0, start_s=begins_s, seed=2, up_s=1.05)
    joined = Samples(
        np.concatenate((before.time_s, after.time_s)),
        {n: np.concatenate((before.channels[n], after.channels[n])) for n in ("command", "current")},
        work=((begins_s, begins_s + 5.0),),
    )
    points = [p for p in step(SHEET, begin(SHEET), joined).points if p.quantity == "ramp_up"]
    assert points[0].at_s <= begins_s
    assert points[0].value == pytest.approx(1.0, abs=0.005)


def test_readings_of_before_and_after_are_not_averaged_with_each_other() -> None:
    slow = replace(SHEET, as_left={**SHEET.as_left, "ramp_up": 60.0, "ramp_down": 60.0})
    samples = plant(work=((1063.985, 1200.0),))
    before, _ = cut(samples, 6399)
    assert step(slow, begin(slow), before).state.rest.shape[1] == 1  # an odd number is ready, thinned by two
    entering, _ = cut(samples, 6500)
    assert step(slow, begin(slow), entering).state.rest.shape[1] == 0


def test_bursts_during_work_are_not_measured() -> None:
    rate = 2000.0
    t = np.arange(1200) / rate
    bursts = tuple(
        FastBurst(start, rate, 0.6 + 0.05 * np.sin(2 * np.pi * hz * t))
        for start, hz in ((1030.0, 100.0), (1090.0, 160.0))
    )
    dithered = sheet()
    with_bursts = replace(plant(), bursts=bursts)
    state = step(dithered, begin(dithered), with_bursts).state
    assert [b.at_s for b in state.bursts] == pytest.approx([1030.0], abs=1.0)
    state = step(dithered, begin(dithered), replace(with_bursts, work=())).state
    assert len(state.bursts) == 2
