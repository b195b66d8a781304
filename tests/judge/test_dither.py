from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from asleft.judge.dither import DitherBurst, Expected, measure_burst, read_burst, remembered
from asleft.judge.spectrum import waveform
from asleft.judge.types import FastBurst
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

RATE_HZ, N = 5000.0, 2500
T = np.arange(N) / RATE_HZ
LEFT = Expected(0.0012, 120.0, 0.06)


def band_limited(shape: str, phase: np.ndarray, hz: float, cut_hz: float, coil_tau_s: float) -> np.ndarray:
    """A wave of peak 1 at `phase` (periods), after the coil, without what the instrument's filter takes away."""
    grid = np.arange(4096) / 4096
    if shape == "sine":
        one = np.sin(2 * np.pi * grid)
    elif shape == "triangle":
        one = signal.sawtooth(2 * np.pi * grid, 0.5)
    else:
        one = signal.square(2 * np.pi * grid)
    lines = np.fft.rfft(one) / 4096
    out = np.zeros_like(phase)
    for n in range(1, min(int(cut_hz / hz), 2000) + 1):
        if abs(lines[n]) > 1e-12:
            through = lines[n] / (1.0 + 2j * np.pi * n * hz * coil_tau_s)
            out += 2.0 * np.real(through * np.exp(2j * np.pi * n * phase))
    return out


@functools.lru_cache(maxsize=256)
def lag_exactly(shape: str, hz: float, coil_tau_s: float) -> float:
    """Peak of a lagged wave of peak 1, marched through fifty thousand steps of its steady period."""
    if shape == "sine":
        return 1.0 / math.hypot(1.0, 2 * np.pi * hz * coil_tau_s)
    if coil_tau_s == 0.0:
        return 1.0
    n = 50_000
    phase = np.arange(n) / n
    drive = signal.square(2 * np.pi * phase) if shape == "square" else signal.sawtooth(2 * np.pi * phase, 0.5)
    keep = math.exp(-1.0 / (n * hz * coil_tau_s))
    own = signal.lfilter([1.0 - keep], [1.0, -keep], drive)
    settled = own + (own[-1] / (1.0 - keep**n)) * keep ** np.arange(1, n + 1)
    return float(np.ptp(settled)) / 2.0


def burst(
    shape: str = "sine",
    *,
    hz: float = 110.0,
    peak_to_peak_a: float = 0.08,
    rate_hz: float = RATE_HZ,
    seconds: float = 0.5,
    noise_a: float = 1e-3,
    extra: np.ndarray | float = 0.0,
    coil_tau_s: float = 0.0,
    seed: int = 1,
) -> tuple[FastBurst, float]:
    """A burst within the instrument's band, and the peak to peak that really flows in the coil."""
    rng = np.random.default_rng(seed)
    n = round(rate_hz * seconds)
    t = np.arange(n) / rate_hz
    phase = rng.uniform(0, 1) + hz * t
    clean = 0.5 * peak_to_peak_a * band_limited(shape, phase, hz, 0.45 * rate_hz, coil_tau_s)
    values = 0.6 + clean + noise_a * rng.standard_normal(n) + extra
    return FastBurst(50.0, rate_hz, values), peak_to_peak_a * lag_exactly(shape, hz, coil_tau_s)


def measured(given_burst: FastBurst, expected: Expected = LEFT) -> DitherBurst:
    out = measure_burst(given_burst, expected)
    assert out is not None
    return out


@settings(max_examples=40, deadline=None)
@given(st.floats(30.0, 300.0), st.floats(0.03, 0.3), st.integers(0, 1000))
def test_a_sine_is_measured_to_a_tenth_of_a_hertz_and_two_percent(hz, amplitude_a, seed) -> None:
    given_burst, true_a = burst(hz=hz, peak_to_peak_a=amplitude_a, seed=seed)
    out = measured(given_burst, Expected(0.002))
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)
    assert out.noise_a == pytest.approx(1e-3, rel=0.1)
    assert out.at_s == 50.0
    assert out.shape == "sine"


def test_noise_at_one_of_many_harmonics_is_no_other_wave() -> None:
    """Of a sine with nineteen harmonics of noise, as a dither of 100 Hz has below 2 kHz; chance 1e-3 in all."""
    rng = np.random.default_rng(3)
    harmonics = range(1, 20)
    other = 0
    for _ in range(4000):
        amplitude = 0.01 * (rng.standard_normal(19) + 1j * rng.standard_normal(19))
        amplitude[0] += 1.0
        other += waveform(harmonics, amplitude, 0.01).shape != "sine"
    assert other <= 12, "seldom over three in a thousand; 1.8 % where each is asked by itself"


