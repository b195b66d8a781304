"""Recordings: repeatable, independent of their neighbours, and true to their valve."""

from dataclasses import fields, replace
from datetime import datetime

import numpy as np
import pytest
from asleft.sim import few_lanes
from asleft.sim.calendar import ZONE
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.march import March
from asleft.sim.model import Sensor, default_valve
from asleft.sim.outer_loop import OuterLoop
from asleft.sim.recording import simulate
from asleft.sim.truth import PRODUCING, STATE_NAMES

START_S = 1_790_000_000.0
VALVE = default_valve()
OTHER = replace(VALVE, valve_id="press-9.other", signal="0-10V", ramp_up_s=0.4)


@pytest.fixture(scope="module")
def minute():
    return simulate([VALVE, OTHER], [START_S, START_S], 60.0)


def same(one, two):
    return (
        all(np.array_equal(one.counts[c], two.counts[c]) for c in one.counts)
        and np.array_equal(one.truth.state, two.truth.state)
        and all(np.array_equal(a.counts, b.counts) for a, b in zip(one.bursts, two.bursts, strict=True))
    )


def test_shape_and_units(minute):
    one = minute[0]
    assert one.valve_id == VALVE.valve_id
    assert one.time_s.shape == (6000,)
    assert np.diff(one.time_s) == pytest.approx(0.01, abs=1e-6)
    assert one.time_s[0] == START_S
    assert set(one.counts) == set(VALVE.records)
    assert {counts.dtype for counts in one.counts.values()} == {np.dtype(np.int16)}
    assert {counts.shape for counts in one.counts.values()} == {(6000,)}
    assert (one.units["command"], one.units["current"], one.units["mode"]) == ("mA", "A", "1")
    assert minute[1].units["command"] == "V"
    assert one.values("enable").tolist() == [1.0] * 6000
    assert (one.truth.state == PRODUCING).all()
    assert one.truth.state_names == STATE_NAMES
    assert one.truth.settings == one.truth.as_left


def test_the_same_seed_gives_the_same_recording_and_another_does_not(minute):
    assert same(simulate([VALVE], [START_S], 60.0)[0], minute[0])
    assert not same(simulate([VALVE], [START_S], 60.0, seed=2)[0], minute[0])


def test_neighbours_change_nothing(minute):
    faulty = replace(VALVE, valve_id="press-9.third", faults=(Fault(FaultKind.RAMP_UP, START_S + 20.3, 0.5),))
    crowd = simulate([faulty, OTHER, VALVE], [START_S, START_S, START_S], 60.0)
    assert same(crowd[2], minute[0])
    assert same(crowd[1], minute[1])


def test_repeats_in_one_call_have_noise_of_their_own():
    twins = simulate([VALVE, VALVE], [START_S, START_S], 10.0)
    assert not np.array_equal(twins[0].counts["current"], twins[1].counts["current"])


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 100.0, 200.0])
def test_every_rate_shows_the_same_levels(rate_hz):
    quiet = replace(VALVE, command_noise_pct=0.0)
    one = simulate([quiet], [START_S], 40.0, rate_hz=rate_hz)[0]
    assert one.time_s.size == round(40.0 * rate_hz)
    current = one.values("current")
    assert current.max() == pytest.approx(VALVE.current_at_full_a, abs=0.006)
    assert current.min() == pytest.approx(VALVE.current_at_zero_a, abs=0.006)


def test_a_ramp_of_the_recording_is_the_ramp_of_the_valve(minute):
    for one, valve in zip(minute, (VALVE, OTHER), strict=True):
        demand = (one.values("current") - valve.current_at_zero_a) / (
            valve.current_at_full_a - valve.current_at_zero_a
        )
        up = np.flatnonzero((demand[:-1] < 0.80) & (demand[1:] >= 0.80))[0]
        begin = up - np.argmax(demand[up::-1] < 0.74)
        end = up + np.argmax(demand[up:] > 0.96)
        inside = slice(begin + 2, end - 2)
        slope = np.polyfit(one.time_s[inside] - one.time_s[up], demand[inside], 1)[0]
        assert 1.0 / slope == pytest.approx(valve.ramp_up_s, rel=0.05)


def test_truth_marks_where_the_load_makes_the_pressure(minute):
    one = minute[0]
    load = ~one.truth.in_control
    assert 0.05 < load.mean() < 0.6
    current, pressure = one.values("current"), one.values("pressure")
    at_approach = np.abs(current - (0.18 + 0.35 * 0.74)) < 0.004
    assert pressure[at_approach & load].mean() < 25.0
    full = np.flatnonzero(current > VALVE.current_at_full_a - 0.004)
    assert np.median(pressure[full]) == pytest.approx(VALVE.pressure_at_full_bar, abs=2.0)


