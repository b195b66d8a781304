"""Onset shapes, and that each fault moves what it names and nothing else."""

from dataclasses import asdict, replace

import pytest
from asleft.sim.effective import effective, electrical
from asleft.sim.faults import DAY_S, Fault, FaultKind, total
from asleft.sim.model import default_valve
from asleft.sim.truth import as_left_of, settings_at
from hypothesis import given
from hypothesis import strategies as st


def test_shapes():
    step = Fault(FaultKind.RAMP_UP, 100.0, 0.5)
    drift = Fault(FaultKind.PRESSURE_DRIFT, 100.0, -0.4, "drift")
    ramp = Fault(FaultKind.COIL_HOT, 100.0, 30.0, "ramp", 60.0)
    assert [f.size(99.9) for f in (step, drift, ramp)] == [0.0, 0.0, 0.0]
    assert step.size(100.0) == 0.5
    assert drift.size(100.0 + 5 * DAY_S) == pytest.approx(-2.0)
    assert [ramp.size(t) for t in (130.0, 160.0, 1e6)] == [15.0, 30.0, 30.0]


@given(
    shape=st.sampled_from(["step", "drift", "ramp"]),
    from_s=st.floats(0.0, 400.0),
    length_s=st.floats(0.0, 200.0),
)
def test_constant_means_the_same_at_both_ends(shape, from_s, length_s):
    fault = Fault(FaultKind.RAMP_UP, 200.0, 0.5, shape, 50.0)
    if fault.constant_over(from_s, from_s + length_s):
        assert fault.size(from_s) == fault.size(from_s + length_s)


def test_wrong_faults_are_refused():
    with pytest.raises(ValueError, match="duration_s"):
        Fault(FaultKind.RAMP_UP, 0.0, 1.0, "ramp")
    with pytest.raises(ValueError, match="channel"):
        Fault(FaultKind.READING_STUCK, 0.0)
    with pytest.raises(ValueError, match="0 to 2 s late"):
        Fault(FaultKind.READING_LATE, 0.0, 3.0, channel="current")
    with pytest.raises(ValueError, match="'step', 'drift' or 'ramp'"):
        Fault(FaultKind.RAMP_UP, 0.0, 1.0, "sudden")


def test_faults_of_one_kind_add_up():
    faults = [Fault(FaultKind.RAMP_UP, 0.0, 0.2), Fault(FaultKind.RAMP_UP, 10.0, 0.3)]
    assert total(faults, FaultKind.RAMP_UP, 5.0) == 0.2
    assert total(faults, FaultKind.RAMP_UP, 15.0) == 0.5