@pytest.mark.parametrize("hz", [60.0, 110.0, 200.0])
@pytest.mark.parametrize(
    ("shape", "tau"), [("triangle", 0.0), ("triangle", 0.002), ("square", 0.006), ("square", 0.003)]
)
def test_triangle_and_square_too_with_what_lies_above_the_band(shape, tau, hz) -> None:
    given_burst, true_a = burst(shape, hz=hz, peak_to_peak_a=0.15, coil_tau_s=tau)
    out = measured(given_burst, Expected(0.002))
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)
    assert out.shape == shape


@pytest.mark.parametrize("shape", ["sine", "triangle", "square"])
def test_what_a_burst_says_of_its_own_uncertainty_is_true(shape) -> None:
    off = []
    for seed in range(60):
        given_burst, true_a = burst(shape, hz=97.0, peak_to_peak_a=0.15, coil_tau_s=0.005, noise_a=3e-3, seed=seed)
        out = measured(given_burst, Expected(0.002))
        off.append(((out.frequency_hz - 97.0) / out.frequency_u_hz, (out.amplitude_a - true_a) / out.amplitude_u_a))
    spread = np.sqrt(np.mean(np.square(off), axis=0))
    assert spread == pytest.approx([1.0, 1.0], abs=0.3)  # 60 values: 0.09 is one standard deviation


def test_a_wave_of_its_own_is_taken_as_it_is_and_called_unsure() -> None:
    phase = 2 * np.pi * 90.0 * T + 0.3
    own = 0.03 * np.sin(phase) + 0.012 * np.sin(2 * phase + 1.0)
    true_a = float(np.ptp(0.03 * np.sin(np.arange(4096) / 651.9) + 0.012 * np.sin(np.arange(4096) / 325.95 + 1.0)))
    given_burst, _ = burst(peak_to_peak_a=0.0, extra=own)
    out = measured(given_burst, Expected(0.002, 90.0, 0.06))
    assert out.shape == "other"
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


def test_no_line_is_no_dither_and_says_what_might_hide() -> None:
    given_burst, _ = burst(peak_to_peak_a=0.0)
    out = measured(given_burst, Expected(0.002))
    assert out.amplitude_a == 0.0
    assert np.isnan(out.frequency_hz)
    assert out.shape == "none"
    assert out.amplitude_u_a >= 0.002


def test_a_line_smaller_than_the_least_is_not_taken_for_dither() -> None:
    given_burst, _ = burst(peak_to_peak_a=0.01)
    assert measured(given_burst, Expected(0.02)).amplitude_a == 0.0


@pytest.mark.parametrize("hz", [110.0, 100.0])  # at 100 Hz the ripple sits on the twentieth harmonic
def test_switching_ripple_and_a_moving_mean_do_not_enter(hz) -> None:
    ripple = 0.03 * np.sin(2 * np.pi * 2000.0 * T) + 0.1 * T
    given_burst, true_a = burst(hz=hz, extra=ripple)
    out = measured(given_burst, Expected(0.002))
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


