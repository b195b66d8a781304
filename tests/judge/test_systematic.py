"""Systematic parts: each against the closed form it stands for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from asleft.judge.driver.supply import supply_estimate
from asleft.judge.driver.systematic import current_systematic, instrument_u, ramp_systematic, stroke_size
from asleft.judge.features import Stroke
from asleft.judge.noise.command_noise import WireNoise
from asleft.sheet.model import Instrument
from synth import dwell, sheet


@dataclass(frozen=True)
class Quiet:
    """Readings without noise or steps, but for what is said otherwise."""

    wire: WireNoise = WireNoise()  # noqa: RUF009 - frozen
    demand_step: float = 0.0
    demand_noise: float = 3e-4
    resolution_a: float = 0.0
    current_noise_a: float = 8e-4
    interval_s: float = 0.01


def stroke(low: float, high: float, *, rising: bool = True) -> Stroke:
    ends = (low, high) if rising else (high, low)
    blank = Stroke._make([0.0] * len(Stroke._fields))._replace(own_lag_s=1e-4)
    return blank._replace(from_demand=ends[0], to_demand=ends[1], low_demand=low, high_demand=high)


def test_calibration_of_both_readings_counts_for_a_current() -> None:
    chains = {"current": Instrument(expanded_uncertainty=0.006), "command": Instrument(expanded_uncertainty=0.032)}
    known = replace(sheet(), instruments=chains, as_left={"current_at_full": 1.0})
    assert instrument_u(known, "current") == 0.003
    assert instrument_u(known, "pressure") == 0.0
    # 0.016 mA of 16 mA is a thousandth of 0.8 A.
    assert current_systematic(known, 0.8, [dwell(0.5, 0.6)], 0.01) == pytest.approx(math.hypot(0.003, 0.0008))


@pytest.mark.parametrize(("frequency", "stands"), [(100.0, True), (100.9, True), (120.0, False), (137.0, False)])
def test_dither_at_a_multiple_of_the_rate_is_an_offset_and_elsewhere_averages_out(frequency, stands) -> None:
    known = sheet(as_left={"dither_amplitude": 0.1, "dither_frequency": frequency})
    dwells = [dwell(0.5, 0.6, n=300.0)] * 25
    left = current_systematic(known, 0.8, dwells, 0.01)
    if stands:
        assert left == pytest.approx(0.1 / math.sqrt(8.0))
        return
    # Brute force: means of 300 readings of the sine at any phase, half a hertz to the worse side.
    beat = abs(frequency / 100.0 - round(frequency / 100.0)) * 100.0 - 0.5
    phases = np.linspace(0.0, 2.0 * np.pi, 200)[:, None]
    means = 0.05 * np.sin(phases + 2.0 * np.pi * beat * 0.01 * np.arange(300)).mean(axis=1)
    assert 0.99 * np.std(means) / 5.0 <= left < 0.1 / math.sqrt(8.0) / 50.0


def test_a_low_pass_leaves_less_of_it() -> None:
    known = sheet(as_left={"dither_amplitude": 0.1, "dither_frequency": 100.0})
    filtered = replace(known, instruments={"current": Instrument(low_pass_hz=10.0)})
    dwells = [dwell(0.5, 0.6)]
    share = current_systematic(filtered, 0.8, dwells, 0.01) / current_systematic(known, 0.8, dwells, 0.01)
    assert share == pytest.approx(1.0 / math.hypot(1.0, 10.0))


def test_a_drivers_clock_matters_to_short_ramps_only() -> None:
    short = ramp_systematic(sheet(), Quiet(), 0.3, [stroke(0.2, 0.5)], rising=True)
    long = ramp_systematic(sheet(), Quiet(), 3.0, [stroke(0.2, 0.5)], rising=True)
    assert short == pytest.approx(0.005**2 / (6.0 * math.sqrt(5.0) * 0.3**2 * 0.3))
    assert long == pytest.approx(short / 10.0)


def test_gain_noise_and_steps_of_the_command_widen_a_ramp_in_proportion() -> None:
    strokes = [stroke(0.0, 0.5)]
    calibrated = replace(sheet(), instruments={"command": Instrument(expanded_uncertainty=0.032)})
    plain = ramp_systematic(sheet(), Quiet(), 2.0, strokes, rising=True)
    assert ramp_systematic(calibrated, Quiet(), 2.0, strokes, rising=True) == pytest.approx(
        math.hypot(plain, 2.0 * 1.1 * 1e-3)
    )
    noisy = ramp_systematic(sheet(), Quiet(wire=WireNoise(1e-3, 5e-4)), 2.0, strokes, rising=True)
    assert noisy == pytest.approx(math.hypot(plain, 2.0 * 0.4 * 5e-4 / 0.5))
    inside = ramp_systematic(sheet(), Quiet(wire=WireNoise(1e-3, 5e-4)), 2.0, [stroke(0.2, 0.7)], rising=True)
    assert inside == pytest.approx(plain)
    stepped = ramp_systematic(sheet(), Quiet(demand_step=1e-3, demand_noise=1e-9), 2.0, strokes, rising=True)
    assert stepped == pytest.approx(math.hypot(plain, 2.0 * math.sqrt(2.0) * 1e-3 / math.sqrt(12.0) / 0.5), rel=0.03)


def test_a_ramp_that_is_over_within_the_lag_is_known_by_the_instants_of_samples() -> None:
    """Half an interval of 10 ms over a stroke of half the command; a ramp of many lags knows nothing of it."""
    slow = stroke(0.2, 0.7)._replace(own_lag_s=0.04)
    assert ramp_systematic(sheet(), Quiet(), 0.0, [slow], rising=True) == pytest.approx(0.01, rel=0.1)
    assert ramp_systematic(sheet(), Quiet(), 1.0, [slow], rising=True) < 2e-4


def test_the_size_of_a_stroke_is_that_of_its_own_direction() -> None:
    assert stroke_size(stroke(0.2, 0.7), rising=True) == pytest.approx(0.5)
    assert stroke_size(stroke(0.2, 0.7, rising=False), rising=False) == pytest.approx(0.5)
    assert stroke_size(stroke(0.2, 0.7), rising=False) == 0.0


def test_supply_is_the_mean_of_dwells_in_production() -> None:
    volts = [24.1, 23.9, 24.0, 24.2, 23.8]
    dwells = [dwell(0.5, supply_v=v) for v in volts] + [dwell(0.5, supply_v=5.0, producing=0.0)]
    found = supply_estimate(dwells, recorded=True, instrument_u_v=0.05)
    assert not isinstance(found, str)
    assert found.value == pytest.approx(24.0)
    assert found.repeatability == pytest.approx(np.std(volts, ddof=1) / math.sqrt(5))
    assert (found.dof, found.systematic, found.segments) == (4.0, 0.05, 5)
    assert supply_estimate(dwells, recorded=False, instrument_u_v=0.0) == "supply not recorded"
    assert supply_estimate(dwells[-1:], recorded=True, instrument_u_v=0.0) == "not producing"
    alone = supply_estimate(dwells[:1], recorded=True, instrument_u_v=0.0)
    assert not isinstance(alone, str)
    assert alone.repeatability == pytest.approx(0.241)
