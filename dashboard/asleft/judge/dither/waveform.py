"""Peak to peak of a dither wave from its harmonics: sine, triangle, square, each after the coil's lag, or any other.

A driver makes sines, triangles or squares; the coil, a first-order lag L/R, rounds them. One of these shapes has
three unknowns (size, phase, lag) however many harmonics it has, so its peak to peak is known much better than the
largest and smallest value of freely fitted harmonics, and what lies above the instrument's band is known too. A wave
that is none of them (tested against the noise) is taken as its harmonics show it, within the band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

ComplexArray = npt.NDArray[np.complex128]

#: Lags of the coil to begin with, as angles atan(w tau).
_STARTS = tuple(math.atan(x) for x in (0.0, 0.4, 1.0, 2.0, 4.0, 10.0))
_WIDEST = math.atan(50.0)
_GRID = 512
#: A shape is refused when its misfit has less than about this chance (k sigma of the Wilson-Hilferty cube root).
_MISFIT = 3.7


@dataclass(frozen=True, slots=True)
class Waveform:
    """`shape` is "sine", "triangle", "square" or "other"; peak to peak and its standard uncertainty."""

    shape: str
    peak_to_peak: float
    u: float


def series(shape: str, numbers: FloatArray) -> FloatArray:
    """Fourier sine coefficients of a wave of peak 1, at odd harmonic `numbers`."""
    if shape == "triangle":
        return np.asarray(8.0 / (np.pi * numbers) ** 2 * (-1.0) ** ((numbers - 1) // 2))
    return np.asarray(4.0 / (np.pi * numbers))


def lagged(shape: str, numbers: FloatArray, lag: float | FloatArray) -> ComplexArray:
    """Harmonics after a lag of angle atan(w tau), the fundamental made 1; shape of `lag` by (numbers,)."""
    given = series(shape, numbers)
    angle = np.asarray(lag)[..., None]
    x = np.tan(angle)
    # A sine of phase p is Re(-j e^jp): turning the fundamental to 1 turns harmonic k by (-j) / (-j)^k.
    turned = (-1j) ** (1 - numbers)
    return np.asarray(
        given / given[0] * turned * np.hypot(1.0, x) * np.exp(1j * numbers * angle) / (1.0 + 1j * numbers * x)
    )


def full_size(shape: str, lag: float) -> float:
    """Peak to peak, all harmonics included, over the amplitude of the fundamental (closed forms)."""
    x = math.tan(min(max(lag, 0.0), _WIDEST))
    widening = math.hypot(1.0, x)
    if shape == "square":
        return 2.0 * (math.tanh(0.5 * math.pi / x) if x > 1e-9 else 1.0) * widening * math.pi / 4.0
    rounding = 2.0 * x / math.pi * math.log(0.5 * (1.0 + math.exp(-math.pi / x))) if x > 1e-9 else 0.0
    return 2.0 * (1.0 + rounding) * widening * math.pi**2 / 8.0


def waveform(harmonics: Sequence[int], amplitude: ComplexArray, sigma: float) -> Waveform:
    """The wave of complex amplitudes c_k at `harmonics` (the fundamental first), each part with noise `sigma`."""
    first = float(abs(amplitude[0]))
    numbers, size = np.array(harmonics, dtype=np.float64), np.abs(amplitude)
    kept = size <= 1.2 * first / numbers  # no wave of the three has more; something else lies there
    kept[0] = True
    real = kept & (size > _MISFIT * sigma)
    real[0] = True
    if np.count_nonzero(real) == 1:
        return Waveform("sine", 2.0 * first, math.hypot(2.0 * sigma, _hidden(numbers, size, sigma)))
    odd = kept & (numbers % 2 == 1)
    if np.count_nonzero(odd) > 1 and not _even(numbers, amplitude, kept, sigma):
        tried = [_shaped(shape, numbers[odd], amplitude[odd], sigma) for shape in ("triangle", "square")]
        misfit, best = min(tried, key=lambda item: item[0])
        if misfit <= _most_misfit(2.0 * np.count_nonzero(odd) - 3.0):
            return best
    return _free(numbers[real], amplitude[real], sigma)


def _hidden(numbers: FloatArray, size: FloatArray, sigma: float) -> float:
    """Standard uncertainty of a wave that looks like a sine: a third harmonic that would show it may lie in noise.

    A far lagged triangle has a 27th of third harmonic and 3 % less peak to peak than its fundamental alone, a far
    lagged square a ninth and 23 % more (limits for a long lag, closed forms).
    """
    third = float(size[1]) + 2.0 * sigma if numbers.size > 1 and numbers[1] == 3.0 else math.inf
    if third >= size[0] / 9.0:
        return (math.pi**2 / 4.0 - 2.0) * float(size[0]) / math.sqrt(3.0)
    if third >= size[0] / 27.0:
        return (2.0 - math.pi**3 / 16.0) * float(size[0]) / math.sqrt(3.0)
    return 0.0


def _most_misfit(freedom: float) -> float:
    """Quantile of chi squared by the cube root of Wilson and Hilferty (1931)."""
    part = 2.0 / (9.0 * freedom)
    return freedom * (1.0 - part + _MISFIT * math.sqrt(part)) ** 3


def _even(numbers: FloatArray, amplitude: ComplexArray, kept: npt.NDArray[np.bool_], sigma: float) -> bool:
    even = kept & (numbers % 2 == 0)
    return bool(np.any(np.abs(amplitude[even]) > 1.3 * _MISFIT * sigma))


def _shaped(shape: str, numbers: FloatArray, amplitude: ComplexArray, sigma: float) -> tuple[float, Waveform]:
    """Least squares on size, phase and lag by Gauss-Newton from the best of some lags; misfit as chi squared."""
    starts = np.array(_STARTS)
    size, phase = float(abs(amplitude[0])), float(np.angle(amplitude[0]))
    turned = amplitude * np.exp(-1j * numbers * phase)
    misfits = np.sum(np.abs(turned - size * lagged(shape, numbers, starts)) ** 2, axis=1)
    lag = float(starts[int(np.argmin(misfits))])
    for step in range(8):
        wave = np.exp(1j * numbers * phase)
        model = lagged(shape, numbers, lag) * wave
        columns = np.stack((model, 1j * numbers * size * model, size * _by_lag(numbers, lag) * model), axis=1)
        design = np.concatenate((columns.real, columns.imag))
        off = amplitude - size * model
        gram = design.T @ design
        gram[2, 2] += 1e-12 * gram[0, 0] * size**2
        inverse = np.linalg.inv(gram)
        change = inverse @ (design.T @ np.concatenate((off.real, off.imag)))
        if step == 7 or float(np.abs(change[1:]).max()) + abs(float(change[0])) / size < 1e-9:
            break
        size, phase = size + float(change[0]), phase + float(change[1])
        lag = _angle(_versine(lag) + float(np.clip(change[2], -0.3, 0.3)))
    ratio = full_size(shape, lag)
    middle = min(max(_versine(lag), 1e-4), _versine(_WIDEST) - 1e-4)
    ends = [full_size(shape, _angle(middle + d)) for d in (-1e-4, 1e-4)]
    gradient = np.array([ratio, 0.0, size * (ends[1] - ends[0]) / 2e-4])
    u = sigma * math.sqrt(float(gradient @ inverse @ gradient))
    misfit = float(np.sum(np.abs(off) ** 2)) / sigma**2 if sigma > 0.0 else 0.0
    return misfit, Waveform(shape, ratio * size, u)


def _versine(lag: float) -> float:
    """1 - cos of the lag's angle: harmonics move with its first power at no lag, where they move with lag squared."""
    return 1.0 - math.cos(lag)


