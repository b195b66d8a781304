"""Driver, valve and hydraulics against closed forms, without noise."""

from dataclasses import replace

import numpy as np
import pytest
from asleft.sim.characteristic import static_pressure_bar
from asleft.sim.coil import COPPER_PER_K
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import Sensor, default_valve
from hypothesis import given, settings
from hypothesis import strategies as st

STEP_S = 0.005
FAST = Sensor(0.0, 400.0, 0.0, low_pass_hz=1000.0)
QUICK = replace(default_valve(), loop_time_constant_s=0.002)


def demand_of(model, current_a):
    return (current_a - model.current_at_zero_a) / (model.current_at_full_a - model.current_at_zero_a)


@settings(max_examples=25, deadline=None)
@given(ramp_s=st.floats(0.1, 3.0), size=st.floats(0.2, 1.0))
def test_a_step_of_d_takes_t_times_d(march, ramp_s, size):
    model = replace(QUICK, ramp_up_s=ramp_s)
    steps = int(ramp_s * size / STEP_S) + 100
    engine, result = march([model], np.full(steps, size))
    demand = demand_of(model, result.true_current_a[:, 0])
    middle = slice(int(0.3 * ramp_s * size / STEP_S), int(0.7 * ramp_s * size / STEP_S))
    slope = np.diff(demand[middle]) / STEP_S
    if slope.size > 2:
        assert slope == pytest.approx(1.0 / ramp_s, rel=0.02)
    arrived = np.flatnonzero(demand > size - 1e-9)[0] * STEP_S
    assert ramp_s * size - 2 * STEP_S <= arrived <= ramp_s * size + 25 * 0.002 + 2 * STEP_S
    assert engine.demand[0] == pytest.approx(size, abs=1e-12)


def test_up_and_down_are_independent_and_zero_means_none(march):
    model = replace(QUICK, ramp_up_s=0.0, ramp_down_s=2.0)
    _, result = march([model], np.r_[np.ones(40), np.zeros(400)])
    demand = demand_of(model, result.true_current_a[:, 0])
    assert demand[10] == pytest.approx(1.0, abs=1e-6)
    assert demand[40 + 200] == pytest.approx(0.5, abs=0.005)


def test_a_ramp_into_a_first_order_lag(march):
    # y = (t - tau + tau e^(-t/tau)) / T within the ramp (closed form); the march is exact for straight inputs.
    tau, ramp = 0.05, 1.0
    model = replace(default_valve(), ramp_up_s=ramp, loop_time_constant_s=tau)
    _, result = march([model], np.ones(180))
    t = (np.arange(180) + 1) * STEP_S
    assert demand_of(model, result.true_current_a[:, 0]) == pytest.approx(
        (t - tau + tau * np.exp(-t / tau)) / ramp, abs=1e-9
    )


def test_enabling_steps_to_the_zero_current_and_ramps_from_there(march):
    enable = np.r_[np.zeros(50), np.ones(200), np.zeros(100)].astype(np.int8)
    model = replace(QUICK, ramp_up_s=1.0)
    _, result = march([model], np.full(350, 0.8), enable=enable, start_enabled=False)
    current = result.true_current_a[:, 0]
    assert current[:50] == pytest.approx(0.0, abs=1e-12)
    assert demand_of(model, current[52]) == pytest.approx(0.01, abs=0.02)
    assert demand_of(model, current[50 + 100]) == pytest.approx(0.5, abs=0.01)
    assert current[250 + 6] == pytest.approx(0.0, abs=1e-4)


def test_below_the_off_threshold_the_current_steps_between_nothing_and_i0(march):
    model = replace(QUICK, off_below_pct=2.0, ramp_up_s=1.0, ramp_down_s=1.0)
    _, result = march([model], np.r_[np.full(100, 0.01), np.full(100, 0.4), np.full(200, 0.01)])
    current = result.true_current_a[:, 0]
    assert current[90] == pytest.approx(0.0, abs=1e-9)
    assert demand_of(model, current[104]) == pytest.approx(0.03, abs=0.03)
    on_the_way_down = demand_of(model, current[200 + 40])
    assert on_the_way_down == pytest.approx(0.4 - 0.2, abs=0.01)
    assert current[-1] == pytest.approx(0.0, abs=1e-9)


def test_a_hot_coil_takes_no_more_than_ohm_allows(march):
    model = replace(
        default_valve(), supply_v=22.0, driver_drop_v=0.0, duty_max=1.0, coil_resistance_ohm=20.0,
        cable_resistance_ohm=0.0, supply_source_ohm=0.0, current_at_full_a=1.0, ramp_up_s=0.0, winding_k_per_w=0.0,
        body_k_per_w=0.0,
    )  # fmt: skip
    _, hot = march([model], np.ones(100), coil_degc=100.0)
    _, cold = march([model], np.ones(100), coil_degc=20.0)
    assert hot.true_current_a[-1, 0] == pytest.approx(22.0 / (20.0 * (1 + COPPER_PER_K * 80.0)), rel=1e-6)
    assert hot.clipped[-1, 0]
    assert cold.true_current_a[-1, 0] == pytest.approx(1.0, rel=1e-6)
    assert not cold.clipped.any()


