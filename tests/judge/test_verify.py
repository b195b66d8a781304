"""Verifications by the simulator, graded: what is right is in, what is wrong is out, what is missing is said."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.propose import Wanted, propose
from asleft.judge.types import Samples, Verdict
from asleft.judge.verify.grade import check, cut
from asleft.judge.verify.published import check_json
from asleft.judge.verify.result import MOST_PARTS, Outcome
from asleft.sheet.model import Characteristic, Coil, MadeBy, Tolerance
from asleft.sim.cycles import RIGID_BAR, CyclePlan, Step
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import default_valve
from lanes import START_S, record

_SWEEP = [k / 10 for k in (*range(1, 11), *range(9, -1, -1))]
#: Two full strokes after the first of enabling, then a sweep, over and over.
PLAN = CyclePlan(
    (
        Step(0.0, 3.0, RIGID_BAR),
        *(Step(u, 3.0, RIGID_BAR) for u in (1.0, 0.0, 1.0, 0.0)),
        *(Step(u, 3.0, RIGID_BAR) for u in _SWEEP),
    ),
    spread=0.0,
)
FAULTS = {
    "good": (),
    "ramp": (Fault(FaultKind.RAMP_UP, START_S - 60.0, 0.5),),
    "full": (Fault(FaultKind.CURRENT_AT_FULL, START_S - 60.0, -0.07),),
    "weak": (Fault(FaultKind.PRESSURE_DRIFT, START_S - 60.0, -12.0),),
}


@pytest.fixture(scope="module")
def lanes():
    models = {name: replace(default_valve(), cycle=PLAN, faults=faults) for name, faults in FAULTS.items()}
    return record(models, duration_s=118.0, seed=3)


@pytest.fixture(scope="module")
def good(lanes):
    """With the characteristic that the healthy valve showed, as somebody would have recorded it."""
    lane = lanes["good"]
    return replace(lane.sheet, characteristic=curve(check(lane.sheet, lane.samples)))


def curve(found) -> Characteristic:
    up = {round(s.command_pct): s for s in found.steps if s.way == "up"}
    down = {round(s.command_pct): s for s in found.steps if s.way == "down"}
    both = sorted(set(up) & set(down))
    at = [up[k].current.found for k in both]
    low, high = down[0], up[100]
    return Characteristic(
        (0.18, *at, high.current.found),
        (low.pressure.found, *(up[k].pressure.found for k in both), high.pressure.found),
        (low.pressure.found, *(down[k].pressure.found for k in both), high.pressure.found),
    )


def test_a_healthy_valve_is_as_left(lanes, good):
    found = check(good, lanes["good"].samples)
    assert found.outcome is Outcome.AS_LEFT, (found.missing, found.judgement.quantities)
    assert found.missing == ()
    assert found.conditioning == 2
    assert [s.way for s in found.steps].count("up") == 10
    assert [s.way for s in found.steps].count("down") == 10
    assert {s.current.verdict for s in found.steps} == {Verdict.IN}
    assert {s.pressure.verdict for s in found.steps} == {Verdict.IN}
    by_id = {q.id: q for q in found.judgement.quantities}
    truth = lanes["good"].truth
    for name in (
        "current_at_zero",
        "current_at_full",
        "ramp_up",
        "ramp_down",
        "pressure_at_zero",
        "pressure_at_full",
    ):
        assert by_id[name].as_found == pytest.approx(truth[name], abs=by_id[name].tolerance_above / 4), name
        assert by_id[name].verdict is Verdict.IN
    assert {r.way for r in found.ramps} == {"up", "down"}
    json.dumps(check_json(found), allow_nan=False)


@pytest.mark.parametrize(
    ("fault", "quantity"), [("ramp", "ramp_up"), ("full", "current_at_full"), ("weak", "pressure_at_full")]
)
def test_what_is_wrong_is_out_and_nothing_else(lanes, good, fault, quantity):
    found = check(replace(good, valve=lanes[fault].sheet.valve), lanes[fault].samples)
    assert found.outcome is Outcome.NOT_AS_LEFT
    out = {q.id for q in found.judgement.quantities if q.verdict is Verdict.OUT}
    assert quantity in out
    # Pressures follow a current that is too low; nothing else may move.
    assert out <= {quantity, *({"pressure_at_full"} if fault == "full" else set())}
    steps = [s for s in found.steps if s.command_pct > 85.0]
    assert steps
    assert all((s.current.verdict is Verdict.OUT) is (fault == "full") for s in steps)


def test_production_states_do_not_matter_but_what_was_done_does(lanes, good):
    samples = lanes["good"].samples
    stopped = Samples(samples.time_s, {**samples.channels, "mode": np.full(samples.time_s.size, 2.0)}, samples.bursts)
    assert check(good, stopped).outcome is Outcome.AS_LEFT
    early = cut(samples, samples.time_s[0], samples.time_s[0] + 30.0)
    found = check(good, early)
    assert found.outcome is Outcome.INCOMPLETE
    assert found.missing[0].startswith("A sweep 0-100-0 %") or "conditioning" in found.missing[0]
    by_id = {q.id: q for q in found.judgement.quantities}
    assert by_id["pressure_at_full"].verdict is Verdict.NOT_OBSERVED
    assert by_id["pressure_at_full"].reason == "no sweep 0-100-0 % yet"


def test_where_the_controller_makes_the_ramps_they_are_bounded_and_nothing_is_missing():
    model = replace(default_valve(), cycle=PLAN, controller_ramp_s=4.0)
    lane = record({"own": model}, duration_s=150.0, seed=3)["own"]
    sheet = replace(lane.sheet, signal=replace(lane.sheet.signal, made_by=MadeBy.CONTROLLER_RAMPS))
    found = check(sheet, lane.samples)
    assert found.missing == ()
    ramp = next(q for q in found.judgement.quantities if q.id == "ramp_up")
    assert ramp.verdict is Verdict.NOT_OBSERVED
    assert 1.2 < ramp.bound_below < 5.0
    assert check(lane.sheet, lane.samples).missing  # fixed steps would have shown them


# ------------------------------------------------------------------------------------- how much of a ramp was seen


def by_hand(*script: tuple[float, float], ramp_s: float = 1.2, rate_hz: float = 100.0) -> Samples:
    """A driver of a few lines (currents and ramps of `lanes`) under levels held for seconds: (seconds, level)."""
    demand = np.concatenate([np.full(round(s * rate_hz), u) for s, u in script])
    place, current = 0.0, np.empty(demand.size)
    for k, wanted in enumerate(demand):
        place += min(max(wanted - place, -1.0 / 2.0 / rate_hz), 1.0 / ramp_s / rate_hz)
        current[k] = 0.18 + 0.74 * place
    noise = np.random.default_rng(7).normal(size=(2, demand.size))
    channels = {"command": 4.0 + 16.0 * demand + 0.002 * noise[0], "current": current + 0.0008 * noise[1]}
    return Samples(START_S + np.arange(demand.size) / rate_hz, channels)


def test_whole_strokes_are_seen_whole(lanes, good):
    found = check(good, lanes["good"].samples)
    full = [r for r in found.ramps if abs(r.to_pct - r.from_pct) > 90.0]
    assert {r.way for r in full} == {"up", "down"}
    counted = [r for r in full if r.ramp.found is not None]
    assert len(counted) >= 3
    assert all(r.whole and r.seen_pct == pytest.approx(100.0, abs=1.0) for r in counted)
    assert all(r.readings_pct > 99.0 and r.stayed_s > 2.0 for r in counted)


def test_a_quarter_of_a_ramp_is_no_whole_stroke(lanes):
    turned = ((0.3, 1.0), (4.0, 0.0)) * 3
    found = check(lanes["good"].sheet, by_hand((4.0, 0.0), *turned, *((3.0, u) for u in _SWEEP)))
    full = [r for r in found.ramps if r.way == "up" and r.to_pct - r.from_pct > 90.0]
    assert len(full) == 3
    for one in full:
        assert not one.whole
        assert one.seen_pct == pytest.approx(25.0, abs=1.0)
    back = next(r for r in found.ramps if r.way == "down" and r.from_pct - r.to_pct > 90.0)
    assert back.ramp.reason == "not counted: the ramp before it had not finished, so it began at 25 %"
    (missing,) = [text for text in found.missing if text.startswith("A full stroke up")]
    assert "the command moved on after 0.3 s, with 2" in missing or "Of the last one only 2" in missing
    assert found.outcome is Outcome.INCOMPLETE


def test_readings_that_end_before_the_ramp_is_through_say_so(lanes):
    found = check(lanes["good"].sheet, by_hand((4.0, 0.0), (4.0, 1.0), (4.0, 0.0), (0.5, 1.0)))
    assert found.ramps[-1].ramp.reason == (
        "not counted: the readings end 0.5 s after it, before the ramp was through"
    )


def test_a_stroke_whose_readings_failed_says_so(lanes, good):
    samples = lanes["good"].samples
    first = next(r for r in check(good, samples).ramps if r.way == "up" and r.whole and r.ramp.found is not None)
    current = samples.channels["current"].copy()
    a, b = np.searchsorted(samples.time_s, [first.at_s + 0.2, first.at_s + 0.6])
    current[a:b] = np.nan
    found = check(good, replace(samples, channels={**samples.channels, "current": current}))
    again = min(found.ramps, key=lambda r: abs(r.at_s - first.at_s))
    assert again.ramp.found is None
    assert again.ramp.reason.startswith("not counted: ")
    assert "% of the readings failed while it ran" in again.ramp.reason
    assert again.readings_pct < 80.0


def test_both_ways_in_the_table_are_never_called_one_branch(lanes, good):
    samples = lanes["good"].samples
    swept = check(good, samples).sweep
    alone = check(good, cut(samples, swept.from_s - 3.0, swept.to_s + 3.0))
    assert {step.way for step in alone.steps} == {"up", "down"}
    reasons = {q.id: q.reason for q in alone.judgement.quantities}
    assert "one branch" not in str(reasons)


def test_out_comes_before_incomplete(lanes, good):
    samples = lanes["ramp"].samples
    found = check(good, cut(samples, samples.time_s[0], samples.time_s[0] + 30.0))
    assert found.missing
    assert found.outcome is Outcome.NOT_AS_LEFT


def test_a_pump_that_stands_makes_no_pressure(lanes, good):
    samples = lanes["good"].samples
    still = {**samples.channels, "pump_running": np.zeros(samples.time_s.size)}
    by_id = {q.id: q for q in check(good, replace(samples, channels=still)).judgement.quantities}
    assert by_id["pressure_at_full"].verdict is Verdict.NOT_OBSERVED
    unknown = {k: v for k, v in samples.channels.items() if k != "pump_running"}
    assert check(good, replace(samples, channels=unknown)).outcome is Outcome.AS_LEFT


def test_traces_of_partial_strokes_lie_on_the_same_line():
    part = CyclePlan(tuple(Step(u, 3.0, RIGID_BAR) for u in (0.2, 0.8)), spread=0.0)
    lane = record({"part": replace(default_valve(), cycle=part)}, duration_s=60.0, seed=4)["part"]
    found = check(lane.sheet, lane.samples)
    assert {t.way for t in found.traces} == {"up", "down"}
    for trace in found.traces:
        ramp_s, time_s, share = lane.sheet.as_left[f"ramp_{trace.way}"], np.array(trace.time_s), np.array(trace.share)
        inside = (time_s > 0.2 * ramp_s) & (time_s < 0.8 * ramp_s)
        line = time_s / ramp_s if trace.way == "up" else 1.0 - time_s / ramp_s
        assert np.max(np.abs(share - line)[inside]) < 0.06, trace.way


def test_a_valve_without_a_current_reading_is_graded_by_pressure(lanes, good):
    samples = lanes["good"].samples
    channels = {k: v for k, v in samples.channels.items() if k != "current"}
    found = check(good, replace(samples, channels=channels, bursts=()))
    assert found.missing == ()
    assert {s.current.verdict for s in found.steps} == {Verdict.NOT_OBSERVED}
    assert {s.current.reason for s in found.steps} == {"no current reading on this valve"}
    assert {s.pressure.verdict for s in found.steps} == {Verdict.IN}


def test_without_a_command_nothing_is_recognised(lanes, good):
    samples = lanes["good"].samples
    found = check(good, replace(samples, channels={"current": samples.channels["current"]}))
    assert found.missing == ("The command is not recorded on this valve: no sweep can be recognised.",)
    assert found.outcome is Outcome.INCOMPLETE
    with pytest.raises(ValueError, match="no reading in the stretch"):
        check(good, Samples(np.zeros(0), {}))


def test_without_a_recorded_characteristic_only_ends_are_graded(lanes):
    found = check(lanes["good"].sheet, lanes["good"].samples)
    graded = [(s.way, round(s.command_pct)) for s in found.steps if s.pressure.verdict is not Verdict.NOT_OBSERVED]
    assert graded == [("up", 100), ("down", 0)]


def test_traces_lie_on_the_ramp_as_left(lanes, good):
    found = check(good, lanes["good"].samples)
    assert {t.way for t in found.traces} == {"up", "down"}
    for trace in found.traces:
        ramp_s = good.as_left[f"ramp_{trace.way}"]
        time_s, share = np.array(trace.time_s), np.array(trace.share)
        inside = (time_s > 0.2 * ramp_s) & (time_s < 0.8 * ramp_s)
        line = time_s / ramp_s if trace.way == "up" else 1.0 - time_s / ramp_s
        assert inside.sum() >= 5
        assert np.max(np.abs(share - line)[inside]) < 0.05, trace.way


def test_courses_pass_over_no_reading_and_break_where_none_is(lanes, good):
    """A single wild reading is on the line, and a hole of two seconds is no line."""
    samples = lanes["good"].samples
    current = samples.channels["current"].copy()
    wild = current.size // 3
    current[wild] = 1.9
    hole = slice(current.size // 2, current.size // 2 + round(2.0 / np.median(np.diff(samples.time_s))))
    current[hole] = np.nan
    kept = np.ones(current.size, dtype=bool)
    kept[hole.stop + 500 : hole.stop + 1200] = False  # rows that are not there at all
    channels = {**samples.channels, "current": current}
    cut_out = Samples(samples.time_s[kept], {name: values[kept] for name, values in channels.items()})
    found = {one.channel: one for one in check(good, cut_out).courses}
    assert [(one.channel, one.unit) for one in found.values()] == [
        ("command", "mA"), ("current", "A"), ("pressure", "bar")
    ]  # fmt: skip
    since_s = cut_out.time_s - cut_out.time_s[0]
    for one in found.values():
        readings = cut_out.channels[one.channel]
        assert len(one.time_s) == len(one.values) <= 2 * MOST_PARTS
        assert np.all(np.diff(one.time_s) > 0)
        seen = np.isfinite(one.values)
        at = np.searchsorted(since_s, np.array(one.time_s)[seen])
        assert np.array_equal(readings[at], np.array(one.values)[seen])
        assert (np.nanmin(one.values), np.nanmax(one.values)) == (np.nanmin(readings), np.nanmax(readings))
    broken = np.array(found["current"].time_s)[~np.isfinite(found["current"].values)]
    for row, last in ((hole.start, hole.stop), (hole.stop + 500, hole.stop + 1200)):
        from_s, to_s = samples.time_s[[row, last]] - samples.time_s[0]
        assert np.any((broken > from_s) & (broken < to_s))


def test_without_a_reading_of_a_channel_it_has_no_course(lanes, good):
    samples = lanes["good"].samples
    nothing = np.full(samples.time_s.size, np.nan)
    channels = {"command": samples.channels["command"], "current": samples.channels["current"], "pressure": nothing}
    assert [one.channel for one in check(good, replace(samples, channels=channels)).courses] == ["command", "current"]


# ---------------------------------------------------------------------------------------------- proposals


def test_proposals_lead_to_what_was_wanted(lanes, good):
    """Read off the measured branches, and checked against the currents at which the simulator was told to hold."""
    found = check(good, lanes["good"].samples)
    up = {round(s.command_pct): s for s in found.steps if s.way == "up"}
    down = {round(s.command_pct): s for s in found.steps if s.way == "down"}
    wanted = Wanted(down[20].pressure.found, up[80].pressure.found, 100.0)
    by = {p.quantity or p.label: p for p in propose(good, found, wanted)}
    assert by["current_at_zero"].value == pytest.approx(down[20].current.found, abs=1e-6)
    assert by["current_at_full"].value == pytest.approx(up[80].current.found, abs=1e-6)
    span = by["current_at_full"].value - by["current_at_zero"].value
    slopes = [
        (up[k + 10].pressure.found - up[k].pressure.found) / (up[k + 10].current.found - up[k].current.found)
        for k in range(20, 80, 10)
    ]
    assert by["ramp_up"].value == pytest.approx(max(slopes) * span / 100.0, rel=0.02)
    assert by["headroom there, coil hot and supply low"].value is None


def test_headroom_of_a_proposal_by_hand(lanes, good):
    """(21.6 V - 1 V) 0.95 / (R20 (1 + 0.00393 * 70) + 0.3), IEC 60028 for the copper; then less half the dither."""
    coil = Coil(90.0, 21.6, 0.3, 1.0, 0.95)
    sheet = replace(good, coil=coil, as_left={**good.as_left, "coil_resistance": 11.0, "dither_amplitude": 0.06})
    found = check(sheet, lanes["good"].samples)
    up = {round(s.command_pct): s for s in found.steps if s.way == "up"}
    room = propose(sheet, found, Wanted(full_bar=up[90].pressure.found))[-1]
    most = (21.6 - 1.0) * 0.95 / (11.0 * (1 + 0.00393 * 70.0) + 0.3)
    full = up[90].current.found
    assert room.value == pytest.approx(100.0 * (most - 0.03 - full) / full, rel=1e-3)


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5, 0.75])
def test_a_proposed_ramp_owns_to_what_lies_between_the_levels(lanes, good, shift):
    """A branch whose steepest place lies anywhere within a step of the sweep: 12 + 180 (1 + tanh) / 2 bar."""
    found = check(good, lanes["good"].samples)
    currents = sorted({s.current.found for s in found.steps if s.way == "up"})
    step_a = currents[1] - currents[0]
    middle_a, width_a = currents[len(currents) // 2] + shift * step_a, 1.5 * step_a

    def curved(step):
        bar = 12.0 + 90.0 * (1.0 + np.tanh((step.current.found - middle_a) / width_a))
        return replace(step, pressure=replace(step.pressure, found=float(bar), uncertainty=0.05))

    shaped = replace(found, steps=tuple(curved(s) for s in found.steps))
    bars = sorted(s.pressure.found for s in shaped.steps if s.way == "up")
    by = {p.quantity: p for p in propose(good, shaped, Wanted(bars[0], bars[-1], 60.0)) if p.quantity}
    span = by["current_at_full"].value - by["current_at_zero"].value
    truth = 90.0 / width_a * span / 60.0
    assert abs(by["ramp_up"].value - truth) <= by["ramp_up"].uncertainty
    assert by["ramp_up"].uncertainty < 0.1 * truth


def test_nothing_is_extrapolated(lanes, good):
    found = check(good, lanes["good"].samples)
    zero, full = propose(good, found, Wanted(1.0, 500.0, 50.0))[1:3]
    assert zero.value is None
    assert "not to 1.0 bar" in zero.basis
    assert "not to 500.0 bar" in full.basis
    assert propose(good, found, Wanted())[1].basis == "no pressure was asked for"


def test_a_sheet_of_id_and_signal_alone_is_enough(lanes, good):
    """Nothing as left is nothing to grade by; currents and pressures are read all the same."""
    bare = replace(good, as_left={}, tolerance={}, characteristic=None)
    found = check(bare, lanes["good"].samples)
    assert {v for s in found.steps for v in (s.current.verdict, s.pressure.verdict)} == {Verdict.NOT_OBSERVED}
    json.dumps(check_json(found), allow_nan=False)
    full = check(good, lanes["good"].samples)
    wanted = [{round(s.command_pct): s for s in full.steps if s.way == "up"}[k].pressure.found for k in (30, 80)]
    asked = Wanted(*wanted, 100.0)
    for mine, theirs in zip(propose(bare, found, asked)[1:5], propose(good, full, asked)[1:5], strict=True):
        assert abs(mine.value - theirs.value) <= mine.uncertainty, (mine, theirs)


def test_where_the_pressure_starts_to_move(good, lanes):
    """A branch that is flat up to 0.35 A and then rises with 300 bar/A, by hand."""
    found = check(good, lanes["good"].samples)

    def bent(step):
        current = step.current.found
        bar = 12.0 + max(current - 0.35, 0.0) * 300.0
        return replace(step, pressure=replace(step.pressure, found=bar, uncertainty=0.3))

    start = propose(good, replace(found, steps=tuple(bent(s) for s in found.steps)), Wanted())[0]
    assert start.value == pytest.approx(0.35, abs=0.005)
    assert abs(start.value - 0.35) < start.uncertainty
    assert Tolerance(0.0, 0.1).above > start.uncertainty


def test_readings_in_another_unit_are_not_graded_but_said(lanes, good):
    samples = lanes["good"].samples
    channels = {**samples.channels, "pressure": samples.channels["pressure"] * 14.5037738}
    found = check(good, replace(samples, channels=channels))
    assert found.outcome is Outcome.INCOMPLETE
    assert found.missing[0].startswith("Readings that fit the sheet: the pressure is 14.5 times")
    assert found.steps == ()


def test_a_valve_far_from_its_sheet_is_graded_because_a_person_says_that_it_is_this_one(lanes, good):
    left = {**good.as_left, "current_at_zero": 0.35, "current_at_full": 1.6, "ramp_up": 0.4, "ramp_down": 4.5}
    found = check(replace(good, as_left=left, characteristic=None), lanes["good"].samples)
    assert found.outcome is Outcome.NOT_AS_LEFT
