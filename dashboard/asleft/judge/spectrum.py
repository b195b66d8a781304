"""Lines of a spectrum in evenly sampled values, and the peak to peak of the wave that they make.

Least squares on everything at once (cosines, sines, a moving mean as a cubic), Gauss-Newton on the frequencies: the
maximum-likelihood estimate in white noise, whose limit is the Cramer-Rao bound (Rife & Boorstyn, IEEE Trans. Inf.
Theory 20, 1974; for harmonics of one wave Nehorai & Porat, IEEE Trans. ASSP 34, 1986). Lines that leak into each
other are told apart because they are fitted together; a spectrum, windowed (Hann), only finds where to begin.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

ComplexArray = npt.NDArray[np.complex128]

_CUBIC = 4  # a constant, a slope, two bends
_STEPS = 6


@dataclass(frozen=True, slots=True)
class Peak:
    """A line as the windowed spectrum shows it: frequency (Hz) and amplitude (peak, in the unit of the values)."""

    hz: float
    size: float


@dataclass(eq=False, frozen=True, slots=True)
class Spectrum:
    """Windowed spectrum: amplitude of a line at each frequency (n,), and what noise alone shows (rms)."""

    hz: FloatArray
    size: FloatArray
    noise: float

    def at(self, hz: float) -> float:
        """Amplitude nearest to a frequency."""
        return float(self.size[min(round(hz / float(self.hz[1])), self.size.size - 1)])


@dataclass(eq=False, frozen=True, slots=True)
class Fit:
    """A wave of frequency `hz` with complex amplitudes c_k at `harmonics`, single lines beside it, and what is left.

    The wave is the sum of Re c_k e^(jk w t), t counted from the middle of the burst.
    """

    hz: float
    u_hz: float  # standard uncertainty
    harmonics: tuple[int, ...]
    amplitude: ComplexArray
    other_hz: tuple[float, ...]
    other_size: tuple[float, ...]
    residual: FloatArray
    noise: float  # standard deviation of the residual, degrees of freedom allowed for


@functools.lru_cache(maxsize=8)
def _frame(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centred index (n,), orthonormal cubics (4, n), Hann window (n,)."""
    index = np.arange(n, dtype=np.float64) - 0.5 * (n - 1)
    q, _ = np.linalg.qr(np.vander(index / n, _CUBIC, increasing=True))
    return index, np.ascontiguousarray(q.T, dtype=np.float64), np.hanning(n)


def levelled(values: FloatArray) -> FloatArray:
    """The values without their moving mean."""
    cubic = _frame(values.size)[1]
    out: FloatArray = values - (cubic @ values) @ cubic
    return out


def spectrum(values: FloatArray, rate_hz: float) -> Spectrum:
    """Hann-windowed spectrum of values, padded to twice their number."""
    n = values.size
    lines = np.fft.rfft(values * _frame(n)[2], 2 * n)
    size: FloatArray = np.asarray(4.0 / n * np.abs(lines), dtype=np.float64)
    # The median of the power of noise is ln 2 of its mean.
    noise = math.sqrt(float(np.median(size**2)) / math.log(2.0))
    return Spectrum(np.arange(size.size, dtype=np.float64) * (0.5 * rate_hz / n), size, noise)


def peaks_of(shown: Spectrum, *, least: float, apart_hz: float, most: int, low_hz: float = 0.0) -> list[Peak]:
    """Local maxima above `least`, the largest first, none within `apart_hz` of a larger one nor in its skirts.

    The skirts of a Hann window fall with the third power of the distance.
    """
    size = shown.size
    inner = size[1:-1]
    highest = (inner > size[:-2]) & (inner >= size[2:]) & (inner > least)
    where = np.flatnonzero(highest & (shown.hz[1:-1] > low_hz)) + 1
    found: list[Peak] = []
    for k in where[np.argsort(-size[where])].tolist():
        peak = _between(shown, k)
        if all(
            abs(peak.hz - p.hz) > apart_hz and peak.size > 0.1 * p.size * (apart_hz / abs(peak.hz - p.hz)) ** 3
            for p in found
        ):
            found.append(peak)
            if len(found) == most:
                break
    return found


def _between(shown: Spectrum, k: int) -> Peak:
    """Vertex of the parabola through the logarithms of a maximum and its neighbours."""
    low, middle, high = np.log(np.maximum(shown.size[k - 1 : k + 2], 1e-300)).tolist()
    bend = low - 2.0 * middle + high
    shift = 0.5 * (low - high) / bend if bend < 0.0 else 0.0
    return Peak(float(shown.hz[1]) * (k + shift), math.exp(middle - 0.25 * (low - high) * shift))


