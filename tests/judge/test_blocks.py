"""The same judgement however the samples are cut, through text between blocks, with failed readings and gaps."""

from __future__ import annotations

import itertools
from dataclasses import astuple
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from asleft.catalogue.finding_kinds import KIND_OF
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.published import judgement_json
from asleft.judge.state import JudgeState, dumps, loads
from asleft.judge.types import Samples
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from lanes import Lane, blocks, part, run
from synth import recording, sheet


def differences(a: Any, b: Any, where: str = "") -> list[str]:
    """Where two JSON-like values differ; numbers may by 1e-9 of themselves."""
    if isinstance(a, dict) and isinstance(b, dict):
        return [d for k in sorted({*a, *b}) for d in differences(a.get(k), b.get(k), f"{where}.{k}")]
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        uneven = [f"{where}: {len(a)} and {len(b)}"] if len(a) != len(b) else []
        return uneven + [
            d for k, (x, y) in enumerate(zip(a, b, strict=False)) for d in differences(x, y, f"{where}[{k}]")
        ]
    if isinstance(a, float) and isinstance(b, float):
        same = a == b or (np.isnan(a) and np.isnan(b)) or abs(a - b) <= 1e-9 * max(abs(a), abs(b))
        return [] if same else [f"{where}: {a!r} and {b!r}"]
    return [] if a == b else [f"{where}: {a!r} and {b!r}"]


def verdicts_of(kind: str, verdicts: dict[str, str]) -> set[str]:
    """Verdicts of the quantities that lead to a kind of finding; a condition seen sample by sample has none."""
    return {verdicts[name] for name, of in KIND_OF.items() if of == kind and name in verdicts} or {"not-observed"}


def assert_same(lane: Lane, samples: Samples, sizes: list[int], **how: Any) -> None:
    whole = step(lane.sheet, begin(lane.sheet, horizon_s=how.get("horizon_s")), samples)
    pieces = run(lane.sheet, samples, sizes, **how)
    assert differences(whole.state.dwells, pieces.state.dwells) == []
    assert differences(whole.state.strokes, pieces.state.strokes) == []
    assert differences(*([astuple(b) for b in x.state.bursts] for x in (whole, pieces))) == []
    one, many = judgement_json(whole.judgement), judgement_json(pieces.judgement)
    # What was found earlier stays while its quantity is undecided or not seen any more, and only block by block is
    # there an earlier: so there may be more findings, never fewer, and each further one is of such a quantity.
    known = {f["kind"] for f in one["findings"]}
    further = [f["kind"] for f in many["findings"] if f["kind"] not in known]
    if further:
        verdicts = {q["id"]: q["verdict"] for q in many["quantities"]}
        clear = [k for k in further if not ({"undecided", "not-observed"} & verdicts_of(k, verdicts))]
        assert clear == [] or how.get("horizon_s") is not None
        for side in (one, many):
            left = [f for f in side["findings"] if f["kind"] not in further]
            side["findings"] = sorted(left, key=lambda f: f["kind"])
            for key in ("status", "sentence"):
                side.pop(key)
    for x, y in zip(one["findings"], many["findings"], strict=True):
        # A finding keeps the onset of its first sight, and that comes earlier block by block.
        x.pop("onset")
        y.pop("onset")
        if further:  # and it may now hang under one of those
            x.pop("consequence_of")
            y.pop("consequence_of")
    assert differences(one, many) == []


sizes = st.lists(st.sampled_from([1, 2, 7, 60, 137, 300, 1000, 4001, 60_000]), min_size=3, max_size=25)


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=sizes, number=st.integers(0, 33))
def test_healthy_production(healthy, sizes, number) -> None:
    lane = list(healthy.values())[number]
    assert_same(lane, part(lane.samples, 0, 24_000), [*sizes, 2000])


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=sizes, name=st.sampled_from(
    ["ramp-down-much", "coil-hot", "command-wire-broken", "coil-unplugged", "unwanted-current", "current-stuck"]
))  # fmt: skip
def test_while_a_fault_begins(faulty, sizes, name) -> None:
    lane = faulty[name]
    assert_same(lane, part(lane.samples, 60_000, 78_000), [*sizes, 1500])


def spoilt(samples: Samples, seed: int) -> Samples:
    """Readings that failed for a while, samples that never came, a pause, a channel that was not recorded."""
    rng = np.random.default_rng(seed)
    n = samples.time_s.size
    keep = np.ones(n, dtype=bool)
    for _ in range(3):
        first = rng.integers(n)
        keep[first : first + rng.choice([1, 20, 200, 900])] = False
    time_s = samples.time_s.copy()
    time_s[rng.integers(n) :] += rng.choice([0.0, 40.0, 5000.0])
    channels = {}
    left_out = rng.choice(["enable", "pump_running", "pressure", "supply", "mode", "none"], size=2)
    for name, values in samples.channels.items():
        if name in left_out:
            continue
        readings = values.copy()
        for _ in range(rng.integers(0, 4)):
            first = rng.integers(n)
            readings[first : first + rng.choice([1, 30, 500, 3000])] = np.nan
        channels[name] = readings[keep]
    return Samples(time_s[keep], channels, samples.bursts)


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(sizes=[1, 1, 1], name="pressure-stuck", seed=344)  # undecided at the end, out before: it stays
@given(
    sizes=sizes, name=st.sampled_from(["coil-unplugged", "ramp-up", "pressure-stuck"]), seed=st.integers(0, 10_000)
)
def test_poor_data_and_text_between_blocks(faulty, sizes, name, seed) -> None:
    lane = faulty[name]
    samples = spoilt(part(lane.samples, 58_000, 78_000), seed)
    assert_same(lane, samples, [*sizes, 1700], through_text=True, horizon_s=[None, 60.0][seed % 2])


