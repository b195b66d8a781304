from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.dither import measure_burst
from asleft.judge.types import FastBurst
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal


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
    for n in range(1, int(cut_hz / hz) + 1):
        through = lines[n] / (1.0 + 2j * np.pi * n * hz * coil_tau_s)
        out += 2.0 * np.real(through * np.exp(2j * np.pi * n * phase))
    return out


def burst(
    shape: str = "sine",
    *,
    hz: float = 110.0,
    peak_to_peak_a: float = 0.08,
    rate_hz: float = 5000.0,
    seconds: float = 0.5,
    noise_a: float = 1e-3,
    extra: np.ndarray | float = 0.0,
    coil_tau_s: float = 0.0,
    seed: int = 1,
) -> tuple[FastBurst, float]:
    """A burst and the peak to peak that is really in it and within the instrument's band."""
    rng = np.random.default_rng(seed)
    n = round(rate_hz * seconds)
    t = np.arange(n) / rate_hz
    phase = rng.uniform(0, 1) + hz * t
    clean = 0.5 * peak_to_peak_a * band_limited(shape, phase, hz, 0.45 * rate_hz, coil_tau_s)
    period = 0.5 * peak_to_peak_a * band_limited(shape, np.arange(4096) / 4096, hz, 0.45 * rate_hz, coil_tau_s)
    values = 0.6 + clean + noise_a * rng.standard_normal(n) + extra
    return FastBurst(50.0, rate_hz, values), float(np.ptp(period))


@settings(max_examples=40, deadline=None)
@given(st.floats(30.0, 300.0), st.floats(0.03, 0.3), st.integers(0, 1000))
def test_a_sine_is_measured_to_a_tenth_of_a_hertz_and_two_percent(hz, amplitude_a, seed) -> None:
    given_burst, true_a = burst(hz=hz, peak_to_peak_a=amplitude_a, seed=seed)
    out = measure_burst(given_burst, 0.002)
    assert out is not None
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)
    assert out.noise_a == pytest.approx(1e-3, rel=0.1)
    assert out.at_s == 50.0


@pytest.mark.parametrize("hz", [60.0, 110.0, 200.0])
@pytest.mark.parametrize(
    ("shape", "tau"), [("triangle", 0.0), ("triangle", 0.002), ("square", 0.006), ("square", 0.003)]
)
def test_triangle_and_square_too(shape, tau, hz) -> None:
    given_burst, true_a = burst(shape, hz=hz, peak_to_peak_a=0.15, coil_tau_s=tau)
    out = measure_burst(given_burst, 0.002)
    assert out is not None
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
    assert out.amplitude_a == pytest.approx(true_a, rel=0.02)


def test_no_line_is_no_dither() -> None:
    given_burst, _ = burst(peak_to_peak_a=0.0)
    out = measure_burst(given_burst, 0.002)
    assert out is not None
    assert out.amplitude_a == 0.0
    assert np.isnan(out.frequency_hz)


def test_a_line_smaller_than_the_least_is_not_taken_for_dither() -> None:
    given_burst, _ = burst(peak_to_peak_a=0.01)
    out = measure_burst(given_burst, 0.02)
    assert out is not None
    assert out.amplitude_a == 0.0


@pytest.mark.parametrize("hz", [110.0, 100.0])  # at 100 Hz the ripple sits on the twentieth harmonic
def test_switching_ripple_and_a_moving_mean_do_not_enter(hz) -> None:
    t = np.arange(2500) / 5000.0
    ripple = 0.03 * np.sin(2 * np.pi * 2000.0 * t) + 0.1 * t
    given_burst, true_a = burst(hz=hz, extra=ripple)
    out = measure_burst(given_burst, 0.002)
    assert out is not None
    assert out.frequency_hz == pytest.approx(hz, abs=0.1)
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
    assert measure_burst(given_burst, 0.002) is None


@pytest.mark.parametrize("constant", [0.0, 0.6])
def test_a_dead_burst_is_no_dither_and_no_error(constant) -> None:
    out = measure_burst(FastBurst(0.0, 5000.0, np.full(2500, constant)), 0.002)
    assert out is not None
    assert out.amplitude_a == 0.0
