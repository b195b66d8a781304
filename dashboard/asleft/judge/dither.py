"""Dither from fast bursts: frequency (Hz) and amplitude (A, peak to peak).

A windowed spectrum finds the strongest line between 20 and 500 Hz; a least-squares fit of that line and its
harmonics, with a moving mean beside them, then gives frequency and the waveform, whose peak to peak is the amplitude
whatever the shape (sine, triangle, square). Ripple of the driver's switching lies above the band, off the harmonics,
or is too large for its place: the n-th harmonic of no current is larger than that of a square wave, 1/n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
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
    waveform, residual = _waveform(time_s, centred, found, burst.rate_hz)
    amplitude = float(waveform.max() - waveform.min())
    noise = float(residual.std())
    if amplitude < max(least_a, 6.0 * noise / np.sqrt(n / 2.0)):
        return DitherBurst(burst.start_s, float("nan"), 0.0, noise)
    return DitherBurst(burst.start_s, found, amplitude, noise)


def _turns(time_s: FloatArray, frequency_hz: float, harmonics: int) -> npt.NDArray[np.complex128]:
    """exp(i 2 pi k f t) of the harmonics k = 1.., shape (harmonics, n)."""
    out = np.empty((harmonics, time_s.size), dtype=np.complex128)
    out[0] = np.exp(2j * np.pi * frequency_hz * time_s)
    for k in range(1, harmonics):
        np.multiply(out[k - 1], out[0], out=out[k])
    return out


def _fit(rows: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares by normal equations (sines over many periods are nearly orthogonal): coefficients, residual."""
    coefficient = np.asarray(np.linalg.solve(rows @ rows.T, rows @ values), dtype=np.float64)
    return coefficient, values - coefficient @ rows


def _refine(time_s: FloatArray, values: FloatArray, start_hz: float) -> float:
    """Gauss-Newton on frequency with amplitude, phase, mean and trend projected out."""
    frequency = start_hz
    drift = (np.ones(time_s.size), time_s - time_s.mean())
    for _ in range(6):
        turn = _turns(time_s, frequency, 1)[0]
        rows = np.stack((turn.real, turn.imag, *drift))
        (cosine, sine, *_), _ = _fit(rows, values)
        slope = 2.0 * np.pi * time_s * (sine * turn.real - cosine * turn.imag)
        step = float(np.clip(_fit(np.vstack((rows, slope)), values)[0][-1], -1.0, 1.0))
        frequency += step
        if abs(step) < 1e-6:
            break
    return frequency


def _waveform(
    time_s: FloatArray, values: FloatArray, frequency_hz: float, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """One period (512 points) of the fitted waveform, and the residual.

    Harmonics that the noise explains, or that no waveform can have, would only widen the peak to peak.
    """
    n = values.size
    count = max(1, min(_MOST_HARMONICS, math.ceil(0.45 * rate_hz / frequency_hz) - 1))
    turns = _turns(time_s, frequency_hz, count)
    rough = 2.0 / n * np.abs(turns.conj() @ values)
    number = np.arange(1, count + 1)
    chosen = number == 1
    for _ in range(3):
        rows = np.vstack((turns[chosen].real, turns[chosen].imag, np.ones(n), time_s - time_s.mean()))
        coefficient, residual = _fit(rows, values)
        least = _HARMONIC_LIMIT * float(residual.std()) * math.sqrt(2.0 / n)
        before, chosen = chosen, (number == 1) | (rough > 0.7 * least)
        if bool(np.all(before == chosen)):
            break
    kept = int(before.sum())
    cosine, sine = coefficient[:kept], coefficient[kept : 2 * kept]
    size = np.hypot(cosine, sine)
    real = (size > least) & (size <= 1.2 * size[0] / number[before])
    real[0] = True
    grid = _turns(np.arange(512) / 512.0 / frequency_hz, frequency_hz, count)[before]
    return (cosine * real) @ grid.real + (sine * real) @ grid.imag, residual
