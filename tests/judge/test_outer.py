"""A controller closes the pressure loop outside: the command never rests, the pressure is held true."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.finding.held import CHART
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.outer import carried, slow_line
from asleft.judge.steps.outer_remarks import never_rests
from asleft.judge.types import Samples, Verdict
from asleft.sheet.model import MadeBy
from lanes import Lane, by_id, causes, part, run
from loops import CYCLE, FAULTS, LASTS_S, ONSET_S, loops, plant
from synth import dwell
from test_blocks import assert_same

UNDECIDED_TOO = {Verdict.IN, Verdict.UNDECIDED}


BEFORE, END = 61_000, 76_000


@pytest.fixture(scope="module")
def faulty() -> dict[str, Lane]:
    """Twelve and a half minutes under a controller, a fault beginning after ten."""
    return loops(plant(), LASTS_S, seed=3)


@pytest.fixture(scope="module")
def after(faulty):
    """Judged 30 s at a time through two and a half minutes of the fault; before it there is nothing."""
    out = {}
    for name in (*FAULTS, "low"):
        lane = faulty[name]
        healthy = step(lane.sheet, begin(lane.sheet, horizon_s=240.0), part(lane.samples, 0, BEFORE))
        assert healthy.judgement.findings == (), name
        out[name] = run(lane.sheet, part(lane.samples, BEFORE, END), [3000], state=healthy.state)
    return out


def seconds(zero_a: float = 0.2, full_a: float = 1.0, lag_s: float = 0.05, *, noise_a: float = 0.0, n: int = 200):
    """Quiet seconds of a command that wanders slowly, the current following with a lag."""
    rng = np.random.default_rng(4)
    t = np.arange(n) * 1.0
    u, rate = 0.5 + 0.4 * np.sin(t / 9.0), 0.4 / 9.0 * np.cos(t / 9.0)
    current = zero_a + (full_a - zero_a) * (u - lag_s * rate) + noise_a * rng.standard_normal(n)
    return [
        dwell(float(x), float(i), from_s=1e9 + s, demand_moves=float(r), n=100.0)
        for s, x, i, r in zip(t, u, current, rate, strict=True)
    ]


def test_the_line_is_exact_whatever_the_lag() -> None:
    for lag_s in (-0.05, 0.0, 0.2):
        line = slow_line(seconds(lag_s=lag_s), 0.8, 0.016, 0.0, 1e-4).line
        assert line is not None
        assert (line.at_zero_a, line.at_full_a) == pytest.approx((0.2, 1.0), abs=1e-9)


def test_a_top_cut_off_is_told_from_a_changed_line() -> None:
    rows = [d._replace(current_a=min(d.current_a, 0.75)) for d in seconds(noise_a=5e-4)]
    found = slow_line(rows, 0.8, 0.016, 0.0, 1e-4)
    assert found.clip is not None
    assert found.clip.limit_a == pytest.approx(0.75, abs=0.002)
    assert found.line is not None
    assert found.line.at_full_a == pytest.approx(1.0, abs=0.004)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (seconds(n=5), "slowly enough"),
        ([dwell(0.5, 0.6, demand_moves=0.001, from_s=float(k)) for k in range(20)], "too little for a line"),
    ],
)
def test_too_little_says_why(rows, words) -> None:
    found = slow_line(rows, 0.8, 0.016, 0.0, 1e-4)
    assert found.line is None
    assert words in found.reason


def test_single_seconds_carried_to_the_ends_lie_on_them() -> None:
    rows = seconds(lag_s=0.0)
    line = slow_line(rows, 0.8, 0.016, 0.0, 1e-4).line
    for end, value in ((0.0, 0.2), (1.0, 1.0)):
        assert np.allclose([v for _, v in carried(rows, line, end)], value, rtol=0.0, atol=1e-9)
    assert carried(rows, None, 1.0) == []


def test_currents_ramps_and_what_the_loop_does_not_show(faulty) -> None:
    lane = faulty["none"]
    found = by_id(judge_log(lane.sheet, part(lane.samples, 0, 60_000)))
    for name in ("current_at_zero", "current_at_full"):
        assert found[name].as_found == pytest.approx(lane.left[name], abs=0.001)
        assert abs(found[name].as_found - lane.left[name]) <= found[name].uncertainty
        assert found[name].verdict is Verdict.IN
    for name in ("ramp_up", "ramp_down"):
        assert found[name].as_found == pytest.approx(lane.left[name], rel=0.005)
    assert found["pressure_at_full"].verdict is Verdict.NOT_OBSERVED
    assert "the loop goes to 8" in found["pressure_at_full"].reason
    assert "outside makes the command" in found["hysteresis"].reason


def test_a_loop_that_never_outruns_the_ramps_gives_bounds(faulty) -> None:
    lane = faulty["slow"]
    found = by_id(judge_log(lane.sheet, part(lane.samples, 0, 30_000)))
    for name in ("ramp_up", "ramp_down"):
        assert found[name].verdict is Verdict.NOT_OBSERVED
        assert "never outruns it" in found[name].reason
        assert lane.left[name] < found[name].bound_below <= 4.5
    assert found["current_at_full"].as_found == pytest.approx(0.92, abs=0.001)


@pytest.mark.parametrize(("name", "level"), [("spring", 17), ("seat", None)])
def test_a_failing_valve_shows_in_the_command_needed(after, name, level) -> None:
    judgement = after[name].judgement
    assert causes(judgement) == {"pressure-changed"}
    finding = judgement.findings[0]
    assert finding.part is Part.VALVE
    assert "it now needs" in finding.evidence
    assert level is None or f"For {level}" in finding.evidence
    assert finding.severity == 2
    assert -20.0 <= finding.onset_s - ONSET_S <= 40.0


def test_the_command_needed_is_said_in_numbers_that_are_right(after) -> None:
    """At 82 % the spring lost 11 x (w (at 82 %) = .82) = 9 bar; the slope there is near 220 bar: 4 % more command."""
    words = after["spring"].judgement.findings[0].evidence.split()
    now, left = float(words[words.index("needs") + 1]), float(words[words.index("needed") + 1])
    assert left == pytest.approx(82.0, abs=1.0)
    assert now - left == pytest.approx(4.1, abs=0.8)


def test_driver_and_reading_are_told_apart_by_the_command_needed(after) -> None:
    full, sensor = after["full"].judgement, after["sensor"].judgement
    assert causes(full) == {"current-full-changed"}
    assert next(f for f in full.findings if f.consequence_of is None).part is Part.DRIVER_SETTING
    assert causes(sensor) == {"current-full-changed"}
    assert sensor.findings[0].part is Part.CURRENT_SENSOR
    assert by_id(full)["current_at_full"].as_found == pytest.approx(0.85, abs=0.002)


def test_what_the_loop_rejects_does_not_alarm(after) -> None:
    for name in ("none", "supply", "relief"):  # the relief stays above every set point
        assert after[name].judgement.findings == (), name
    remark = next(r for r in after["none"].judgement.remarks if "it needs" in r)
    assert "For 17" in remark


def test_a_slower_ramp_of_the_driver_is_measured(after) -> None:
    found = by_id(after["ramp"].judgement)
    assert causes(after["ramp"].judgement) == {"ramp-up-changed"}
    assert found["ramp_up"].as_found == pytest.approx(2.4, rel=0.01)
    assert found["current_at_full"].verdict in UNDECIDED_TOO


def test_a_repaired_valve_is_good_again(faulty, after) -> None:
    again = part(faulty["none"].samples, 50_000, 76_000)
    later = Samples(again.time_s + 2000.0, again.channels)
    lane = faulty["spring"]
    assert run(lane.sheet, later, [6500], state=after["spring"].state).judgement.findings == ()


def test_the_chart_runs_on_the_command_needed(after) -> None:
    assert CHART in after["none"].state.charts
    at_s, value, se = after["none"].state.charts[CHART].points[-1]
    assert abs(value) < 1.0
    assert 0.0 < se < 1.0
    assert at_s > 1.7e9


def test_a_set_point_that_is_not_reached_is_said(after) -> None:
    """The relief opens under the highest set point: the command runs to its end, lower pressures are as left."""
    judgement = after["low"].judgement
    assert causes(judgement) == {"pressure-clipped"}
    assert judgement.findings[0].part is Part.PRESSURE_SOURCE
    assert "100 % and the pressure stops at 14" in judgement.findings[0].evidence


@pytest.mark.parametrize("sizes", [[1000], [137, 4001, 60, 7, 800], [300, 1, 2, 9000]])
def test_the_same_however_it_is_cut(faulty, sizes) -> None:
    lane = faulty["spring"]
    assert_same(lane, part(lane.samples, 55_000, 67_000), sizes)


def test_the_same_through_text_and_with_pauses(faulty) -> None:
    lane = faulty["ramp"]
    samples = part(lane.samples, 55_000, 70_000)
    time_s = samples.time_s.copy()
    time_s[5000:] += 3.0
    time_s[9000:] += 4000.0
    gone = Samples(time_s, {k: np.where(np.arange(15_000) % 997 < 3, np.nan, v) for k, v in samples.channels.items()})
    assert_same(lane, gone, [700, 33, 2500], through_text=True)


def test_memory_stays_small(faulty) -> None:
    lane = faulty["none"]
    outcome = run(lane.sheet, part(lane.samples, 0, 60_000), [3000], horizon_s=240.0)
    assert outcome.state.tail.shape[1] < 3000
    assert len(outcome.state.dwells) < 1000


def test_a_sheet_that_knows_no_loop_is_told_of_it(faulty) -> None:
    lane = faulty["restless"]
    samples = part(lane.samples, 0, 9000)
    plain = replace(lane.sheet, signal=replace(lane.sheet.signal, made_by=MadeBy.FIXED_STEPS))
    outcome = step(plain, begin(plain, horizon_s=None), samples)
    assert never_rests(outcome.state)
    assert any("seems to make it" in remark for remark in outcome.judgement.remarks)
    again = step(lane.sheet, begin(lane.sheet, horizon_s=None), samples)
    assert not any("seems to make it" in remark for remark in again.judgement.remarks)
    found = by_id(again.judgement)["current_at_full"]
    assert found.as_found == pytest.approx(0.92, abs=0.002)


def test_steps_are_no_loop(healthy) -> None:
    lane = healthy["healthy-5"]
    outcome = step(lane.sheet, begin(lane.sheet, horizon_s=None), part(lane.samples, 0, 12_000))
    assert not never_rests(outcome.state)


def test_a_valve_for_flow_is_not_judged_by_pressure(faulty) -> None:
    lane = faulty["spring"]
    sheet = replace(lane.sheet, controls="flow")
    judgement = step(sheet, begin(sheet, horizon_s=None), part(lane.samples, BEFORE, END)).judgement
    assert judgement.findings == ()
    assert "controls flow" in by_id(judgement)["pressure_at_full"].reason
    assert by_id(judgement)["current_at_full"].verdict is Verdict.IN


def test_without_pressure_or_current_there_is_a_reason(faulty) -> None:
    lane = faulty["none"]
    for missing, name in (("pressure", "pressure_at_full"), ("current", "current_at_full")):
        channels = {k: v for k, v in part(lane.samples, 0, 20_000).channels.items() if k != missing}
        judgement = judge_log(lane.sheet, Samples(lane.samples.time_s[:20_000], channels))
        assert f"no {missing} reading" in by_id(judgement)[name].reason
        assert judgement.findings == ()


def test_the_cycle_here_leaves_the_top_unvisited() -> None:
    assert max(s.level for s in CYCLE.steps) < 0.9
