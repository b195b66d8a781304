"""Lines of a spectrum in evenly sampled values: one periodic wave and some single sines, fitted together.

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