def test_friction_leaves_a_loop_two_half_widths_wide(march):
    model = replace(
        QUICK, ramp_up_s=4.0, ramp_down_s=4.0, pressure_time_constant_s=0.005, bow=0.0, pressure_sensor=FAST
    )
    _, result = march([model], np.r_[np.ones(1000), np.zeros(1000)])
    current, pressure = result.true_current_a[:, 0], result.pressure_bar[:, 0]
    rising, falling = slice(100, 790), slice(1100, 1790)
    level_bar = 0.5 * (model.pressure_at_zero_bar + model.pressure_at_full_bar)
    up_a = np.interp(level_bar, pressure[rising], current[rising])
    down_a = np.interp(level_bar, pressure[falling][::-1], current[falling][::-1])
    half_a = model.friction_half_a(model.dither_amplitude_a)
    # Both branches lag by the same few milliseconds, on either side.
    lag_a = 2 * (0.005 + STEP_S) * (model.current_at_full_a - model.current_at_zero_a) / 4.0
    assert up_a - down_a == pytest.approx(2 * half_a, abs=lag_a)


def test_dither_narrows_friction():
    model = default_valve()
    with_dither = model.friction_half_a(model.dither_amplitude_a)
    assert model.friction_half_a(0.0) == pytest.approx(0.03 * 0.74)
    assert with_dither < 0.3 * model.friction_half_a(0.0)


def test_gauge_pressures_are_those_of_the_model_at_both_ends(march):
    model = replace(QUICK, ramp_up_s=1.0, ramp_down_s=1.0)
    _, result = march([model], np.r_[np.ones(500), np.zeros(500)])
    assert result.pressure_bar[499, 0] == pytest.approx(model.pressure_at_full_bar, abs=0.01)
    assert result.pressure_bar[-1, 0] == pytest.approx(model.pressure_at_zero_bar, abs=0.01)


def test_the_load_makes_the_pressure_where_it_is_lower(march):
    model = replace(QUICK, ramp_up_s=0.5)
    _, result = march([model], np.full(400, 0.6), load_bar=18.0)
    assert result.pressure_bar[-1, 0] == pytest.approx(18.0, abs=0.01)
    assert not result.in_control[-1, 0]


def test_relief_valve_caps_the_pressure(march):
    model = replace(QUICK, ramp_up_s=0.5, relief_bar=150.0)
    _, result = march([model], np.ones(400))
    assert result.pressure_bar[-1, 0] == pytest.approx(150.0, abs=0.01)


@given(bow=st.floats(0.0, 0.6), w=st.lists(st.floats(-0.2, 1.2), min_size=2, max_size=20))
def test_more_current_never_gives_less_pressure(bow, w):
    ordered = np.sort(np.array(w))
    bar = static_pressure_bar(ordered, np.array(10.0), np.array(200.0), np.array(bow), np.array(0.0))
    assert (np.diff(bar) >= -1e-9).all()


def test_heat_settles_where_the_closed_form_says(march):
    model = replace(
        QUICK, winding_time_constant_s=10.0, body_time_constant_s=300.0, winding_k_per_w=3.0, body_k_per_w=0.0
    )
    engine, _ = march([model], np.ones(100))
    for _ in range(30):
        engine._heat(np.full((2000, 1), 0.5))
    ohm = 11.0 * (1 + COPPER_PER_K * (engine.coil_degc[0] - 20.0))
    assert engine.coil_degc[0] - 20.0 == pytest.approx(3.0 * 0.25 * ohm, rel=0.01)


def test_an_unplugged_coil_takes_nothing_and_a_broken_wire_asks_for_nothing(march):
    unplugged = replace(QUICK, faults=(Fault(FaultKind.COIL_UNPLUGGED, -1.0),))
    broken = replace(QUICK, faults=(Fault(FaultKind.COMMAND_WIRE_BROKEN, -1.0),))
    _, result = march([unplugged, broken], np.ones(300))
    assert result.true_current_a[-1, 0] == pytest.approx(0.0, abs=1e-9)
    assert result.true_current_a[-1, 1] == pytest.approx(QUICK.current_at_zero_a, abs=1e-9)
    assert result.command[-1, 1] == pytest.approx(-0.25, abs=1e-6)  # 0 mA on a 4-20 mA signal


def test_where_the_command_is_read_decides_whether_a_leak_shows(march):
    leak = (Fault(FaultKind.COMMAND_OFFSET, -1.0, -0.05),)
    at_driver = replace(QUICK, faults=leak)
    at_controller = replace(at_driver, command_sensor=Sensor(0.0, 22.0, 0.0, 20.0, where="controller's value"))
    _, result = march([at_driver, at_controller], np.full(400, 0.8))
    assert demand_of(QUICK, result.true_current_a[-1]) == pytest.approx(0.75, abs=1e-6)
    assert result.command[-1] == pytest.approx([0.75, 0.80], abs=1e-6)


