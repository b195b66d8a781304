"""Dither: its wave shape in the coil, and what it does to friction."""

from __future__ import annotations

import functools
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

DitherShape = Literal["sine", "triangle", "square"]

#: Odd harmonics kept of a triangle or square; what lies beyond changes the peak of a lagged square by under 0.1 %.
_HIGHEST = 799


def _coefficients(shape: DitherShape, highest: int = _HIGHEST) -> tuple[tuple[int, complex], ...]:
    """Complex sine coefficients per harmonic up to `highest` for a wave of peak 1 (Fourier series)."""
    numbers = range(1, max(1, highest) + 1, 2)
    if shape == "sine":
        return ((1, 1.0 + 0.0j),)
    if shape == "triangle":
        return tuple((n, 8.0 / (np.pi * n) ** 2 * (-1.0) ** ((n - 1) // 2) + 0.0j) for n in numbers)
    if shape == "square":
        return tuple((n, 4.0 / (np.pi * n) + 0.0j) for n in numbers)
    raise ValueError(f"dither shape must be 'sine', 'triangle' or 'square', not {shape!r}")


def wave(
    phase: FloatArray,
    shape: DitherShape,
    frequency_hz: float,
    coil_time_constant_s: float,
    *,
    highest_hz: float = np.inf,
) -> FloatArray:
    """Dither current at `phase` (periods) for a demanded wave of peak 1, after the coil's low-pass L/R.

    Each harmonic is divided by 1 + j 2 pi n f tau; those above `highest_hz` (a recorder's band) are left out.
    """
    out = np.zeros_like(phase, dtype=np.float64)
    for n, coefficient in _coefficients(shape, int(min(_HIGHEST, highest_hz / frequency_hz))):
        through = coefficient / (1.0 + 2j * np.pi * n * frequency_hz * coil_time_constant_s)
        angle = 2.0 * np.pi * n * phase
        out += through.real * np.sin(angle) + through.imag * np.cos(angle)
    return out


@functools.lru_cache(maxsize=1024)
def passed_share(shape: DitherShape, frequency_hz: float, coil_time_constant_s: float) -> float:
    """Peak-to-peak current in the coil over the demanded peak-to-peak current; at most 1 for a sine or triangle."""
    if frequency_hz <= 0:
        return 0.0
    phase = np.arange(2048) / 2048.0
    return float(np.ptp(wave(phase, shape, frequency_hz, coil_time_constant_s)) / 2.0)


@functools.lru_cache(maxsize=1024)
def fundamental_share(shape: DitherShape, frequency_hz: float, coil_time_constant_s: float) -> float:
    """Amplitude of the fundamental in the coil over the demanded peak."""
    if frequency_hz <= 0:
        return 0.0
    coefficient = _coefficients(shape)[0][1]
    return float(abs(coefficient / (1.0 + 2j * np.pi * frequency_hz * coil_time_constant_s)))


def friction_half_width(dry: float, least: float, amplitude_pp_a: float, effect_a: float) -> float:
    """Half width of the friction play left over at a dither of `amplitude_pp_a` (A peak to peak in the coil).

    least + (dry - least) e^(-amplitude/effect), in the unit of `dry`. That dither reduces hysteresis is common
    practice; the exponential is a choice of this simulator.
    """
    return least + (dry - least) * float(np.exp(-amplitude_pp_a / effect_a))
