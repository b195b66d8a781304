from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.judge import begin, expected_current, judge_log, step
from asleft.judge.published import judgement_json
from asleft.judge.state import dumps, loads
from asleft.judge.types import FastBurst, Judgement, Samples, State, Verdict
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, Sheet, Signal, SignalKind
from hypothesis import given, settings
from hypothesis import strategies as st
from lanes import by_id, part, run
from synth import MA, drive, recording, sheet

CHANNELS = (
    "command",
    "current",
    "pressure",
    "supply",
    "oil_temperature",
    "enable",
    "pump_running",
    "mode",
    "coil_voltage",
)


def check(judgement: Judgement) -> Judgement:
    """What must hold of any judgement of anything."""
    text = json.dumps(judgement_json(judgement), allow_nan=False)
    assert "None" not in judgement.sentence
    assert judgement.sentence.endswith(".")
    for quantity in judgement.quantities:
        assert quantity.unit == QUANTITY_UNITS[quantity.id]
        if quantity.verdict is Verdict.NOT_OBSERVED:
            assert quantity.reason, quantity.id
            assert quantity.as_found is None
        else:
            assert quantity.as_found is not None
            assert math.isfinite(quantity.as_found)
            assert quantity.uncertainty is not None
            assert quantity.uncertainty >= 0.0
    for finding in judgement.findings:
        assert "nan" not in finding.evidence.lower()
        assert finding.evidence.endswith(".")
    assert len(text) < 100_000
    return judgement


def only(samples: Samples, *names: str) -> Samples:
    return Samples(samples.time_s, {name: samples.channels[name] for name in names}, samples.bursts)


# ------------------------------------------------------------------------------------------ poor logs


