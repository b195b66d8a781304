from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.dither import DitherBurst, Expected, measure_burst
from asleft.judge.types import FastBurst


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
