from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.coil.coil import Reference, by_saturation, copper, winding_degc
from asleft.judge.coil.headroom import Need, Room, room_of
from asleft.judge.driver.clipping import Clip
from asleft.judge.features import Dwell
from asleft.judge.spectrum import full_size
from asleft.sheet.model import Coil, Sheet, Signal, SignalKind, Tolerance
from asleft.sim.coil import ripple_wave_a

LEFT = {"current_at_full": 1.1, "coil_resistance": 20.0, "supply_voltage": 22.0}
SHEET = Sheet(
    "press-1.test",
    Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0),
    LEFT,
    {name: Tolerance(1.0, 1.0) for name in LEFT},
    coil=Coil(100.0, 22.0, 0.0, 0.0, 1.0),  # no driver drop, cable or duty limit
)


def saturated(current_a: float, supply_v: float = 22.0) -> list[Dwell]:
    nothing = dict.fromkeys(Dwell._fields, 0.0)
    return [
        Dwell(**{**nothing, "n": 300.0, "demand": 1.0, "current_a": current_a, "supply_v": supply_v, "flat": 1.0})
    ]


# Copper, IEC 60028: .00393 /K at 20 degC (published). R(100) / R(20) = 1.314400, 22 V on 20 ohm at 20 degC gives
# 1.1 A cold and .836884 A at 100 degC (closed form).
def test_copper_at_a_hundred_degrees() -> None:
    assert copper(100.0) == pytest.approx(1.314400, abs=5e-7)
    assert winding_degc(1.314400) == pytest.approx(100.0)


@pytest.mark.parametrize(("degc", "current_a"), [(20.0, 1.1), (100.0, 0.836884), (180.0, 22.0 / 20.0 / 1.6288)])
def test_temperature_of_a_coil_from_the_current_it_still_takes(degc: float, current_a: float) -> None:
    """Constant published (IEC 60028), results closed form."""
    found = by_saturation(saturated(current_a), SHEET, Clip(current_a, 1.2, 1.0, 0.0, 5))
    assert found is not None
    assert found.ohm == pytest.approx(20.0 * copper(degc), rel=1e-6)
    assert winding_degc(found.ohm / 20.0) == pytest.approx(degc, abs=1e-3)


def test_a_cold_coil_has_no_headroom_left_at_a_hundred_degrees() -> None:
    """Closed form: .836884 A is 23.92 % short of the 1.1 A that 22 V drive through 20 ohm."""
    out = room_of(
        SHEET, Need(1.1, 0.0, 0.0), supply_now=None, now=None, reference=Reference(20.0, 0.0, True), clip=None
    )
    assert isinstance(out, Room)
    assert out.corner is not None
    assert out.corner.most_a == pytest.approx(0.836884, abs=5e-7)
    assert out.corner.pct == pytest.approx(-23.9196, abs=1e-3)
    assert out.clips_at_degc == pytest.approx(20.0)


def test_rise_by_resistance() -> None:
    """IEC 60034-1 (from memory): rise = (R2 - R1) / R1 (k + T1) + T1 - Ta, k = 235 for copper.

    20 ohm at 22 degC to 26.4 ohm, air 24 degC at the end: 80.24 K; with 1 / .00393 - 20 = 234.453 in place of 235, as
    IEC 60028 has it, 80.065 K, and 80.08 K with 234.5, which some use.
    """
    hot_degc = winding_degc(26.4 / (20.0 / copper(22.0)))
    assert hot_degc - 24.0 == pytest.approx(0.32 * (1.0 / 0.00393 - 20.0 + 22.0) + 22.0 - 24.0)
    assert hot_degc - 24.0 == pytest.approx(80.065, abs=1e-3)
    assert hot_degc - 24.0 == pytest.approx(80.08, abs=0.02)
    assert hot_degc - 24.0 == pytest.approx(80.24, abs=0.2)


@pytest.mark.parametrize(("hz", "ripple"), [(200.0, 0.282379), (2000.0, 0.0287942)])
def test_ripple_of_a_switched_coil(hz: float, ripple: float) -> None:
    """Closed form: (V/R)(1 - e^(-DT/tau))(1 - e^(-(1-D)T/tau)) / (1 - e^(-T/tau)) at 24 V, 20 ohm, .1 H, D .4."""
    lowest, highest = ripple_wave_a(np.array([0.0, 0.4]), 24.0, 20.0, 0.1, 0.4, hz)
    assert highest - lowest == pytest.approx(ripple, rel=2e-6)
    wave = ripple_wave_a(np.linspace(0.0, 1.0, 20_001), 24.0, 20.0, 0.1, 0.4, hz)
    assert float(np.ptp(wave)) == pytest.approx(ripple, rel=1e-5)
    assert float(wave[:-1].mean()) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("half_periods", [0.1, 0.5, 2.0])
def test_a_square_behind_a_coil_is_the_ripple_of_a_half_duty(half_periods: float) -> None:
    """Closed form: between +1 and -1 with T/2 = h time constants the current swings by 2 tanh(h / 2)."""
    lag = math.atan(math.pi / half_periods)
    fundamental = 4.0 / math.pi * math.cos(lag)
    assert full_size("square", lag) * fundamental == pytest.approx(2.0 * math.tanh(half_periods / 2.0), rel=1e-9)
    lowest, highest = ripple_wave_a(np.array([0.0, 0.5]), 2.0, 1.0, 1.0, 0.5, 1.0 / (2.0 * half_periods))
    assert full_size("square", lag) * fundamental == pytest.approx(highest - lowest, rel=1e-9)


def test_waves_behind_no_coil_and_behind_an_endless_one() -> None:
    """Closed forms: 8 / pi^2 and 4 / pi of the peak; integrated, a square is a triangle, a triangle a parabola."""
    assert full_size("triangle", 0.0) * 8.0 / math.pi**2 == pytest.approx(2.0)
    assert full_size("square", 0.0) * 4.0 / math.pi == pytest.approx(2.0)
    far = math.atan(49.0)
    assert full_size("square", far) == pytest.approx(math.pi**2 / 4.0, rel=1e-3)
    assert full_size("triangle", far) == pytest.approx(math.pi**3 / 16.0, rel=1e-3)