def garbage(rng: np.random.Generator, n: int) -> Samples:
    """Random everything: times that jump and stand still, noise, steps, constants, failures, infinities."""
    steps = rng.choice([0.01, 0.0, 0.02, 0.5, 30.0, 4000.0, -0.01], n, p=[0.9, 0.02, 0.03, 0.02, 0.01, 0.005, 0.015])
    channels = {}
    for name in CHANNELS:
        if rng.random() < 0.3:
            continue
        size = rng.choice([0.0, 1e-6, 1.0, 20.0, 1e4, -5.0])
        values = size * (rng.random(n) if rng.random() < 0.5 else np.repeat(rng.random(n // 50 + 1), 50)[:n])
        if name in {"enable", "pump_running", "mode"} and rng.random() < 0.7:
            values = np.repeat(rng.integers(0, 4, n // 80 + 1), 80)[:n].astype(float)
        values[rng.random(n) < rng.choice([0.0, 0.01, 0.5, 1.0])] = np.nan
        if n and rng.random() < 0.1:
            values[rng.integers(0, n)] = rng.choice([np.inf, -np.inf])
        channels[name] = values
    bursts = tuple(
        FastBurst(
            float(rng.random() * n),
            float(rng.choice([10.0, 1000.0, 5000.0])),
            rng.random(int(rng.choice([0, 50, 2500]))),
        )
        for _ in range(rng.integers(0, 3))
    )
    return Samples(1.7e9 + np.cumsum(steps), channels, bursts)


VALVES = st.sampled_from(
    [
        sheet(),
        sheet(controls="flow"),
        sheet(signal=replace(MA, off_below_pct=5.0, made_by=MadeBy.CONTROLLER_RAMPS)),
        sheet(signal=Signal(SignalKind.EXPLICIT, "V", 10.0, 0.0)),
        sheet(as_left={"ramp_up": 0.0}),
        sheet(as_left={"pressure_at_full": 200.0}),
        sheet(as_left={}),
        sheet(as_left={**sheet().as_left, "ramp_up": 300.0, "ramp_down": 0.0}),
    ]
)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.integers(0, 1500), VALVES)
def test_anything_is_judged_without_an_error(seed, n, valve) -> None:
    samples = garbage(np.random.default_rng(seed), n)
    check(judge_log(valve, samples))
    state = begin(valve, horizon_s=20.0)
    for first in range(0, n, 400):
        outcome = step(valve, state, part(samples, first, first + 400))
        check(outcome.judgement)
        state = loads(dumps(outcome.state))


def test_how_far_a_log_is_judged_is_told_and_changes_nothing() -> None:
    time_s = np.arange(0.0, 3600.0, 0.5)
    rows = Samples(time_s, {"command": 12.0 + 0.0 * time_s, "current": 0.5 + 0.0 * time_s})
    seen: list[float] = []
    assert judgement_json(judge_log(sheet(), rows, told=seen.append)) == judgement_json(judge_log(sheet(), rows))
    assert seen == sorted(seen)
    assert seen[-1] == time_s[-1]
    assert len(seen) > 3


@pytest.mark.parametrize("n", [0, 1, 2, 10])
def test_almost_nothing(n) -> None:
    samples = Samples(np.arange(n) * 0.01, {"command": np.full(n, 12.0), "current": np.full(n, 0.6)})
    judgement = check(judge_log(sheet(), samples))
    assert all(q.verdict is Verdict.NOT_OBSERVED for q in judgement.quantities)
    assert judgement.sentence.startswith("Nothing judged yet")
    outcome = step(sheet(), begin(sheet()), samples)
    assert outcome.judgement.samples == n
    assert outcome.judgement.from_s == (None if n == 0 else 0.0)


def test_a_short_log_is_judged_from_what_there_is() -> None:
    """Fewer samples than the noise is taken from: twenty seconds at 10 Hz."""
    samples = recording([0.0, 0.5, 0.9, 0.2], hold_s=5.0, rate_hz=10.0)
    found = by_id(check(judge_log(sheet(), samples)))
    assert found["current_at_zero"].as_found == pytest.approx(0.2, abs=0.002)
    assert found["current_at_full"].as_found == pytest.approx(1.0, abs=0.002)


def test_no_channel_at_all() -> None:
    judgement = check(judge_log(sheet(), Samples(np.arange(500) * 0.01, {})))
    assert not judgement.findings
    assert by_id(judgement)["current_at_zero"].reason == "no current reading on this valve"
    assert by_id(judgement)["pressure_at_full"].reason == "no pressure reading on this valve"
    assert by_id(judgement)["dither_amplitude"].reason == "no fast bursts of the current"
    assert by_id(judgement)["supply_voltage"].reason == "supply not recorded"


# ------------------------------------------------------------------------------------------ what is left out


@pytest.fixture(scope="module")
def steps() -> Samples:
    return recording([0.0, 0.4, 0.9, 0.3] * 8, hold_s=2.0)


def test_samples_already_judged_and_times_that_go_back_are_left_out(steps) -> None:
    once = step(sheet(), begin(sheet(), horizon_s=None), steps)
    again = step(sheet(), once.state, part(steps, 1000, steps.time_s.size))
    assert dumps(again.state) == dumps(once.state)
    shuffled = Samples(
        np.insert(steps.time_s, [500, 900], [steps.time_s[100], steps.time_s[899]]),
        {name: np.insert(values, [500, 900], 1e3) for name, values in steps.channels.items()},
    )
    outcome = step(sheet(), begin(sheet(), horizon_s=None), shuffled)
    assert outcome.judgement.samples == steps.time_s.size
    told, plain = judgement_json(outcome.judgement), judgement_json(once.judgement)
    assert told.pop("remarks") == [*plain.pop("remarks"), "Left out: 2 samples whose time came twice or went back."]
    assert told == plain


def test_times_that_are_no_numbers_are_left_out(steps) -> None:
    time_s = steps.time_s.copy()
    time_s[[0, 700]] = np.nan
    outcome = step(sheet(), begin(sheet(), horizon_s=None), Samples(time_s, steps.channels))
    assert outcome.judgement.samples == steps.time_s.size - 2
    check(outcome.judgement)


def test_bursts_are_taken_once_and_not_from_an_idle_driver() -> None:
    t = np.arange(2500) / 5000.0
    live = FastBurst(10.0, 5000.0, 0.6 + 0.05 * np.sin(2 * np.pi * 100.0 * t))
    idle = FastBurst(20.0, 5000.0, 1e-3 * np.random.default_rng(1).standard_normal(2500))
    first = step(sheet(), begin(sheet()), Samples(np.array([1.0]), {}, (live, idle)))
    second = step(sheet(), first.state, Samples(np.array([2.0]), {}, (live,)))
    assert [b.at_s for b in second.state.bursts] == [10.0]
    assert by_id(second.judgement)["dither_frequency"].as_found == pytest.approx(100.0, abs=0.01)
    assert by_id(second.judgement)["dither_amplitude"].as_found == pytest.approx(0.1, rel=0.01)


# ------------------------------------------------------------------------------------------ rates, gaps, channels


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0, 200.0])
def test_other_sample_rates(rate_hz) -> None:
    samples = recording([0.0, 0.4, 0.9, 0.3] * 14, hold_s=3.0, rate_hz=rate_hz, up_s=1.5, down_s=2.0)
    left = {**sheet().as_left, "ramp_up": 1.5, "ramp_down": 2.0}
    found = by_id(check(judge_log(sheet(as_left=left), samples)))
    assert found["current_at_zero"].as_found == pytest.approx(0.2, abs=0.001)
    assert found["current_at_full"].as_found == pytest.approx(1.0, abs=0.001)
    assert found["ramp_up"].as_found == pytest.approx(1.5, rel=0.01 if rate_hz >= 50 else 0.03)
    assert found["ramp_down"].as_found == pytest.approx(2.0, rel=0.01 if rate_hz >= 50 else 0.03)


def test_irregular_sampling(steps) -> None:
    rng = np.random.default_rng(4)
    keep = rng.random(steps.time_s.size) < 0.8
    jitter = rng.uniform(-0.002, 0.002, steps.time_s.size)
    samples = Samples((steps.time_s + jitter)[keep], {name: v[keep] for name, v in steps.channels.items()})
    found = by_id(check(judge_log(sheet(), samples)))
    assert found["ramp_up"].as_found == pytest.approx(1.0, rel=0.02)
    assert found["current_at_full"].as_found == pytest.approx(1.0, abs=0.002)


def test_gaps_and_runs_of_failed_readings_cost_segments_and_nothing_else(healthy) -> None:
    lane = healthy["healthy-6"]
    rng = np.random.default_rng(5)
    keep = np.ones(lane.samples.time_s.size, dtype=bool)
    channels = {name: v.copy() for name, v in lane.samples.channels.items()}
    for first in rng.integers(0, keep.size, 12):
        keep[first : first + 300] = False
    for first in rng.integers(0, keep.size, 12):
        channels["current"][first : first + 200] = np.nan
    samples = Samples(lane.samples.time_s[keep], {n: v[keep] for n, v in channels.items()}, lane.samples.bursts)
    poor, good = judge_log(lane.sheet, samples), judge_log(lane.sheet, lane.samples)
    for name in ("current_at_zero", "current_at_full", "ramp_up", "ramp_down"):
        a, b = by_id(poor)[name], by_id(good)[name]
        assert a.coverage.segments < b.coverage.segments
        assert a.as_found == pytest.approx(b.as_found, rel=0.006)
        assert a.verdict is Verdict.IN


@pytest.mark.parametrize(
    ("names", "blind"),
    [
        (("command", "current"), {"pressure_at_zero", "pressure_at_full", "supply_voltage"}),
        (("command", "pressure"), {"current_at_zero", "current_at_full", "ramp_up", "ramp_down", "supply_voltage"}),
        (("command", "current", "pressure"), {"supply_voltage"}),
        (("current", "pressure"), {"current_at_zero", "current_at_full", "ramp_up", "ramp_down", "pressure_at_full"}),
    ],
)
def test_missing_channels_blind_what_needs_them_and_nothing_else(healthy, names, blind) -> None:
    lane = healthy["healthy-6"]
    judgement = check(judge_log(lane.sheet, only(lane.samples, *names)))
    found = by_id(judgement)
    for name in blind:
        assert found[name].verdict is Verdict.NOT_OBSERVED, name
    assert judgement.findings == ()
    if "command" in names:
        seen = {"current_at_full", "ramp_up", "pressure_at_full"} - blind
        assert all(found[name].verdict is Verdict.IN for name in seen)


def test_a_controller_that_ramps_slower_gives_a_bound_and_no_number() -> None:
    t = np.arange(12_000) * 0.01
    demand = np.interp(t % 12.0, [0.0, 1.5, 3.5, 6.0, 8.0, 12.0], [0.1, 0.1, 0.9, 0.9, 0.1, 0.1])
    rng = np.random.default_rng(6)
    fine = np.interp(np.arange(120_000) * 1e-3, t, demand)
    current = 0.2 + 0.8 * drive(fine, up_s=0.5, down_s=0.5)[::10] + 5e-4 * rng.standard_normal(t.size)
    samples = Samples(t, {"command": 4 + 16 * (demand + 2e-4 * rng.standard_normal(t.size)), "current": current})
    valve = sheet(signal=replace(MA, made_by=MadeBy.CONTROLLER_RAMPS))
    found = by_id(check(judge_log(valve, samples)))
    for name in ("ramp_up", "ramp_down"):
        assert found[name].verdict is Verdict.NOT_OBSERVED
        assert found[name].bound_below is not None
        assert 2.45 <= found[name].bound_below <= 3.2
        assert "controller makes its own" in found[name].reason
    assert found["current_at_full"].as_found == pytest.approx(1.0, abs=0.002)


def test_a_slow_ramp_of_a_minute() -> None:
    left = {**sheet().as_left, "ramp_up": 60.0, "ramp_down": 40.0}
    samples = recording([0.0, 0.5, 0.2, 0.8, 0.3] * 3, hold_s=45.0, up_s=60.0, down_s=40.0)
    found = by_id(check(judge_log(sheet(as_left=left), samples)))
    assert found["ramp_up"].as_found == pytest.approx(60.0, rel=0.005)
    assert found["ramp_down"].as_found == pytest.approx(40.0, rel=0.005)


# ------------------------------------------------------------------------------------------ sides of the judgement


def test_as_left_measured_is_taken_from_five_points_and_kept(healthy) -> None:
    lane = healthy["healthy-8"]
    state = begin(lane.sheet)
    for k in range(6):
        later = Samples(lane.samples.time_s + 86_400.0 * k, lane.samples.channels)
        outcome = step(lane.sheet, state, later)
        state = outcome.state
    measured = by_id(outcome.judgement)["ramp_up"].as_left_measured
    assert measured == pytest.approx(lane.left["ramp_up"], rel=0.01)
    assert all(chart.left is not None for name, chart in state.charts.items() if name.startswith("current"))
    assert by_id(outcome.judgement)["ramp_up"].change_uncertainty is not None
    assert len(state.charts["ramp_up"].points) >= 5


def test_dropped_readings_are_missing_data_with_their_reasons(steps) -> None:
    judgement = judge_log(sheet(), steps, dropped={"duplicate time": 7, "empty": 0, "not a number": 3})
    (finding,) = judgement.findings
    assert finding.kind == "data-missing"
    assert "7 duplicate time, 3 not a number" in finding.evidence
    assert judgement.status is judge_log(sheet(), steps).status, "it says nothing of the machine"
    assert judgement.sentence == judge_log(sheet(), steps).sentence
    half = judge_log(sheet(), steps, dropped={"empty": int(steps.time_s.size)})
    assert half.sentence.endswith("From 50 % of the readings.")


def test_without_instrument_entries_it_says_repeatability_only(steps) -> None:
    assert any("repeatability only" in remark for remark in judge_log(sheet(), steps).remarks)


def test_vented_zeros_before_and_after_part_the_sensor_from_the_valve(healthy) -> None:
    """A stop of two and a half minutes, production, a sensor that shifts, production, and another stop."""
    lane = healthy["healthy-6"]
    work = part(lane.samples, 0, 30_000)
    rng = np.random.default_rng(8)
    n = 15_000

    def stop(shift_bar: float) -> dict[str, np.ndarray]:
        return {
            "command": lane.sheet.signal.at_zero + 1e-3 * rng.standard_normal(n),
            "current": 1e-3 * rng.standard_normal(n),
            "pressure": shift_bar + 0.3 * rng.standard_normal(n),
            "enable": np.zeros(n),
            "pump_running": np.zeros(n),
            "mode": np.ones(n),
            "supply": np.full(n, 24.0),
            "oil_temperature": np.full(n, 45.0),
        }

    state, now_s = begin(lane.sheet, horizon_s=250.0), 1e9
    for shift in (0.0, 0.0, 12.0, 12.0):
        for channels in (work.channels, stop(shift)):
            shifted = {**channels}
            if channels is work.channels:
                shifted["pressure"] = channels["pressure"] + shift
            time_s = now_s + 0.01 * np.arange(shifted["command"].size)
            outcome = step(lane.sheet, state, Samples(time_s, shifted))
            state, now_s = outcome.state, float(time_s[-1]) + 0.01
    assert outcome.state.vented.left == pytest.approx(0.0, abs=0.05)
    assert outcome.state.vented.now == pytest.approx(12.0, abs=0.05)
    finding = next(f for f in outcome.judgement.findings if f.kind == "pressure-changed")
    assert finding.part.value == "pressure-sensor"
    assert finding.alternatives == ()
    assert outcome.judgement.current_state is State.NOT_ENABLED


def test_a_stopped_machine_is_judged_for_nothing_and_counted() -> None:
    n = 20_000
    samples = Samples(
        np.arange(n) * 0.01,
        {
            "command": np.full(n, 4.0),
            "current": np.full(n, 0.2),
            "pressure": np.full(n, 0.5),
            "pump_running": np.zeros(n),
        },
    )
    judgement = check(judge_log(sheet(), samples))
    assert judgement.findings == ()
    assert judgement.current_state is State.STOPPED
    assert judgement.state_hours == {"stopped": pytest.approx(199.99 / 3600)}
    assert judgement.sentence == "Nothing judged yet: the machine has not produced since this sheet came into force."


# ------------------------------------------------------------------------------------------ expected current


def test_the_expected_current_is_the_models(steps) -> None:
    expected = expected_current(sheet(), steps, lag_s=0.02)
    assert np.abs(expected - steps.channels["current"])[100:].max() < 0.02
    assert np.std((expected - steps.channels["current"])[100:]) < 0.004


def test_as_found_replaces_settings_and_unknown_commands_are_unknown(steps) -> None:
    half = expected_current(sheet(), steps, as_found={"current_at_full": 0.6})
    assert half.max() == pytest.approx(0.2 + 0.9 * 0.4, abs=0.002)
    broken = {**steps.channels, "command": steps.channels["command"].copy()}
    broken["command"][50:60] = np.nan
    assert np.isnan(expected_current(sheet(), Samples(steps.time_s, broken))[50:60]).all()
    bare = Sheet("press-1.bare", MA, {}, {})
    assert np.isnan(expected_current(bare, steps)).all()
    assert expected_current(sheet(), part(steps, 0, 0)).size == 0


def test_nothing_is_expected_of_a_driver_that_is_not_enabled(steps) -> None:
    off = Samples(steps.time_s, {**steps.channels, "enable": np.zeros(steps.time_s.size)})
    assert expected_current(sheet(), off).max() == 0.0
    quiet = sheet(signal=replace(MA, off_below_pct=5.0))
    low = Samples(steps.time_s, {"command": np.full(steps.time_s.size, 4.2)})
    assert expected_current(quiet, low).max() == 0.0


def test_the_live_horizon_forgets_what_lies_behind(healthy) -> None:
    lane = healthy["healthy-6"]
    state = run(lane.sheet, lane.samples, [5000], horizon_s=60.0).state
    assert state.dwells[-1].clock_s - state.dwells[0].clock_s <= 700.0
    judgement = run(lane.sheet, part(lane.samples, 0, 30_000), [5000], horizon_s=60.0).judgement
    covered = by_id(judgement)["current_at_full"].coverage
    assert covered.from_s is not None
    assert covered.to_s is not None
    assert covered.to_s - covered.from_s <= 61.0
