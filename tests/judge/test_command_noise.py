"""Noise of the command: what the driver clips of it, what of it is on the wire, what converters leave."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.driver.currents import Level, alive, current_line, levels_of
from asleft.judge.noise import CommandNoise, WireDensity, WireNoise, by_noise, driver_demand, leftover
from hypothesis import given
from hypothesis import strategies as st
from synth import dwell


@pytest.mark.parametrize("demand", [-0.002, 0.0, 0.001, 0.5, 0.999, 1.0, 1.003])
def test_the_driver_takes_the_mean_of_what_it_has_clipped(demand: float) -> None:
    noise = 1e-3 * np.random.default_rng(1).standard_normal(400_000)
    assert driver_demand(demand, 1e-3) == pytest.approx(np.clip(demand + noise, 0.0, 1.0).mean(), abs=1e-5)


def test_at_the_ends_it_is_a_standard_deviation_over_root_two_pi() -> None:
    assert driver_demand(0.0, 1e-3) == pytest.approx(1e-3 / np.sqrt(2.0 * np.pi))
    assert driver_demand(1.0, 1e-3) == pytest.approx(1.0 - 1e-3 / np.sqrt(2.0 * np.pi))
    assert driver_demand(1.2, 0.0) == 1.0


@given(st.floats(-0.01, 1.01), st.floats(1e-4, 5e-3))
def test_the_derivative_is_that_of_the_mean(demand: float, sd: float) -> None:
    high, low = driver_demand(demand, sd * 1.001), driver_demand(demand, sd * 0.999)
    assert by_noise(demand, sd) == pytest.approx((high - low) / (0.002 * sd), abs=1e-3)


def seen_noise(own: float, wire: float, keep: float, dwells: int = 40) -> CommandNoise:
    """Readings of white noise on the wire through a first-order filter, with white noise of their own."""
    rng = np.random.default_rng(7)
    known = CommandNoise()
    for _ in range(dwells):
        x = np.zeros(220)
        for k, push in enumerate(rng.standard_normal(219), start=1):
            x[k] = keep * x[k - 1] + np.sqrt(1.0 - keep**2) * push
        known = known.updated(0.5 + wire * x[20:] + own * rng.standard_normal(200))
    return known


def test_noise_that_neighbours_share_is_on_the_wire_and_the_rest_is_not() -> None:
    both = seen_noise(2e-4, 3e-4, 0.3).on_wire(0.3)
    assert both.sd == pytest.approx(2.2 * 3e-4, rel=0.15)
    assert both.u > 0.25 * both.sd
    own = seen_noise(4e-4, 0.0, 0.3).on_wire(0.3)
    assert own.sd == 0.0
    assert 0.0 < own.u < 4e-4


def test_without_a_filter_the_current_tells_whether_it_is_on_the_wire() -> None:
    """A thousandth of noise: alone it may be anything, a current that knows nothing of it says none."""
    noise = seen_noise(1e-3, 0.0, 0.3)
    blind = noise.unfiltered(WireDensity())
    assert blind.sd == pytest.approx(5e-4, rel=0.05)
    own = noise.unfiltered(WireDensity(1e-11, 5e-11, 1e-8))
    assert own.sd == 0.0
    assert 0.0 < own.u < 2e-4
    wire = noise.unfiltered(WireDensity(3e-9, 5e-11, 1e-8))
    assert abs(wire.sd - 1e-3) < 2.0 * wire.u
    assert CommandNoise().on_wire(0.3) == CommandNoise().unfiltered(WireDensity()) == WireNoise()


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.2, 0.3, 0.6])
def test_what_a_converter_leaves_in_a_mean(noise: float) -> None:
    """Root mean square over where the true value lies between two steps, by brute force."""
    rng = np.random.default_rng(3)
    true = rng.random(400)
    readings = np.round(true[:, None] + noise * rng.standard_normal((400, 4000)))
    left = np.sqrt(np.mean((readings.mean(axis=1) - true) ** 2))
    sd = float(np.sqrt(np.mean(readings.var(axis=1))))
    really = np.sqrt(max(left**2 - noise**2 / 4000.0, 0.0))
    # A little noise is told too small by its own scatter: the answer errs on the safe side there.
    assert 0.9 * really - 0.012 < leftover(1.0, sd) < 1.6 * really + 0.012
    assert leftover(0.0, sd) == 0.0


def clipped_levels(clip: float) -> list[Level]:
    """A line 0.2 A + u 0.8 A whose driver lets `clip` of the demand through at zero and loses as much at full."""
    acting = {0.0: clip, 0.35: 0.35, 0.7: 0.7, 1.0: 1.0 - clip}
    return [
        Level(u, 0.2 + 0.8 * acts, 2e-5, 0.0, 8e-4, 10, 0.0, 10.0, 1e-6, by_noise(u, 1e-4))
        for u, acts in acting.items()
    ]


def test_levels_between_tell_what_is_clipped_at_the_ends() -> None:
    blind = current_line(clipped_levels(2e-4), 0.0)
    told = current_line(clipped_levels(2e-4), 0.0, wire_u=1e-3)
    assert blind is not None
    assert told is not None
    assert blind.at_zero_a - 0.2 > 1e-4
    assert told.at_zero_a == pytest.approx(0.2, abs=3e-5)
    assert told.at_full_a == pytest.approx(1.0, abs=3e-5)
    assert told.se_zero_a > blind.se_zero_a / 2.0  # they must tell the line and the clipping


def test_without_levels_between_the_uncertainty_is_all_there_is() -> None:
    levels = [level for level in clipped_levels(2e-4) if level.demand in (0.0, 1.0)]
    line = current_line(levels, 0.0, wire_u=5e-4)
    assert line is not None
    assert line.clipped_zero_a == pytest.approx(0.8 * 0.4 * 5e-4, rel=0.05)
    assert abs(line.at_zero_a - 0.2) < 2.0 * np.hypot(line.clipped_zero_a, line.se_zero_a)


@pytest.mark.parametrize("clips", [True, False])
def test_levels_between_tell_whether_a_driver_clips_the_noise_at_all(clips: bool) -> None:
    """Levels whose demand is counted as clipped; a driver whose demand goes beyond its range does not clip."""
    sd = 1e-3
    levels = [
        Level(
            driver_demand(u, sd), 0.2 + 0.8 * (driver_demand(u, sd) if clips else u), 2e-5, 0.0, 8e-4, 10, 0.0, 10.0,
            1e-6, by_noise(u, sd),
        )
        for u in (0.0, 0.35, 0.7, 1.0)
    ]  # fmt: skip
    line = current_line(levels, 0.0, wire_u=1e-4, wire_sd=sd)
    assert line is not None
    assert line.at_zero_a == pytest.approx(0.2, abs=5e-5)
    assert line.more_clipped == pytest.approx(0.5 * sd if clips else -0.5 * sd, abs=1.5e-4)
    both = current_line([levels[0], levels[-1]], 0.0, wire_u=1e-4, wire_sd=sd)
    assert both is not None
    assert both.more_clipped == 0.0
    assert 1e-4 < abs(both.at_zero_a - 0.2) < 2.0 * both.clipped_zero_a


def test_a_level_knows_the_steps_of_both_converters() -> None:
    quiet = [dwell(0.5, 0.6, demand_se=1e-9, current_sd_a=8e-4) for _ in range(9)]
    assert levels_of(quiet, 0.0, demand_step=1e-3)[0].demand_se == pytest.approx(1e-3 / np.sqrt(12.0), rel=0.03)
    assert levels_of(quiet, 0.0)[0].demand_se < 1e-8


def test_a_reading_that_stands_still_is_left_out_and_one_that_never_shows_noise_is_not() -> None:
    lively = [dwell(0.5, 0.6) for _ in range(8)]
    still = [dwell(0.5, 0.9, current_sd_a=0.0) for _ in range(2)]
    assert alive([*lively, *still]) == lively
    assert alive(still * 4) == still * 4
