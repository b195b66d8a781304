from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from asleft.judge.dither import DitherBurst, Expected, measure_burst
from asleft.judge.spectrum import spectrum
from asleft.judge.types import FastBurst
from scipy.signal import windows


def measured(
    peak_to_peak_a: float, frequency_hz: float, rate_hz: float, shape: str, noise_a: float = 0.0
) -> DitherBurst:
    """A synthesised dither on 0.6 A, half a second and a bit, so that it ends within a period."""
    t = np.arange(round(0.513 * rate_hz)) / rate_hz
    phase = frequency_hz * t + 0.137
    wave = {
        "triangle": 0.5 - 2.0 * np.abs((phase % 1.0) - 0.5),
        "sine": 0.5 * np.sin(2.0 * np.pi * phase),
    }[shape]
    noise = noise_a * np.random.default_rng(3).standard_normal(t.size)
    out = measure_burst(FastBurst(0.0, rate_hz, 0.6 + peak_to_peak_a * wave + noise), Expected(0.002))
    assert out is not None
    return out


@pytest.mark.parametrize("frequency_hz", [60.0, 103.7, 240.0])
def test_a_sine_is_its_peak_to_peak(frequency_hz: float) -> None:
    """Closed form."""
    out = measured(0.08, frequency_hz, 5000.0, "sine")
    assert out.frequency_hz == pytest.approx(frequency_hz, abs=1e-3)
    assert out.amplitude_a == pytest.approx(0.08, rel=1e-3)


def test_the_fundamental_of_a_triangle() -> None:
    """Closed form: 8 / pi^2 = .810569 of the peak, all that is left where harmonics are out of reach.

    At 640 Hz the third harmonic of 100 Hz lies above what is fitted, and no other falls on a line that is.
    """
    out = measured(0.08, 100.0, 640.0, "triangle")
    assert out.frequency_hz == pytest.approx(100.0, abs=0.02)
    assert out.amplitude_a / 0.08 == pytest.approx(0.810569, rel=5e-3)


@pytest.mark.parametrize("frequency_hz", [60.0, 103.7])
def test_a_triangle_is_its_peak_to_peak(frequency_hz: float) -> None:
    """Closed form: odd harmonics 8 / (pi k)^2 up to the 25th add up to .984 of the peak."""
    out = measured(0.08, frequency_hz, 8000.0, "triangle")
    assert 8.0 / np.pi**2 * sum(1.0 / k**2 for k in range(1, 26, 2)) == pytest.approx(0.98442, abs=1e-4)
    assert out.amplitude_a == pytest.approx(0.08, rel=0.02)
    assert out.frequency_hz == pytest.approx(frequency_hz, abs=2e-3)


def test_frequency_under_noise_is_as_good_as_it_can_be() -> None:
    """Closed form: standard uncertainty of a line's frequency, sqrt(6) s / (pi A T sqrt(n)); Rife, Boorstyn 1974."""
    out = measured(0.08, 97.3, 5000.0, "sine", noise_a=0.004)
    n = round(0.513 * 5000.0)
    bound_hz = np.sqrt(6.0) * 0.004 / (np.pi * 0.04 * (n / 5000.0) * np.sqrt(n))
    assert abs(out.frequency_hz - 97.3) < 4.0 * bound_hz
    assert out.noise_a == pytest.approx(0.004, rel=0.05)


