"""Dither from fast bursts: frequency (Hz) and amplitude (A, peak to peak).

A windowed spectrum finds the strongest line between 20 and 500 Hz; a least-squares fit of that line and its
harmonics then gives frequency and the waveform, whose peak to peak is the amplitude whatever the shape (sine,
triangle, square).
Ripple of the driver's switching lies above the band or off the harmonics and does not enter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FastBurst, FloatArray

BAND_HZ = (20.0, 500.0)
_HARMONICS = (1, 2, 3, 5, 7)


@dataclass(frozen=True, slots=True)
class DitherBurst:
    """One burst's result; `amplitude_a` is 0 where no line stands out of the noise."""

    at_s: float
    frequency_hz: float
    amplitude_a: float
    noise_a: float  # standard deviation of what is left


def measure_burst(burst: FastBurst, least_a: float) -> DitherBurst | None:
    """Measure one burst; None if it is shorter than 0.25 s, slower than 4 x 20 Hz or holds failed readings.

    `least_a`: peak-to-peak below which a line is not taken for dither (its frequency would mean nothing).
    """
    values = burst.current_a
    n = values.size
    if n < 64 or n / burst.rate_hz < 0.25 or burst.rate_hz < 4 * BAND_HZ[0] or not np.isfinite(values).all():
        return None
    time_s = np.arange(n) / burst.rate_hz
    centred: FloatArray = np.subtract(values, np.polyval(np.polyfit(time_s, values, 1), time_s), dtype=np.float64)
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(n), 4 * n))
    frequency = np.fft.rfftfreq(4 * n, 1.0 / burst.rate_hz)
    band = (frequency >= BAND_HZ[0]) & (frequency <= min(BAND_HZ[1], 0.4 * burst.rate_hz))
    k = int(np.flatnonzero(band)[np.argmax(spectrum[band])])
    found = _refine(time_s, centred, float(frequency[k]))
    waveform, residual = _waveform(time_s, centred, found, burst.rate_hz)
    amplitude = float(waveform.max() - waveform.min())
    noise = float(residual.std())
    if amplitude < max(least_a, 6.0 * noise / np.sqrt(n / 2.0)):
        return DitherBurst(burst.start_s, float("nan"), 0.0, noise)
    return DitherBurst(burst.start_s, found, amplitude, noise)


def _basis(time_s: FloatArray, frequency_hz: float, harmonics: tuple[int, ...]) -> FloatArray:
    phase = 2.0 * np.pi * frequency_hz * time_s
    return np.column_stack([f(k * phase) for k in harmonics for f in (np.cos, np.sin)])


def _solve(basis: FloatArray, values: FloatArray) -> FloatArray:
    """Least squares by normal equations: sines of separate lines over many periods are nearly orthogonal."""
    return np.asarray(np.linalg.solve(basis.T @ basis, basis.T @ values), dtype=np.float64)


def _refine(time_s: FloatArray, values: FloatArray, start_hz: float) -> float:
    """Gauss-Newton on frequency with amplitude and phase projected out."""
    frequency = start_hz
    for _ in range(6):
        basis = _basis(time_s, frequency, (1,))
        coefficient = _solve(basis, values)
        phase = 2.0 * np.pi * frequency * time_s
        slope = 2.0 * np.pi * time_s * (-coefficient[0] * np.sin(phase) + coefficient[1] * np.cos(phase))
        full = np.column_stack((basis, slope))
        step = float(np.clip(_solve(full, values)[2], -1.0, 1.0))
        frequency += step
        if abs(step) < 1e-6:
            break
    return frequency


def _waveform(
    time_s: FloatArray, values: FloatArray, frequency_hz: float, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """One period (256 points) of the fitted waveform, and the residual."""
    harmonics = tuple(k for k in _HARMONICS if k * frequency_hz < 0.45 * rate_hz)
    basis = _basis(time_s, frequency_hz, harmonics)
    coefficient = _solve(basis, values)
    residual = values - basis @ coefficient
    # A harmonic that the noise explains would only widen the peak to peak.
    limit = 3.0 * residual.std() * np.sqrt(2.0 / values.size)
    for j in range(1, len(harmonics)):
        pair = coefficient[2 * j : 2 * j + 2]
        if np.hypot(*pair) < limit:
            coefficient[2 * j : 2 * j + 2] = 0.0
    grid = np.arange(256) / 256.0 / frequency_hz
    return _basis(grid, frequency_hz, harmonics) @ coefficient, residual