def test_sample_by_sample(healthy) -> None:
    """Through a rest, a stroke and the rest behind it; each sample costs a whole judgement."""
    lane = healthy["healthy-4"]
    samples = part(lane.samples, 0, 1200)
    borders = samples.time_s[[700, 1100]]
    strokes = step(lane.sheet, begin(lane.sheet, horizon_s=None), samples).state.strokes
    assert any(borders[0] < stroke.from_s and stroke.to_s < borders[1] for stroke in strokes)
    assert_same(lane, samples, [700, *[1] * 400, 100])


@pytest.mark.parametrize("size", [130, 470])
def test_rests_that_are_cut_into_pieces_know_how_they_were_reached(size) -> None:
    """Rests of half a minute are several dwells, of which only the first follows its stroke in the same block."""
    samples = recording((0.0, 0.5, 1.0, 0.3, 0.0), hold_s=25.6)  # half a second is left over
    assert_same(SimpleNamespace(sheet=sheet()), samples, [size])


def test_a_log_is_the_steps_and_what_was_still_open(healthy) -> None:
    """The end of a log closes the last dwell; all before it is the same."""
    lane = healthy["healthy-6"]
    samples = part(lane.samples, 0, 24_000)
    log = {q.id: q for q in judge_log(lane.sheet, samples).quantities}
    live = run(lane.sheet, samples, [777])
    for quantity in live.judgement.quantities:
        other = log[quantity.id]
        assert other.verdict is quantity.verdict
        assert 0 <= other.coverage.segments - quantity.coverage.segments <= 1
        if quantity.as_found is not None:
            assert other.as_found == pytest.approx(quantity.as_found, abs=0.2 * (quantity.uncertainty or 0.0) + 1e-12)


def test_hours_and_intervals_cover_the_same_time(healthy) -> None:
    lane = healthy["healthy-3"]
    samples = part(lane.samples, 0, 12_000)
    whole = step(lane.sheet, begin(lane.sheet, horizon_s=None), samples)
    state, spans = begin(lane.sheet, horizon_s=None), []
    for first in range(0, 12_000, 550):
        outcome = step(lane.sheet, state, part(samples, first, first + 550))
        state = outcome.state
        spans += list(outcome.intervals)
    assert sum(i.to_s - i.from_s for i in spans) == pytest.approx(
        sum(i.to_s - i.from_s for i in whole.intervals), abs=0.5
    )
    assert all(b.from_s == pytest.approx(a.to_s, abs=0.011) for a, b in itertools.pairwise(spans))
    assert sum(whole.judgement.state_hours.values()) == pytest.approx(119.97 / 3600, rel=1e-6)


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=st.lists(st.integers(1, 30_000), min_size=4, max_size=8), name=st.sampled_from(["ramp-up", "coil-hot"]))
def test_points_of_history_and_charts(faulty, sizes, name) -> None:
    """Any block from one sample to everything, through text: the same points, whatever the cuts."""
    lane = faulty[name]
    whole = step(lane.sheet, begin(lane.sheet), lane.samples)
    state, points = begin(lane.sheet), []
    for block in blocks(lane.samples, [*sizes, lane.samples.time_s.size]):
        outcome = step(lane.sheet, loads(dumps(state)), block)
        state = outcome.state
        points += outcome.points
    assert len(points) > 2
    assert [(p.quantity, p.at_s) for p in points] == [(p.quantity, p.at_s) for p in whole.points]
    for one, other in zip(points, whole.points, strict=True):
        assert one.value == pytest.approx(other.value, rel=1e-9, abs=1e-12)
        assert one.standard_uncertainty == pytest.approx(other.standard_uncertainty, rel=1e-9, abs=1e-12)
    assert state.charts.keys() == whole.state.charts.keys()
    assert differences(state.charts, whole.state.charts) == []
    assert differences(state.learner.fit_budget, whole.state.learner.fit_budget) == []


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=sizes, name=st.sampled_from(["ramp-down-much", "pressure-stuck"]))
def test_where_strokes_are_rationed(faulty, sizes, name) -> None:
    """The reserve is used up before: what is fitted depends on time and strokes, never on cuts."""
    lane = faulty[name]
    samples = part(lane.samples, 50_000, 80_000)

    def used_up() -> JudgeState:
        state = begin(lane.sheet, horizon_s=None)
        state.learner.fit_budget = [0.0, 2.0, float(samples.time_s[0])]
        return state

    whole = step(lane.sheet, used_up(), samples).state
    pieces = run(lane.sheet, samples, [*sizes, 1300], state=used_up(), through_text=True).state
    assert len(whole.strokes) < 0.8 * len(whole.dwells)
    assert differences(whole.dwells, pieces.dwells) == []
    assert differences(whole.strokes, pieces.strokes) == []
    assert differences(whole.learner.fit_budget, pieces.learner.fit_budget) == []
