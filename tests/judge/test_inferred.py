"""The judge without enable, pump and mode channels, on the live plant: right states, no false alarm, danger seen."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.intake.intake import STATE, columns_of
from asleft.judge.intake.states import StateCarry, judge_states
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.types import Samples, State
from asleft.sim.calendar import live_stretches
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ValveModel, default_valve
from asleft.sim.recording import simulate
from lanes import START_S, Lane, blocks, part, run, samples_of, sheet_of
from scenes import random_model

SETS = {
    "all three": ("command", "current", "pressure"),
    "no pressure": ("command", "current"),
    "no current": ("command", "pressure"),
}
LASTS_S = 3120.0
RATE_HZ = 20.0
#: Truth (producing, stopped, not-enabled, set-up, emergency-stop) in the judge's codes.
TRUTH = np.array([0, 1, 2, 3, 2])


def plan(press: str) -> dict[str, tuple[float, float]]:
    """First stretch of each kind of the live plant after the start, as (from, to) in unix seconds."""
    out: dict[str, tuple[float, float]] = {}
    for stretch in itertools.takewhile(lambda s: s.from_s < START_S + LASTS_S, live_stretches(press, START_S)):
        out.setdefault(stretch.kind, (stretch.from_s, stretch.to_s))
    return out


@pytest.fixture(scope="module")
def live() -> dict[str, Lane]:
    """An hour of the live plant: a set-up, an emergency stop, a break. One driver leaks in the emergency stop."""
    rng = random.Random(3)
    models = {
        "plain": replace(default_valve(), command_kept_s=0.2),
        "random": replace(random_model(rng), signal="0-10V"),
        "leaking": default_valve(),
    }
    models = {name: replace(model, valve_id=f"{name}.valve") for name, model in models.items()}
    emergency_s = plan("leaking")["emergency"][0]
    leak = Fault(FaultKind.UNWANTED_CURRENT, emergency_s + 15.0, 0.6)
    models["leaking"] = replace(models["leaking"], faults=(leak,))
    return dict(zip(models, lanes_of(list(models.values())), strict=True))


def lanes_of(models: list[ValveModel]) -> list[Lane]:
    recordings = simulate(
        models, [START_S] * len(models), LASTS_S, rate_hz=RATE_HZ, seed=9, programme="live", burst_every_s=0.0
    )
    return [Lane(m, r, sheet_of(m, r.truth.as_left), samples_of(r)) for m, r in zip(models, recordings, strict=True)]


def with_only(samples: Samples, names: tuple[str, ...]) -> Samples:
    return Samples(samples.time_s, {name: samples.channels[name] for name in names})


def judged(lane: Lane, names: tuple[str, ...], samples: Samples | None = None) -> StepOutcome:
    return run(lane.sheet, with_only(samples or lane.samples, names), [1000])


@pytest.mark.parametrize("channels", SETS)
@pytest.mark.parametrize("name", ["plain", "random"])
def test_states_are_right_without_their_channels(live, name, channels) -> None:
    lane = live[name]
    columns = columns_of(with_only(lane.samples, SETS[channels]), lane.sheet.signal)
    judge_states(columns, lane.sheet, StateCarry())
    truth, found = TRUTH[lane.recording.truth.state], columns[STATE]
    assert set(np.unique(truth)) == {0, 1, 2, 3}
    if "current" not in SETS[channels]:
        truth, found = np.where(truth == 2, 1, truth), np.where(found == 2.0, 1.0, found)
    assert np.mean(truth == found) > 0.985  # within an hour every kind of interruption
    for code in np.unique(truth):
        assert np.mean(found[truth == code] == code) > 0.9


@pytest.mark.parametrize(
    ("name", "channels"),
    [("plain", "all three"), ("plain", "no pressure"), ("random", "no current"), ("random", "all three")],
)
def test_a_healthy_valve_raises_nothing_without_them(live, name, channels) -> None:
    lane = live[name]
    state, raised = begin(lane.sheet), set()
    for block in blocks(with_only(lane.samples, SETS[channels]), [1000]):
        outcome = step(lane.sheet, state, block)
        state = outcome.state
        raised |= {finding.kind for finding in outcome.judgement.findings}
    assert raised == set()
    assert all("inferred" in words or "not known" in words for words in outcome.judgement.basis.values())


def test_the_first_stroke_after_a_driver_was_off_is_set_aside(live) -> None:
    lane = live["plain"]
    strokes = run(lane.sheet, with_only(lane.samples, SETS["all three"]), [1000], horizon_s=None).state.strokes
    off_s, on_s = plan("plain")["emergency"]
    assert any(s.excluded > 0.5 and s.from_s > on_s - 2.0 and s.from_s < on_s + 30.0 for s in strokes)
    later = [s for s in strokes if s.from_s > on_s]
    assert [s.excluded for s in later[:3]] == [1.0, 0.0, 0.0]
    assert not any(off_s + 1.0 < s.from_s < on_s - 1.0 for s in strokes)


def test_current_through_a_driver_that_is_off_is_found_all_the_same(live) -> None:
    lane = live["leaking"]
    leak_s = lane.model.faults[0].onset_s
    n = int((leak_s - START_S + 8.0) * RATE_HZ)
    early = Samples(lane.samples.time_s[:n], {k: v[:n] for k, v in lane.samples.channels.items()})
    for channels in ("all three", "no pressure"):
        found = {f.kind: f for f in judged(lane, SETS[channels], early).judgement.findings}
        assert "current-unwanted" in found
        assert found["current-unwanted"].severity == 3
        assert found["current-unwanted"].onset_s == pytest.approx(leak_s, abs=0.5)


@pytest.mark.parametrize("channels", ["all three", "no current"])
def test_pressure_that_comes_while_the_machine_is_stopped_is_found(live, channels) -> None:
    lane = live["plain"]
    begins_s, ends_s = plan("plain")["break"]
    time_s = lane.samples.time_s
    here = (time_s > begins_s + 40.0) & (time_s < begins_s + 60.0)
    pressure = lane.samples.channels["pressure"] + np.where(here, 60.0, 0.0)
    n = int(np.searchsorted(time_s, min(begins_s + 62.0, ends_s)))
    spoilt = {**lane.samples.channels, "pressure": pressure}
    outcome = judged(lane, SETS[channels], Samples(time_s[:n], {k: v[:n] for k, v in spoilt.items()}))
    (finding,) = outcome.judgement.findings
    assert finding.kind == "pressure-unwanted"
    assert finding.onset_s == pytest.approx(begins_s + 40.0, abs=0.1)
    assert outcome.judgement.current_state is State.STOPPED


@pytest.mark.parametrize("channels", SETS)
def test_inferred_states_are_the_same_however_the_samples_are_cut(live, channels) -> None:
    lane = live["plain"]
    a, b = (round((at_s - START_S) * RATE_HZ) for at_s in plan("plain")["set-up"])
    samples = with_only(part(lane.samples, a - 4000, b + 2000), SETS[channels])
    whole = step(lane.sheet, begin(lane.sheet, horizon_s=None), samples)
    pieces = run(lane.sheet, samples, [1, 333, 7, 2000, 61, 900, 137], through_text=True)
    assert whole.judgement.state_hours["set-up"] > 0.8 * (b - a) / RATE_HZ / 3600.0
    assert pieces.judgement.basis == whole.judgement.basis
    assert pieces.judgement.state_hours == pytest.approx(whole.judgement.state_hours, rel=1e-9)
    assert pieces.state.states == whole.state.states
    assert len(pieces.state.strokes) == len(whole.state.strokes)
    assert len(pieces.state.dwells) == len(whole.state.dwells)


@pytest.mark.parametrize("channels", ["all three", "no pressure"])
def test_a_current_that_is_lost_is_found_and_heard_without_an_enable_channel(faulty, channels) -> None:
    lane = faulty["coil-unplugged"]
    state, heard = begin(lane.sheet), set()
    for block in blocks(with_only(part(lane.samples, 58_000, 76_000), SETS[channels]), [100]):
        outcome = step(lane.sheet, state, block)
        state = outcome.state
        if outcome.judgement.current_state is State.PRODUCING:
            heard |= {finding.kind for finding in outcome.judgement.findings}
    assert "current-lost" in heard
    assert heard <= {"current-lost", "pressure-changed", "pressure-clipped"}