def test_bursts_hold_the_dither(minute):
    bursts = [b for b in minute[0].bursts if np.ptp(np.convolve(b.values(), np.ones(250) / 250, "valid")) < 0.01]
    assert bursts, "needs a burst in a dwell"
    for burst in bursts:
        values = burst.values()
        spectrum = np.abs(np.fft.rfft((values - values.mean()) * np.hanning(values.size))) / (values.size / 4)
        frequency = np.fft.rfftfreq(values.size, 1 / burst.rate_hz)
        band = (frequency > 20) & (frequency < 500)
        peak = np.argmax(np.where(band, spectrum, 0))
        assert frequency[peak] == pytest.approx(VALVE.dither_frequency_hz, abs=2.0)
        assert 2 * spectrum[peak] == pytest.approx(minute[0].truth.settings["dither_amplitude"], rel=0.05)


def test_no_current_reading_means_no_bursts():
    blind = replace(VALVE, records=("command", "pressure"))
    one = simulate([blind], [START_S], 30.0)[0]
    assert set(one.counts) == {"command", "pressure"}
    assert one.bursts == ()


def test_a_ramp_that_changes_within_a_recording():
    changed = replace(VALVE, ramp_up_s=1.0, faults=(Fault(FaultKind.RAMP_UP, START_S + 60.0, 1.0),))
    one = simulate([changed], [START_S], 120.0)[0]
    rises = np.diff(one.values("current").reshape(-1, 5).mean(axis=1)) / 0.05 / 0.74
    times = one.time_s.reshape(-1, 5)[:-1, 0] - START_S
    assert rises[times < 60].max() == pytest.approx(1.0, abs=0.08)
    assert rises[times > 62].max() == pytest.approx(0.5, abs=0.08)


def test_a_broken_command_wire_reads_no_live_zero():
    broken = replace(VALVE, faults=(Fault(FaultKind.COMMAND_WIRE_BROKEN, START_S + 10.0),))
    one = simulate([broken], [START_S], 20.0)[0]
    assert one.values("command")[1100:].max() < 0.1
    assert one.values("current")[1200:].mean() == pytest.approx(VALVE.current_at_zero_a, abs=0.003)


def test_a_stuck_reading_holds_its_last_count_across_chunks():
    stuck = replace(VALVE, faults=(Fault(FaultKind.READING_STUCK, START_S + 15.0, channel="pressure"),))
    one = simulate([stuck], [START_S], 70.0)[0]
    assert np.unique(one.counts["pressure"][1500:]).tolist() == [one.counts["pressure"][1499]]
    assert np.unique(one.counts["current"][1500:]).size > 50


def test_sensor_faults_move_readings_only():
    clean = simulate([VALVE], [START_S], 30.0)[0]
    gain = replace(VALVE, faults=(Fault(FaultKind.CURRENT_SENSOR_GAIN, 0.0, 0.10),))
    shifted = replace(VALVE, faults=(Fault(FaultKind.PRESSURE_SENSOR_OFFSET, 0.0, 5.0),))
    wrong_gain = simulate([gain], [START_S], 30.0)[0]
    wrong_zero = simulate([shifted], [START_S], 30.0)[0]
    assert np.mean(wrong_gain.values("current") / clean.values("current")) == pytest.approx(1.10, abs=0.002)
    assert np.array_equal(wrong_gain.counts["pressure"], clean.counts["pressure"])
    assert np.mean(wrong_zero.values("pressure") - clean.values("pressure")) == pytest.approx(5.0, abs=0.2)


def test_offsets_and_gains_of_sensors_are_what_they_say():
    clean = simulate([VALVE], [START_S], 30.0)[0]
    offset = replace(VALVE, faults=(Fault(FaultKind.CURRENT_SENSOR_OFFSET, 0.0, 0.03),))
    gain = replace(VALVE, faults=(Fault(FaultKind.PRESSURE_SENSOR_GAIN, 0.0, -0.10),))
    shifted, smaller = simulate([offset, gain], [START_S, START_S], 30.0)
    assert np.mean(shifted.values("current") - clean.values("current")) == pytest.approx(0.03, abs=0.001)
    assert smaller.values("pressure").max() / clean.values("pressure").max() == pytest.approx(0.9, abs=0.003)


def test_a_late_reading_is_the_same_later_across_chunks():
    late = replace(VALVE, faults=(Fault(FaultKind.READING_LATE, START_S + 20.0, 0.25, channel="current"),))
    clean, one = (simulate([model], [START_S], 70.0)[0] for model in (VALVE, late))
    was, now = clean.values("current"), one.values("current")
    assert np.array_equal(now[:1990], was[:1990])
    step_a = late.current_sensor.scale
    noise_a = VALVE.current_sensor.noise
    error = now[2100:] - was[2100 - 25 : -25]
    assert np.abs(error).max() < 8 * noise_a + 2 * step_a
    assert np.abs(now[2100:] - was[2100:]).max() > 0.02
    assert np.array_equal(one.counts["pressure"], clean.counts["pressure"])


