"""Coil: copper, saturation, ripple, heat, against published and closed-form values."""

import numpy as np
import pytest
from asleft.sim.coil import (
    resistance_ohm,
    ripple_wave_a,
    saturation_current_a,
    steady_temperature_degc,
)
from hypothesis import given
from hypothesis import strategies as st


def a(value):
    return np.array(value, dtype=np.float64)


def test_copper_at_100_degrees():
    # IEC 60028: 0.00393 per kelvin at 20 degC, linear.
    assert resistance_ohm(a(1.0), a(100.0)) == pytest.approx(1.314400, abs=1e-12)
    assert resistance_ohm(a(20.0), a(20.0)) == 20.0


def test_what_22_volts_drive_through_20_ohm_cold_and_hot():
    # 22 V, 20 ohm at 20 degC: 1.1 A cold, 0.836884 A at 100 degC (closed form with IEC 60028's copper).
    cold = saturation_current_a(a(22.0), a(0.0), a(1.0), resistance_ohm(a(20.0), a(20.0)), a(0.0), a(0.0))
    hot = saturation_current_a(a(22.0), a(0.0), a(1.0), resistance_ohm(a(20.0), a(100.0)), a(0.0), a(0.0))
    assert cold == pytest.approx(1.1, abs=1e-12)
    assert hot == pytest.approx(0.836884, abs=5e-7)


def test_saturation_solves_the_circuit_equation():
    current = float(saturation_current_a(a(24.0), a(1.2), a(0.97), a(14.0), a(0.3), a(0.4)))
    at_driver_v = 24.0 - 0.4 * current
    assert (at_driver_v - 1.2) * 0.97 == pytest.approx(current * (14.0 + 0.3))
    assert saturation_current_a(a(1.0), a(1.2), a(0.97), a(14.0), a(0.3), a(0.4)) == 0.0


@pytest.mark.parametrize(("frequency_hz", "ripple"), [(200.0, 0.282379), (2000.0, 0.0287942)])
def test_ripple_of_a_switched_coil(frequency_hz, ripple):
    # 24 V, 20 ohm, 0.1 H, duty 0.4: closed form of the switched RL circuit.
    lowest, highest = ripple_wave_a(np.array([0.0, 0.4]), 24.0, 20.0, 0.1, 0.4, frequency_hz)
    assert highest - lowest == pytest.approx(ripple, rel=2e-6)
    wave = ripple_wave_a(np.arange(200_000) / 200_000, 24.0, 20.0, 0.1, 0.4, frequency_hz)
    assert np.ptp(wave) == pytest.approx(ripple, rel=1e-5)
    assert wave.mean() == pytest.approx(0.0, abs=1e-5)


@given(duty=st.floats(0.05, 0.95), frequency_hz=st.floats(100.0, 20_000.0))
def test_ripple_is_the_same_with_on_and_off_exchanged(duty, frequency_hz):
    sizes = [np.ptp(ripple_wave_a(np.array([0.0, d]), 24.0, 12.0, 0.05, d, frequency_hz)) for d in (duty, 1.0 - duty)]
    assert sizes[0] == pytest.approx(sizes[1], rel=1e-9)


def test_steady_temperature_is_where_heat_in_is_heat_out():
    degc = steady_temperature_degc(30.0, 0.36, 11.0, 6.0)
    heat_w = 0.36 * float(resistance_ohm(a(11.0), a(degc)))
    assert degc - 30.0 == pytest.approx(6.0 * heat_w, rel=1e-12)
    with pytest.raises(ValueError, match="run away"):
        steady_temperature_degc(30.0, 10.0, 20.0, 6.0)