@pytest.mark.parametrize("shape", ["sine", "triangle", "square"])
@pytest.mark.parametrize("hum_hz", [50.0, 50.07, 59.95, 100.0, 120.0, 150.1, 180.0, 300.0])
def test_hum_beside_the_dither_does_not_enter_on_a_bin_or_between_two(shape, hum_hz) -> None:
    given_burst, true_a = burst(
        shape, hz=117.3, peak_to_peak_a=0.15, coil_tau_s=0.004, extra=0.006 * np.sin(2 * np.pi * hum_hz * T + 0.4)
    )
    out = measured(given_burst)
    assert out.frequency_hz == pytest.approx(117.3, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


@pytest.mark.parametrize("hum_hz", [50.03, 100.05, 119.95, 150.0, 180.0, 240.0])
def test_hum_alone_is_no_dither(hum_hz) -> None:
    given_burst, _ = burst(peak_to_peak_a=0.0, extra=0.006 * np.sin(2 * np.pi * hum_hz * T + 0.4))
    assert measured(given_burst, Expected(0.0012, 130.0, 0.06)).amplitude_a == 0.0


def test_dither_that_was_left_at_a_multiple_of_the_mains_is_dither() -> None:
    given_burst, true_a = burst(hz=100.0, peak_to_peak_a=0.02)
    assert measured(given_burst, Expected(0.0012, 100.0, 0.06)).amplitude_a == pytest.approx(true_a, rel=0.02)


def test_dither_set_to_another_frequency_is_found_there() -> None:
    given_burst, true_a = burst(hz=173.0, peak_to_peak_a=0.05)
    out = measured(given_burst)
    assert out.frequency_hz == pytest.approx(173.0, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


def folded_ripple(duty: float, alias_hz: float, size_a: float) -> np.ndarray:
    """Ripple of a switched coil current, sampled just beside its own frequency: it shows at `alias_hz`."""
    phase = alias_hz * T % 1.0
    wave = np.where(phase < duty, phase / duty, (1.0 - phase) / (1.0 - duty))
    return size_a * (wave - 0.5)


def test_folded_ripple_stands_beside_the_dither_and_is_no_dither_once_that_has_gone() -> None:
    both, true_a = burst(hz=119.0, peak_to_peak_a=0.06, extra=folded_ripple(0.5, 187.0, 0.03))
    read = read_burst(both, LEFT)
    assert read is not None
    found, beside = read
    assert found.frequency_hz == pytest.approx(119.0, abs=0.1)
    assert found.amplitude_a == pytest.approx(true_a, rel=0.02)
    assert beside == pytest.approx([187.0], abs=0.1)
    known = remembered([], found, beside, 120.0)
    alone, _ = burst(peak_to_peak_a=0.0, extra=folded_ripple(0.5, 187.0, 0.03))
    assert measured(alone, Expected(0.0012, 120.0, 0.06, known)).amplitude_a == 0.0
    assert measured(alone, LEFT).amplitude_a > 0.0  # nobody has seen it beside the dither


def test_a_lopsided_wave_far_from_where_dither_was_left_is_ripple() -> None:
    alone, _ = burst(peak_to_peak_a=0.0, extra=folded_ripple(0.3, 187.0, 0.03))
    assert measured(alone).amplitude_a == 0.0


@pytest.mark.parametrize("off_hz", [0.4, 0.9, 1.4, 2.5, 4.0])
def test_ripple_just_beside_a_harmonic_does_not_break_the_fit(off_hz) -> None:
    for k in (9, 11, 13):
        ripple = 0.02 * np.sin(2 * np.pi * (k * 117.3 + off_hz) * T + k)
        given_burst, true_a = burst("square", hz=117.3, peak_to_peak_a=0.15, coil_tau_s=0.005, extra=ripple)
        out = measured(given_burst)
        assert out.frequency_hz == pytest.approx(117.3, abs=0.1)
        assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


def test_lines_are_remembered_once_and_only_beside_dither_where_it_was_left() -> None:
    at = DitherBurst(0.0, 121.0, 0.05, 1e-3, 0.01, 1e-4, "sine")
    far = DitherBurst(0.0, 187.0, 0.05, 1e-3, 0.01, 1e-4, "sine")
    known = remembered([187.1], at, [187.0, 230.0], 120.0)
    assert known == [187.1, 230.0]
    assert remembered(known, far, [310.0], 120.0) == known
    assert remembered(known, at, [310.0], None) == known
    assert len(remembered([20.0 * k for k in range(1, 30)], at, [], 120.0)) == 12


def test_a_burst_in_which_the_current_jumps_is_not_measured_but_a_ramp_is() -> None:
    jump = 0.3 * (T > 0.2) * (1.0 - np.exp(-np.maximum(T - 0.2, 0.0) / 0.012))
    given_burst, _ = burst(peak_to_peak_a=0.02, extra=jump)
    assert measure_burst(given_burst, Expected(0.0012)) is None
    ramp = np.interp(T, [0.0, 0.1, 0.4, 0.5], [0.0, 0.0, 0.3, 0.3])
    given_burst, true_a = burst(peak_to_peak_a=0.06, extra=ramp)
    out = measured(given_burst, Expected(0.0012))
    assert out.frequency_hz == pytest.approx(110.0, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


@pytest.mark.parametrize(
    "given_burst",
    [
        FastBurst(0.0, 5000.0, np.ones(60)),
        FastBurst(0.0, 5000.0, np.ones(1000)),  # 0.2 s
        FastBurst(0.0, 70.0, np.ones(700)),
        FastBurst(0.0, 5000.0, np.full(2500, np.nan)),
        FastBurst(0.0, 5000.0, np.array([])),
    ],
)
def test_what_cannot_be_measured_is_no_measurement(given_burst) -> None:
    assert measure_burst(given_burst, Expected(0.002)) is None


@pytest.mark.parametrize("constant", [0.0, 0.6])
def test_a_dead_burst_is_no_dither_and_no_error(constant) -> None:
    assert measured(FastBurst(0.0, 5000.0, np.full(2500, constant)), Expected(0.002)).amplitude_a == 0.0