def test_a_noisy_reading_scatters_more_from_its_onset_on():
    noisy = replace(VALVE, faults=(Fault(FaultKind.READING_NOISY, START_S + 20.0, 9.0, channel="pressure"),))
    clean, one = (simulate([model], [START_S], 60.0)[0].values("pressure") for model in (VALVE, noisy))
    assert np.array_equal(one[:1990], clean[:1990])
    assert np.std(one[2000:] - clean[2000:]) == pytest.approx(9 * VALVE.pressure_sensor.noise, rel=0.1)


def test_a_loose_contact_comes_and_goes():
    loose = replace(VALVE, faults=(Fault(FaultKind.COIL_CONTACT, START_S, 0.3),))
    one = simulate([loose], [START_S], 60.0)[0]
    none = one.values("current") < 0.5 * VALVE.current_at_zero_a
    assert 0.15 < none.mean() < 0.4
    assert 20 <= np.count_nonzero(np.diff(none)) <= 120


def test_another_dither_frequency_shows_in_the_bursts():
    other = replace(VALVE, faults=(Fault(FaultKind.DITHER_FREQUENCY, START_S, 40.0),))
    one = simulate([other], [START_S], 60.0)[0]
    burst = next(b for b in one.bursts if b.values().std() > 0.01)
    lines = np.abs(np.fft.rfft((burst.values() - burst.values().mean()) * np.hanning(burst.counts.size)))
    lines[:25] = 0.0  # what the command does
    peak_hz = np.argmax(lines[:250]) * burst.rate_hz / burst.counts.size
    assert peak_hz == pytest.approx(VALVE.dither_frequency_hz + 40.0, abs=4.0)


def test_current_nobody_asked_for_flows_while_disabled():
    leaking = replace(VALVE, valve_id="press-1.x", faults=(Fault(FaultKind.UNWANTED_CURRENT, 0.0, 0.3),))
    sunday_s = 1_790_456_400.0  # 2026-09-26 20:20 UTC, a Saturday
    one = simulate([leaking], [sunday_s], 10.0, programme="day")[0]
    assert one.values("enable").max() == 0
    assert one.values("current").mean() == pytest.approx(0.3, abs=0.002)


def test_readings_end_at_the_range():
    narrow = replace(VALVE, pressure_sensor=Sensor(0.0, 160.0, 0.1))
    one = simulate([narrow], [START_S], 40.0)[0]
    assert one.counts["pressure"].max() == 4095
    assert one.values("pressure").max() == pytest.approx(160.0)


def test_a_sweep_visits_every_tenth():
    one = simulate([VALVE], [START_S], 100.0, programme="sweep")[0]
    demand = (one.values("command") - 4.0) / 16.0
    visited = {tenth for tenth in range(11) if (np.abs(demand - tenth / 10) < 0.005).sum() > 200}
    assert visited == set(range(11))
    assert one.truth.in_control.all()


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="2 valves, 1 starts"):
        simulate([VALVE, VALVE], [0.0], 1.0)
    with pytest.raises(ValueError, match="programme must be one of"):
        simulate([VALVE], [0.0], 1.0, programme="party")
    with pytest.raises(ValueError, match="duration_s"):
        simulate([VALVE], [0.0], 0.0)
    with pytest.raises(ValueError, match="rate_hz"):
        simulate([VALVE], [0.0], 1.0, rate_hz=0.1)
    with pytest.raises(ValueError, match=r"ramp_up_s of press-9\.platen must lie in 0\.\.600, not -1"):
        replace(VALVE, ramp_up_s=-1.0)
    with pytest.raises(ValueError, match="unknown channel 'volume'"):
        replace(VALVE, records=("command", "volume"))
    assert simulate([], [], 1.0) == []


@pytest.mark.parametrize("lanes", [1, 3])
def test_few_lanes_marched_by_themselves_give_the_same_to_the_last_bit(monkeypatch, lanes):
    """From five seconds before a shift, through the restart, a pump that gives nothing and a ramp that changes."""
    start_s = datetime(2026, 3, 17, 5, 59, 55, tzinfo=ZONE).timestamp()
    weak = (Fault(FaultKind.SOURCE_WEAK, start_s + 25.0, 1.0), Fault(FaultKind.RAMP_UP, start_s + 15.0, 0.5))
    models = [replace(VALVE, faults=weak), OTHER, replace(VALVE, valve_id="loop.valve", outer_loop=OuterLoop())]

    def marched():
        return March(models[:lanes], [start_s] * lanes, rate_hz=100.0, seed=1, programme="day").chunk(70)

    few = marched()
    monkeypatch.setattr(few_lanes, "FEW", 0)
    many = marched()
    assert {0, 1} <= set(few.enable.ravel().tolist())
    assert np.ptp(few.pressure_bar) > 50.0
    for field in fields(few):
        assert np.array_equal(getattr(few, field.name), getattr(many, field.name)), field.name
