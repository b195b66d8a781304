from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.intake import (
    CURRENT,
    DEMAND,
    ENABLE,
    MODE,
    PRESSURE,
    ROWS,
    SUPPLY,
    TIME,
    columns_of,
    noise_of,
    pack_matrix,
    resolution,
    toggled_step,
    unpack_matrix,
)
from asleft.judge.types import Samples
from asleft.sheet.model import Signal, SignalKind


def test_each_channel_has_its_row_and_absent_ones_are_nan() -> None:
    samples = Samples(np.array([1.0, 2.0]), {"command": np.array([4.0, 20.0]), "supply": np.array([24.0, np.nan])})
    out = columns_of(samples, Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0))
    assert out.shape == (ROWS, 2)
    assert out[TIME].tolist() == [1.0, 2.0]
    assert out[DEMAND].tolist() == [0.0, 1.0]
    assert out[SUPPLY, 0] == 24.0
    for row in (CURRENT, PRESSURE, ENABLE, MODE):
        assert np.isnan(out[row]).all()


def test_earlier_columns_are_put_in_front() -> None:
    signal = Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0)
    before = columns_of(Samples(np.array([0.0]), {"command": np.array([12.0]), "supply": np.array([23.0])}), signal)
    out = columns_of(Samples(np.array([1.0, 2.0]), {"command": np.array([4.0, 20.0])}), signal, before)
    assert out.shape == (ROWS, 3)
    assert out[TIME].tolist() == [0.0, 1.0, 2.0]
    assert out[DEMAND].tolist() == [0.5, 0.0, 1.0]
    assert out[SUPPLY, 0] == 23.0
    assert np.isnan(out[SUPPLY, 1:]).all()


@pytest.mark.parametrize(
    ("at_zero", "at_full", "reading", "demand"),
    [(4.0, 20.0, 12.0, 0.5), (0.0, 10.0, 2.5, 0.25), (20.0, 4.0, 4.0, 1.0), (2.0, 8.0, 1.4, -0.1)],
)
def test_demand_follows_the_ends_of_the_signal_inverted_and_part_ranges_too(
    at_zero, at_full, reading, demand
) -> None:
    signal = Signal(SignalKind.EXPLICIT, "V", at_zero, at_full)
    out = columns_of(Samples(np.array([0.0]), {"command": np.array([reading])}), signal)
    assert out[DEMAND, 0] == pytest.approx(demand)


def test_resolution_is_the_converter_step() -> None:
    counts = np.random.default_rng(1).integers(100, 120, 500)
    assert resolution(counts * 2.0 / 4095) == pytest.approx(2.0 / 4095)


def test_resolution_of_too_little_is_zero_and_rounding_is_no_step() -> None:
    assert resolution(np.array([])) == 0.0
    assert resolution(np.array([3.0, 3.0, np.nan])) == 0.0
    assert resolution(np.array([0.1 + 0.2, 0.3, 0.7])) == pytest.approx(0.4)


@pytest.mark.parametrize("sd", [1e-3, 0.5])
def test_noise_is_found_beside_steps_and_failed_readings(sd) -> None:
    rng = np.random.default_rng(2)
    signal = np.repeat(rng.uniform(0, 100 * sd, 40), 100) + sd * rng.standard_normal(4000)
    signal[::97] = np.nan
    assert noise_of(signal) == pytest.approx(sd, rel=0.08)


def test_noise_is_never_below_what_the_converter_step_leaves() -> None:
    quiet = np.tile([1.0, 1.0, 1.0, 1.0, 1.01], 50)
    assert noise_of(quiet) == pytest.approx(0.01 / np.sqrt(12.0))
    assert noise_of(np.array([1.0, 2.0])) == 0.0


def test_a_matrix_survives_its_text_form_bit_for_bit() -> None:
    rng = np.random.default_rng(3)
    matrix = rng.standard_normal((ROWS, 17))
    matrix[3, 4] = np.nan
    assert np.array_equal(unpack_matrix(pack_matrix(matrix)), matrix, equal_nan=True)
    assert unpack_matrix(pack_matrix(np.empty((ROWS, 0)))).shape == (ROWS, 0)


def test_close_levels_of_an_exact_command_are_no_converters_step() -> None:
    """A register without noise: its three levels lie far apart, and each cycle's a little elsewhere."""
    rng = np.random.default_rng(4)
    fixed = np.tile(np.repeat([0.0, 0.45, 0.9], 20), 5)
    varied = np.repeat(rng.uniform(0.3, 0.9, 15), 20)
    assert noise_of(fixed, 0.02) == 0.0
    assert noise_of(varied, 0.02) == 0.0
    assert toggled_step(np.tile([0.0, 1.0], 50), 0.02) == 0.0


def test_a_reading_between_two_codes_shows_its_converters_step() -> None:
    rng = np.random.default_rng(5)
    step = 0.0078
    readings = step * np.round((np.repeat([0.0, 0.4, 0.9], 200) + 0.4 * step * rng.standard_normal(600)) / step)
    assert toggled_step(readings, 0.02) == pytest.approx(step)
    assert noise_of(readings, 0.02) >= 0.999 * step / np.sqrt(12.0)


@pytest.mark.parametrize("sd", [0.0, 3e-4])
def test_a_moving_command_is_no_noise(sd: float) -> None:
    """An S-curve of 20 s that never rests: its slope is forty times the noise from one reading to the next."""
    at = np.arange(300) / 10.0
    moving = 0.5 - 0.5 * np.cos(2.0 * np.pi * at / 20.0) + sd * np.random.default_rng(6).standard_normal(300)
    assert noise_of(moving, 0.02) == pytest.approx(sd, abs=2.5e-4)
