"""The play of a spool that noise shakes, marched here step by step, against what the judge takes for its effect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.noise import WireDensity, WireNoise
from asleft.judge.valve.end_pressure import end_estimate
from asleft.judge.valve.hysteresis import NoiseLoopCorrection, noise_loop_correction, peak, root_density
from asleft.sheet.model import Instrument
from synth import dwell, sheet
from test_characteristic import AXIS, CUSHION, measured, stay, valve_sheet, visits_of
from test_hysteresis import branch_bar

HALF = 0.01  # of the play, share of the span: a loop of 2 %
STEP_S, DWELL_S, RAMP_S = 0.001, 2.0, 0.5


def marched(noise: float, lag_s: float, count: int, step_s: float, seed: int = 3) -> list[Dwell]:
    """Dwells of a cushion cycle: a command with noise new each `step_s`, clipped, ramped, lagged; then a play.

    A play is a spool that is dragged along by either wall of a gap of 2 `HALF` (Visintin, Differential Models of
    Hysteresis, 1994, chapter III, from memory). Pressure is read over the last 40 % of a dwell.
    """
    rng = np.random.default_rng(seed)
    h = STEP_S
    keep, most, held = np.exp(-h / lag_s), h / RAMP_S, round(step_s / h)
    rest = round(DWELL_S / h)
    demand = current = 0.0
    spool = HALF
    out, now = [], 0.0
    for k in range(count * len(CUSHION)):
        level, way = CUSHION[k % len(CUSHION)]
        before = CUSHION[k % len(CUSHION) - 1][0]
        travel = round((abs(level - before) * RAMP_S + 0.15) / h)
        n = travel + rest
        shaken_by = np.repeat(noise * rng.standard_normal(n // held + 1), held)[:n]
        wire = np.clip(level + shaken_by, 0.0, 1.0)
        spools, currents = np.empty(n), np.empty(n)
        for j, wanted in enumerate(wire.tolist()):
            demand += min(max(wanted - demand, -most), most)
            current = keep * current + (1.0 - keep) * demand
            spool = min(max(spool, current - HALF), current + HALF)
            spools[j], currents[j] = spool, current
        late = float(spools[-int(0.4 * rest) :].mean())
        # the pressure of a rising branch at this spool, of a valve left with the same play
        bar = float(branch_bar(np.array(late + HALF), HALF, 1.0))
        share = float(currents[travel:].mean())
        begin = now + travel * h
        row = stay(share, 0.0 if k == 0 else way, bar, begin, pressure_se_bar=0.02)
        out.append(row._replace(demand=level, to_s=begin + DWELL_S))
        now += n * h
    return out


def known(noise: float, step_s: float, lag_s: float, sure: float = 0.05) -> WireNoise:
    """What a judge that has heard the noise well knows of it; half of the lag is the current reading's."""
    density = noise**2 * step_s
    return WireNoise(noise, 0.1 * noise, WireDensity(density, sure * density, 4.0 * density, 2.0 * lag_s))


@pytest.mark.parametrize("lag_s", [0.006, 0.02])
@pytest.mark.parametrize("noise", [2e-4, 5e-4])
@pytest.mark.parametrize("step_s", [0.001, 0.005])
def test_a_shaken_play_is_read_as_wide_as_it_is(noise: float, lag_s: float, step_s: float) -> None:
    dwells = marched(noise, lag_s, 8, step_s)
    still = measured(marched(0.0, lag_s, 8, step_s)).hysteresis
    seen = measured(dwells).hysteresis
    found = measured(dwells, wire=known(noise, step_s, lag_s)).hysteresis
    assert still is not None
    assert seen is not None
    assert found is not None
    assert still.value == pytest.approx(2.0, abs=0.01)
    narrowed = still.value - seen.value
    assert narrowed > 0.02 * noise / 2e-4 * np.sqrt(step_s / 0.005)
    assert abs(found.value - still.value) < 0.35 * narrowed
    assert abs(found.value - 2.0) < found.expanded()