@pytest.mark.parametrize(
    ("kind", "amount", "moved"),
    [
        (FaultKind.RAMP_UP, 0.5, {"ramp_up_s"}),
        (FaultKind.RAMP_DOWN, -0.5, {"ramp_down_s"}),
        (FaultKind.CURRENT_AT_ZERO, 0.02, {"current_at_zero_a"}),
        (FaultKind.CURRENT_AT_FULL, 0.02, {"current_at_full_a"}),
        (FaultKind.PRESSURE_DRIFT, -4.0, {"drift_bar"}),
        (FaultKind.SEAT_DRIFT, -4.0, {"seat_bar"}),
        (FaultKind.DITHER_LOST, 1.0, {"dither_amplitude_a", "friction_half_a"}),
        (FaultKind.COIL_HOT, 20.0, {"ambient_rise_k"}),
        (FaultKind.SUPPLY_SAG, 3.0, {"supply_v"}),
        (FaultKind.RELIEF_LOWERED, 80.0, {"relief_bar"}),
        (FaultKind.COMMAND_WIRE_BROKEN, 1.0, {"wire"}),
        (FaultKind.COIL_UNPLUGGED, 1.0, {"coil"}),
        (FaultKind.CURRENT_SENSOR_GAIN, 0.05, {"current_gain"}),
        (FaultKind.PRESSURE_SENSOR_OFFSET, 3.0, {"pressure_offset_bar"}),
        (FaultKind.UNWANTED_CURRENT, 0.3, {"unwanted_a"}),
        (FaultKind.CURRENT_GAIN, 0.05, {"current_at_zero_a", "current_at_full_a"}),
        (FaultKind.DRIVER_LIMITED, 0.1, {"limit_a"}),
        (FaultKind.RESPONSE_SLOW, 0.02, {"loop_time_constant_s"}),
        (FaultKind.DITHER_FREQUENCY, 30.0, {"dither_frequency_hz", "friction_half_a"}),
        (FaultKind.COIL_SHORTED, 0.3, {"coil_resistance_ohm", "coil_inductance_h", "force", "friction_half_a"}),
        (FaultKind.COIL_CONTACT, 0.2, {"contact_open"}),
        (FaultKind.CABLE_RESISTANCE, 3.0, {"cable_ohm", "friction_half_a"}),
        (FaultKind.FRICTION_GROWN, 1.0, {"friction_half_a"}),
        (FaultKind.STICK_SLIP, 2.0, {"stick_a"}),
        (FaultKind.SOURCE_WEAK, 0.3, {"source"}),
        (FaultKind.COMMAND_OFFSET, 0.02, {"wire_offset"}),
        (FaultKind.COMMAND_GAIN, -0.03, {"wire_gain"}),
        (FaultKind.CONTROLLER_GAIN, 0.05, {"asked_gain"}),
        (FaultKind.CURRENT_SENSOR_OFFSET, 0.02, {"current_offset_a"}),
        (FaultKind.PRESSURE_SENSOR_GAIN, 0.04, {"pressure_gain"}),
    ],
)
def test_each_fault_moves_its_own_parameter(kind, amount, moved):
    model = replace(default_valve(), faults=(Fault(kind, 100.0, amount),))
    before, after = asdict(effective(model, 99.0)), asdict(effective(model, 101.0))
    assert {name for name in before if before[name] != after[name]} == moved


def test_the_truth_knows_what_follows():
    model = default_valve()
    left = as_left_of(model)
    assert left["pressure_at_zero"] == pytest.approx(model.pressure_at_zero_bar)
    assert left["pressure_at_full"] == pytest.approx(model.pressure_at_full_bar)
    drifting = replace(model, faults=(Fault(FaultKind.PRESSURE_DRIFT, 0.0, -0.4, "drift"),))
    found = settings_at(drifting, 10 * DAY_S)
    assert found["pressure_at_full"] - left["pressure_at_full"] == pytest.approx(-4.0, abs=0.01)
    assert found["pressure_at_zero"] - left["pressure_at_zero"] == pytest.approx(0.0, abs=0.01)
    without = settings_at(replace(model, faults=(Fault(FaultKind.DITHER_LOST, 0.0, 1.0),)), 1.0)
    assert without["dither_amplitude"] == 0.0
    assert without["hysteresis"] == pytest.approx(2 * model.friction_dry_pct)
    assert without["pressure_at_full"] < left["pressure_at_full"]


def test_a_short_takes_resistance_and_force_in_proportion_and_inductance_with_the_square():
    model = default_valve()
    now = effective(replace(model, faults=(Fault(FaultKind.COIL_SHORTED, 0.0, 0.4),)), 1.0)
    assert now.coil_resistance_ohm == pytest.approx(0.6 * model.coil_resistance_ohm)
    assert now.coil_inductance_h == pytest.approx(0.36 * model.coil_inductance_h)
    assert now.force == pytest.approx(0.6)
    assert now.coil == 1.0
    tripped = effective(replace(model, faults=(Fault(FaultKind.COIL_SHORTED, 0.0, 1.0),)), 1.0)
    assert tripped.coil == 0.0
    bare = electrical(replace(model, faults=(Fault(FaultKind.COIL_SHORTED, 0.0, 0.4),)), 1.0)
    assert bare.coil_time_constant_s < model.coil_time_constant_s
    assert electrical(model, 1.0) is model