def test_a_shunt_takes_a_share_and_a_wrong_controller_shows_in_the_signal(march):
    shunt = replace(QUICK, faults=(Fault(FaultKind.COMMAND_GAIN, -1.0, -0.1),))
    beyond = replace(QUICK, faults=(Fault(FaultKind.CONTROLLER_GAIN, -1.0, 0.06),))
    _, result = march([shunt, beyond], np.ones(400))
    assert demand_of(QUICK, result.true_current_a[-1]) == pytest.approx([0.9, 1.0], abs=1e-6)
    assert result.command[-1] == pytest.approx([0.9, 1.06], abs=1e-6)


def test_a_limit_cuts_the_top_and_a_gain_moves_all(march):
    limited = replace(QUICK, faults=(Fault(FaultKind.DRIVER_LIMITED, -1.0, 0.1),))
    scaled = replace(QUICK, faults=(Fault(FaultKind.CURRENT_GAIN, -1.0, 0.05),))
    for level in (0.5, 1.0):
        _, result = march([limited, scaled], np.full(500, level))
        demanded = QUICK.current_at_zero_a + level * (QUICK.current_at_full_a - QUICK.current_at_zero_a)
        expected = [min(demanded, QUICK.current_at_full_a - 0.1), 1.05 * demanded]
        assert result.true_current_a[-1] == pytest.approx(expected, abs=1e-6)
        assert bool(result.clipped[-1, 0]) is (level == 1.0)


def test_a_slower_response_is_a_longer_time_constant(march):
    slow = replace(QUICK, ramp_up_s=0.0, faults=(Fault(FaultKind.RESPONSE_SLOW, -1.0, 0.048),))
    _, result = march([slow], np.ones(200))
    rise = demand_of(QUICK, result.true_current_a[:, 0])
    assert np.interp(1 - np.exp(-1.0), rise, STEP_S * np.arange(1, 201)) == pytest.approx(0.05, abs=0.003)


def test_shorted_turns_take_the_force_and_leave_the_current(march):
    shorted = replace(QUICK, faults=(Fault(FaultKind.COIL_SHORTED, -1.0, 0.3),))
    _, result = march([QUICK, shorted], np.ones(600))
    assert result.true_current_a[-1, 1] == pytest.approx(result.true_current_a[-1, 0], abs=1e-9)
    assert result.pressure_bar[-1, 1] < 0.8 * result.pressure_bar[-1, 0]


def test_more_resistance_in_the_cable_cuts_the_top(march):
    cable = replace(QUICK, faults=(Fault(FaultKind.CABLE_RESISTANCE, -1.0, 20.0),))
    _, result = march([cable], np.ones(500))
    ohm = QUICK.coil_resistance_ohm + QUICK.cable_resistance_ohm + 20.0 + QUICK.supply_source_ohm * QUICK.duty_max
    assert result.true_current_a[-1, 0] == pytest.approx(
        (QUICK.supply_v - QUICK.driver_drop_v) * QUICK.duty_max / ohm, rel=1e-6
    )


def test_a_weak_pump_gives_less_and_slower(march):
    weak = replace(QUICK, ramp_up_s=0.0, faults=(Fault(FaultKind.SOURCE_WEAK, -1.0, 0.4),))
    _, result = march([replace(QUICK, ramp_up_s=0.0), weak], np.ones(600))
    assert result.pressure_bar[-1, 1] == pytest.approx(0.6 * QUICK.relief_bar, abs=0.5)
    steepest = np.diff(result.pressure_bar, axis=0).max(axis=0)
    assert steepest[1] < 0.75 * steepest[0]


def test_a_sticking_spool_rests_and_jumps(march):
    span_a = QUICK.current_at_full_a - QUICK.current_at_zero_a
    stuck = replace(QUICK, ramp_up_s=20.0, faults=(Fault(FaultKind.STICK_SLIP, -1.0, 5.0),))
    engine, result = march([stuck, replace(QUICK, ramp_up_s=20.0)], np.ones(3900))
    # Spool positions under a slow rise: rests (no change) and few jumps of 2.5 to 5 % of span, not a steady creep.
    engine, _ = march([stuck], np.zeros(1))
    spool = engine._play(np.linspace(QUICK.current_at_zero_a, QUICK.current_at_full_a, 4000)[:, None])[:, 0]
    moves = np.diff(spool)
    jumps = moves[moves > 1e-9]
    assert 18 <= jumps.size <= 42
    assert jumps[1:].min() > 0.024 * span_a
    assert jumps.max() < 0.052 * span_a
    assert jumps.std() > 0.002 * span_a
    # A neighbour without the fault moves as ever.
    assert np.allclose(result.true_current_a[:, 0], result.true_current_a[:, 1])
    alone = march([replace(QUICK, ramp_up_s=20.0)], np.ones(3900))[1]
    assert np.array_equal(alone.pressure_bar[:, 0], result.pressure_bar[:, 1])