def test_without_noise_nothing_is_added() -> None:
    dwells = marched(0.0, 0.01, 6, 0.005)
    for wire in (known(0.0, 0.005, 0.01), WireNoise(), WireNoise(3e-4, 1e-4)):
        found = measured(dwells, wire=wire).hysteresis
        assert found is not None
        assert found.value == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(("time_s", "lag_s"), [(0.5, 0.01), (1.5, 0.006), (1.5, 0.02), (4.0, 0.01)])
def test_the_peak_lies_between_those_of_fine_and_of_coarse_noise(time_s: float, lag_s: float) -> None:
    """Mean of the largest of a first-order process, marched in 0.1 ms and in steps of 10 ms."""
    rng = np.random.default_rng(5)
    peaks = []
    for step_s in (1e-4, 1e-2):
        q = np.exp(-step_s / lag_s)
        x = rng.standard_normal(600)
        highest = x.copy()
        for _ in range(round(time_s / step_s)):
            x = q * x + np.sqrt(1.0 - q * q) * rng.standard_normal(600)
            np.maximum(highest, x, out=highest)
        peaks.append(float(highest.mean()))
    factor, u = peak(time_s, lag_s)
    assert peaks[1] < factor < peaks[0]
    assert u == pytest.approx((peaks[0] - peaks[1]) / np.sqrt(18.0), rel=0.5)


def test_a_root_of_what_may_be_nothing() -> None:
    sure, u = root_density(WireDensity(4e-10, 4e-12, 4e-9, 0.02))
    assert sure == pytest.approx(2e-5, rel=0.01)
    assert u == pytest.approx(1e-7, rel=0.2)  # dS / 2 sqrt S
    nothing, left = root_density(WireDensity(0.0, 4e-11, 4e-9, 0.02))
    assert nothing < left < np.sqrt(4e-11)
    less, _ = root_density(WireDensity(-8e-11, 4e-11, 4e-9, 0.02))
    more, _ = root_density(WireDensity(8e-11, 4e-11, 4e-9, 0.02))
    assert less < nothing < more
    assert root_density(WireDensity()) == (0.0, 0.0)


def test_the_drivers_lag_is_what_the_reading_does_not_take() -> None:
    visits = visits_of(marched(0.0, 0.01, 3, 0.005), set(), AXIS)
    wire = known(5e-4, 0.005, 0.01).density
    told, guessed = (
        noise_loop_correction(wire, [v.to_s - v.at_s for v in visits], 1.0 / (2.0 * np.pi * 0.01)),
        noise_loop_correction(wire, [v.to_s - v.at_s for v in visits], None),
    )
    assert told.peak == pytest.approx(guessed.peak)
    assert told.relative_u < guessed.relative_u
    fast = noise_loop_correction(wire, [v.to_s - v.at_s for v in visits], 1.0 / (2.0 * np.pi * 0.016))
    assert fast.peak > 1.3 * told.peak


def test_a_sheet_that_knows_the_readings_filter_uses_it() -> None:
    dwells, wire = marched(5e-4, 0.006, 6, 0.005), known(5e-4, 0.005, 0.006)
    slow = replace(valve_sheet(), instruments={"current": Instrument(low_pass_hz=1.0 / (2.0 * np.pi * 0.002))})
    half, most = measured(dwells, wire=wire).hysteresis, measured(dwells, slow, wire).hysteresis
    assert half is not None
    assert most is not None
    assert most.value < half.value


@pytest.mark.parametrize("follows", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("at_full", [True, False])
def test_the_peak_of_noise_at_an_end_lies_within_the_uncertainty(follows: float, *, at_full: bool) -> None:
    """Whether the driver cuts the noise beyond its range or follows it, the spool stands at its peak."""
    noise = NoiseLoopCorrection(0.002, 0.25)
    way, level, bar = (1.0, 1.0, 200.0) if at_full else (-1.0, 0.0, 10.0)
    row = dwell(level, 0.2 + 0.8 * level, arrival=way, pressure_bar=bar + way * follows * noise.peak * 190.0)
    found = end_estimate([row] * 9, sheet(), at_full=at_full, instrument_u_bar=0.0, noise=noise)
    assert found is not None
    assert abs(found.value - bar) < found.expanded() < 1.5 * noise.peak * 190.0