def bench(name: str) -> ModuleType:
    """A module of the benchmark, which is no package."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parents[1] / "bench" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(("hz", "n"), [(97.3, 2500), (143.0, 5000)])
def test_the_bound_of_a_sines_frequency_is_rife_and_boorstyns(hz: float, n: int) -> None:
    """Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974): var w = 12 s^2 / (A^2 T^2 n (n^2 - 1)) for a complex line.

    A real one carries half the power: 24 in place of 12. The mean beside it, a cubic, costs a sine of tens of periods
    next to nothing, and its size has variance 2 s^2 / n.
    """
    bounds = bench("dither_bound")
    bound_hz, bound_a = bounds.dither_bound(
        "sine", hz, 0.03, 0.0, rate_hz=5000.0, n=n, cut_hz=2000.0, sigma=0.002, ripple=(1333.0, 0.02)
    )
    omega = np.sqrt(24.0 * 0.002**2 / (0.03**2 * n * (n**2 - 1.0))) * 5000.0
    assert bound_hz == pytest.approx(omega / (2.0 * np.pi), rel=5e-3)
    assert bound_hz == pytest.approx(bounds.rife_boorstyn_hz(0.03, 0.002, n, 5000.0), rel=5e-3)
    assert bound_a == pytest.approx(2.0 * 0.002 * np.sqrt(2.0 / n), rel=5e-3)


@pytest.mark.parametrize("shape", ["sine", "triangle", "square"])
def test_each_burst_knows_its_bound(shape: str) -> None:
    """What a burst states as its uncertainty is the Cramer-Rao bound of its wave (full Fisher matrix)."""
    bounds = bench("dither_bound")
    rate_hz, n, hz, tau_s, sigma = 5000.0, 2500, 113.0, 0.004, 0.002
    t = np.arange(n) / rate_hz
    wave = bounds.lagged_wave(t, shape, hz, 0.08, 0.3, tau_s, 2000.0)
    noise = sigma * np.random.default_rng(8).standard_normal(n)
    out = measure_burst(FastBurst(0.0, rate_hz, 0.6 + wave + noise), Expected(0.002, hz, 0.1))
    assert out is not None
    bound_hz, bound_a = bounds.dither_bound(shape, hz, 0.08, tau_s, rate_hz=rate_hz, n=n, cut_hz=2000.0, sigma=sigma)
    assert out.frequency_u_hz == pytest.approx(bound_hz, rel=0.08)
    assert out.amplitude_u_a == pytest.approx(bound_a, rel=0.12)
    assert out.amplitude_a == pytest.approx(bounds.peak_to_peak(shape, hz, 0.08, tau_s), abs=5.0 * bound_a)


def test_the_window_that_finds_lines() -> None:
    """Hann: gain .5, noise bandwidth 1.5 bins, half a bin off .84883 of a line (1.4236 dB); closed forms."""
    n, rate_hz = 4096, 4096.0
    t = np.arange(n) / rate_hz
    on, off = (spectrum(np.cos(2 * np.pi * hz * t), rate_hz) for hz in (500.0, 500.5))
    every = slice(0, None, 2)  # the bins of the data's own length
    assert float(on.size.max()) == pytest.approx(1.0, abs=1e-3)
    assert float(off.size[every].max()) == pytest.approx(0.84883, abs=1e-3)
    assert 20.0 * np.log10(float(on.size.max() / off.size[every].max())) == pytest.approx(1.4236, abs=0.01)
    assert float(off.size.max()) == pytest.approx(1.0, abs=1e-3)  # padded to twice the length: on a bin again
    noise = spectrum(np.random.default_rng(1).standard_normal(n), rate_hz)
    # A line's power over that of the noise in one bin: n / (4 x 1.5) of a sine's 1/2 and a variance of 1, so 6 / n.
    assert float(np.mean(noise.size[every] ** 2)) == pytest.approx(4.0 * 1.5 / n, rel=0.06)
    assert noise.noise**2 == pytest.approx(4.0 * 1.5 / n, rel=0.12)


@pytest.mark.parametrize(
    ("name", "gain", "bandwidth", "scallop_db", "half_a_bin"),
    [("hann", 0.5, 1.5, 1.4236, 0.84883), ("flattop", 0.215579, 3.77025, 0.00978, 0.99888)],
)
def test_published_figures_of_windows(name, gain, bandwidth, scallop_db, half_a_bin) -> None:
    """Computed with a reference library (scipy's windows, periodic); hann's also closed forms."""
    n = 8192
    window = windows.get_window(name, n)
    assert float(window.mean()) == pytest.approx(gain, abs=5e-7)
    assert n * float(np.sum(window**2)) / float(window.sum()) ** 2 == pytest.approx(bandwidth, abs=5e-5)
    share = abs(np.sum(window * np.exp(1j * np.pi * np.arange(n) / n))) / float(window.sum())
    assert share == pytest.approx(half_a_bin, abs=1e-5)
    assert -20.0 * np.log10(share) == pytest.approx(scallop_db, abs=1e-4)
