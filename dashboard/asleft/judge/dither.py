"""Dither from fast bursts: frequency (Hz) and amplitude (A, peak to peak).

A windowed spectrum finds the strongest line between 20 and 500 Hz; a least-squares fit of that line and its
harmonics, with a moving mean beside them, then gives frequency and the waveform, whose peak to peak is the amplitude
whatever the shape (sine, triangle, square). Ripple of the driver's switching lies above the band, off the harmonics,
or is too large for its place: the n-th harmonic of no current is larger than that of a square wave, 1/n.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FastBurst, FloatArray

BAND_HZ = (20.0, 500.0)
_MOST_HARMONICS = 25
#: Noise alone passes as a harmonic once in a thousand times.
_HARMONIC_LIMIT = 3.7


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
    if float(spectrum[k]) <= 1e-9 * n * max(float(np.abs(values).max()), 1e-9):
        return DitherBurst(burst.start_s, float("nan"), 0.0, float(centred.std()))
    found = _refine(time_s, centred, float(frequency[k]))
    count = max(1, min(_MOST_HARMONICS, math.ceil(0.45 * burst.rate_hz / found) - 1))
    number = np.arange(1, count + 1)
    rough = 4.0 / n * spectrum[np.rint(number * found / frequency[1]).astype(np.int64)]
    waveform, residual = _waveform(time_s, centred, found, rough)
    amplitude = float(waveform.max() - waveform.min())
    noise = float(residual.std())
    if amplitude < max(least_a, 6.0 * noise / np.sqrt(n / 2.0)):
        return DitherBurst(burst.start_s, float("nan"), 0.0, noise)
    return DitherBurst(burst.start_s, found, amplitude, noise)


def _turns(time_s: FloatArray, frequency_hz: float, numbers: Iterable[int]) -> tuple[FloatArray, FloatArray]:
    """Cosines and sines of some harmonics, each of shape (len(numbers), n)."""
    phase = 2.0 * np.pi * frequency_hz * np.outer(np.fromiter(numbers, dtype=np.float64), time_s)
    return np.cos(phase), np.sin(phase)


def _fit(rows: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares by normal equations (sines over many periods are nearly orthogonal): coefficients, residual."""
    coefficient = np.asarray(np.linalg.solve(rows @ rows.T, rows @ values), dtype=np.float64)
    return coefficient, values - coefficient @ rows


def _refine(time_s: FloatArray, values: FloatArray, start_hz: float) -> float:
    """Gauss-Newton on frequency with amplitude, phase, mean and trend projected out."""
    frequency = start_hz
    drift = (np.ones(time_s.size), time_s - time_s.mean())
    for _ in range(6):
        rows = np.vstack((*_turns(time_s, frequency, (1,)), *drift))
        (cosine, sine, *_), _ = _fit(rows, values)
        slope = 2.0 * np.pi * time_s * (sine * rows[0] - cosine * rows[1])
        step = float(np.clip(_fit(np.vstack((rows, slope)), values)[0][-1], -1.0, 1.0))
        frequency += step
        if abs(step) < 1e-6:
            break
    return frequency


def _waveform(
    time_s: FloatArray, values: FloatArray, frequency_hz: float, rough_a: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """One period (512 points) of the fitted waveform, and the residual; `rough_a`: each harmonic by the spectrum.

    Harmonics that the noise explains, or that no waveform can have, would only widen the peak to peak.
    """
    n = values.size
    number = np.arange(1, rough_a.size + 1)
    drift = (np.ones(n), time_s - time_s.mean())
    wanted = number == 1
    for _ in range(3):
        chosen = number[wanted]
        coefficient, residual = _fit(np.vstack((*_turns(time_s, frequency_hz, chosen), *drift)), values)
        least = _HARMONIC_LIMIT * float(residual.std()) * math.sqrt(2.0 / n)
        before, wanted = wanted, (number == 1) | (rough_a > 0.7 * least)
        if bool(np.all(before == wanted)):
            break
    cosine, sine = coefficient[: chosen.size], coefficient[chosen.size : 2 * chosen.size]
    size = np.hypot(cosine, sine)
    real = (size > least) & (size <= 1.2 * size[0] / chosen)
    real[0] = True
    grid = _turns(np.arange(512) / 512.0 / frequency_hz, frequency_hz, chosen)
    return (cosine * real) @ grid[0] + (sine * real) @ grid[1], residual
