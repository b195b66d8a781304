"""Systematic parts: each against the closed form it stands for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from asleft.judge.driver.currents import CurrentLine
from asleft.judge.driver.supply import supply_estimate
from asleft.judge.driver.systematic import (
    clipped_share,
    current_systematic,
    hidden_dither_a,
    instrument_u,
    misfit_u_s,
    ramp_systematic,
    stroke_size,
    unequal_ramps,
)
from asleft.judge.features import Stroke
from asleft.judge.noise import WireNoise
from asleft.sheet.model import Instrument
from scipy.signal import lfilter
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
    # Half of the noise on the wire, give or take half, whether it is clipped or not, and how much of it there is.
    assert noisy == pytest.approx(math.hypot(plain, 2.0 * 0.4 * math.hypot(0.5e-3, 5e-4) / 0.5))
    inside = ramp_systematic(sheet(), Quiet(wire=WireNoise(1e-3, 5e-4)), 2.0, [stroke(0.2, 0.7)], rising=True)
    assert inside == pytest.approx(plain)
    stepped = ramp_systematic(sheet(), Quiet(demand_step=1e-3, demand_noise=1e-9), 2.0, strokes, rising=True)
    assert stepped == pytest.approx(math.hypot(plain, 2.0 * math.sqrt(2.0) * 1e-3 / math.sqrt(12.0) / 0.5), rel=0.03)


def test_a_ramp_that_is_over_within_the_lag_is_known_by_the_instants_of_samples() -> None:
    """Half an interval of 10 ms over a stroke of half the command, and what a third time constant would look like.

    A ramp of many lags knows nothing of either.
    """
    slow = stroke(0.2, 0.7)._replace(own_lag_s=0.04)
    known = ramp_systematic(sheet(), Quiet(), 0.0, [slow], rising=True)
    assert known == pytest.approx(math.hypot(0.005, 0.2 * 0.04) / 0.5, rel=0.1)
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


def resting(up_s: float, down_s: float, sd: float, band_hz: float) -> float:
    """Mean of a limiter (rates 1/`up_s`, 1/`down_s`) that is fed nothing but noise of two poles at `band_hz`."""
    step_s = 2e-4
    keep = math.exp(-2.0 * math.pi * band_hz * step_s)
    noise = np.random.default_rng(5).standard_normal(300_000)
    for _ in range(2):
        noise = lfilter([1.0 - keep], [1.0, -keep], noise)
    noise *= sd / noise.std()
    value, total = 0.0, 0.0
    for wanted in noise.tolist():
        value += min(max(wanted - value, -step_s / down_s), step_s / up_s)
        total += value
    return total / noise.size


@pytest.mark.parametrize(("up_s", "down_s", "sd"), [(4.5, 0.43, 2e-3), (1.4, 4.0, 1e-3), (2.0, 2.0, 1e-3)])
def test_noise_moves_what_unequal_ramps_make_of_a_resting_command(up_s, down_s, sd) -> None:
    known = sheet(as_left={"ramp_up": up_s, "ramp_down": down_s})
    moved, u = unequal_ramps(known, WireNoise(sd, 0.0))
    for band_hz in (20.0, 100.0, 300.0):
        assert abs(resting(up_s, down_s, sd, band_hz) - moved) < 2.0 * u + 0.05 * sd
    assert unequal_ramps(known, WireNoise(0.0, sd)) == (0.0, 0.0)
    assert abs(moved) <= sd
    assert (u == 0.0) is (up_s == down_s)


def test_what_a_bent_law_leaves_of_a_ramp_shows_in_what_the_fit_leaves_of_its_strokes() -> None:
    """A line through an S-shaped ramp of known times: its slope, and its residual, by least squares."""
    n, noise = 300, 1e-3
    x = (np.arange(n) + 0.5) / n
    for size in (2e-3, 5e-3, 2e-2):
        rise = x + size * np.sin(2.0 * np.pi * x)
        slope, start = np.polyfit(x, rise, 1)
        chi2 = 1.0 + float(np.mean((rise - start - slope * x) ** 2)) / noise**2
        # A ramp of 3 s over the full span, sampled at 100 Hz: its information as the fit has it.
        information = n / 12.0 / (3.0 * noise) ** 2 / chi2
        bent = stroke(0.0, 1.0)._replace(active_up_s=3.0, h00=information, chi2=chi2)
        off_s = 3.0 * (1.0 / slope - 1.0)
        assert misfit_u_s([bent], 0.01, rising=True) == pytest.approx(abs(off_s), rel=0.05)
    well = bent._replace(chi2=1.05)
    assert misfit_u_s([well, well, bent], 0.01, rising=True) == 0.0
    assert misfit_u_s([bent], 0.01, rising=False) == 0.0


def test_noise_clipped_at_both_ends_makes_a_stroke_shorter_and_its_ramp_longer() -> None:
    assert clipped_share([stroke(0.0, 1.0)], 1e-3, rising=True) == pytest.approx(2.0 * 0.4e-3)
    assert clipped_share([stroke(0.0, 0.5)], 1e-3, rising=True) == pytest.approx(0.4e-3 / 0.5)
    assert clipped_share([stroke(0.2, 0.7, rising=False)], 1e-3, rising=False) == 0.0


# ------------------------------------------------------------------------------------------ dither not on the sheet


def off_by(zero_a: float, full_a: float) -> CurrentLine:
    return CurrentLine(0.2 + zero_a, 1.0 + full_a, 1e-4, 1e-4, 30.0, (), np.array([]))


def without_dither(**left: float):
    rest = {k: v for k, v in sheet().as_left.items() if not k.startswith("dither")}
    return sheet(as_left={**rest, **left})


@pytest.mark.parametrize(
    ("line", "hidden"),
    [
        (off_by(0.015, 0.015), True),  # one offset of both ends
        (off_by(0.0, 0.0), False),
        (off_by(0.0, 0.015), False),  # no offset
        (off_by(0.003, 0.015), False),
    ],
)
def test_dither_that_stands_still_in_the_samples_may_be_all_of_an_offset_of_both_ends(line, hidden) -> None:
    """The mean square of a share even in the logarithm from a to b is (b^2 - a^2) / (2 ln(b / a))."""
    usual = math.sqrt((0.15**2 - 0.03**2) / (2.0 * math.log(5.0)))
    u = hidden_dither_a(without_dither(), line, 0.8)
    assert u == pytest.approx(0.8 * usual / math.sqrt(8.0) if hidden else 0.0, rel=0.01)


def test_dither_that_the_sheet_gives_is_not_reckoned_with_twice_and_a_sheet_may_say_that_there_is_none() -> None:
    assert hidden_dither_a(without_dither(dither_amplitude=0.0), off_by(0.015, 0.015), 0.8) == 0.0
    assert hidden_dither_a(sheet(), off_by(0.015, 0.015), 0.8) == 0.0