def _angle(versine: float) -> float:
    return min(max(math.acos(min(max(1.0 - versine, 0.0), 1.0)), 0.0), _WIDEST)


def _by_lag(numbers: FloatArray, lag: float) -> ComplexArray:
    """Derivative of ln(harmonics) by the versine: x = tan(lag) enters as |1 + jx| e^(jk lag) / (1 + jkx)."""
    lag = max(lag, 1e-4)
    x = math.tan(lag)
    by_angle = x + 1j * numbers - 1j * numbers * (1.0 + x * x) / (1.0 + 1j * numbers * x)
    return np.asarray(by_angle / math.sin(lag))


def _free(numbers: FloatArray, amplitude: ComplexArray, sigma: float) -> Waveform:
    """Largest minus smallest value of the harmonics themselves, unsure by what a foreign line among them may add."""
    turn = np.exp(2j * np.pi * np.outer(numbers, np.arange(_GRID) / _GRID))
    wave = (amplitude @ turn).real
    top, bottom = int(np.argmax(wave)), int(np.argmin(wave))
    noise = sigma * float(np.linalg.norm(turn[:, top] - turn[:, bottom]))
    size = float(wave[top] - wave[bottom])
    return Waveform("other", size, math.hypot(noise, abs(size - 2.0 * abs(amplitude[0])) / math.sqrt(3.0)))