def fit_lines(
    values: FloatArray, rate_hz: float, hz: float, harmonics: Sequence[int], others_hz: Sequence[float]
) -> Fit:
    """Fit a wave that begins at `hz` with some harmonics (the fundamental first), and single lines beside it."""
    n = values.size
    index, cubic, _ = _frame(n)
    turn = 2.0 * np.pi / rate_hz
    omega = turn * np.array([hz, *others_hz])
    count = len(harmonics)
    number = np.array(harmonics, dtype=np.float64)
    widest = np.pi / n  # a quarter of the window's resolution, per step
    for step in range(_STEPS):
        waves = _waves(index, omega, harmonics)
        rows = np.concatenate((waves.real, waves.imag, cubic))
        gram = rows @ rows.T
        solution = np.linalg.solve(gram, rows @ values)
        size = waves.shape[0]
        c: ComplexArray = np.asarray(solution[:size] - 1j * solution[size : 2 * size], dtype=np.complex128)
        residual = values - solution @ rows
        # d/dw of Re c e^(jkwt) = Re (j k t c e^(jkwt)); what the linear rows explain of it is taken out.
        slopes = np.empty((omega.size, n))
        slopes[0] = _real_sum(1j * number * c[:count], waves[:count])
        for k in range(1, omega.size):
            slopes[k] = _real_sum(1j * c[count + k - 1 : count + k], waves[count + k - 1 : count + k])
        slopes *= index
        free = slopes - np.linalg.solve(gram, rows @ slopes.T).T @ rows
        information = free @ free.T
        information[np.diag_indices_from(information)] *= 1.0 + 1e-12
        change = np.clip(np.linalg.solve(information, free @ residual), -widest, widest)
        if step == _STEPS - 1 or float(np.abs(change).max()) < 2e-4 / n:
            break
        omega = omega + change
    dof = max(n - rows.shape[0] - omega.size, 1)
    noise = math.sqrt(float(residual @ residual) / dof)
    variance = float(np.linalg.inv(information)[0, 0])
    return Fit(
        hz=float(omega[0]) / turn,
        u_hz=noise * math.sqrt(max(variance, 0.0)) / turn,
        harmonics=tuple(harmonics),
        amplitude=c[:count],
        other_hz=tuple((omega[1:] / turn).tolist()),
        other_size=tuple(np.abs(c[count:]).tolist()),
        residual=residual,
        noise=noise,
    )


def _waves(index: FloatArray, omega: FloatArray, harmonics: Sequence[int]) -> ComplexArray:
    """e^(jkwt) of the wave's harmonics, then of the single lines; each power by one multiplication more."""
    out = np.empty((len(harmonics) + omega.size - 1, index.size), dtype=np.complex128)
    first = _turning(index, float(omega[0]))
    power, at = first, 1
    for row, k in enumerate(harmonics):
        if k != at:
            power = power * (first if k == at + 1 else first * first if k == at + 2 else first ** (k - at))
            at = k
        out[row] = power
    for row, w in enumerate(omega[1:].tolist()):
        out[len(harmonics) + row] = _turning(index, w)
    return out


def _turning(index: FloatArray, omega: float) -> ComplexArray:
    out = np.empty(index.size, dtype=np.complex128)
    angle = omega * index
    np.cos(angle, out=out.real)
    np.sin(angle, out=out.imag)
    return out


def _real_sum(c: ComplexArray, waves: ComplexArray) -> FloatArray:
    return np.asarray(c.real @ waves.real - c.imag @ waves.imag)


# Peak to peak of a dither wave from its harmonics: sine, triangle, square, each after the coil's lag, or any other.
#
# A driver makes sines, triangles or squares; the coil, a first-order lag L/R, rounds them. One of these shapes has
# three unknowns (size, phase, lag) however many harmonics it has, so its peak to peak is known much better than the
# largest and smallest value of freely fitted harmonics, and what lies above the instrument's band is known too. A
# wave that is none of them (tested against the noise) is taken as its harmonics show it, within the band.

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
    # Noise alone is beyond x sigma with the chance exp(-x^2 / 2); of many harmonics one may be.
    real = kept & (size > math.sqrt(_MISFIT**2 + 2.0 * math.log(numbers.size)) * sigma)
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
