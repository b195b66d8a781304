"""Cramer-Rao bounds of dither and coil: what no unbiased estimator can beat on a given burst or cold start.

Dither. Readings x_n = s(t_n; theta) + w_n, w white and Gaussian with variance noise^2 + q^2/12 (a converter of step q
adds that from a noise of half a step on). theta: frequency, size and phase of the driver's wave, for a triangle or a
square also the coil's lag; nuisance, all unknown: a cubic mean, and size, phase and frequency of the switching
ripple's line in the band. Fisher matrix J = sum ds/dtheta ds/dtheta^T / sigma^2, derivatives by central differences;
the bound of a function g(theta) is g' J^-1 g'^T (S. M. Kay, Estimation Theory, 1993, 3.7-3.8, from memory). For one
sine this is Rife & Boorstyn (1974): var f = 6 s^2 / (pi^2 A^2 T^2 n) for large n, which a test checks.

Peak to peak of a triangle or square is that of the whole wave behind the coil's lag, a function of size, frequency
and lag (closed forms below); harmonics above the instrument's band are no part of the data. A wave of unknown
harmonics would have a higher bound (each adds its noise); this is the lower one, so that no efficiency is flattered.

Coil. A settled stretch of n samples at current I with voltage noise sv and current noise si tells R with variance
(sv^2 + R^2 si^2) / (n I^2), the level of the current itself unknown. At a cold start R = R0 (1 + b E), E the heat put
in so far, b unknown: the bound of R0 is [(sum x x^T / var)^-1]_00 with x = (1, E).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def with_converter(noise: float, step: float) -> float:
    """Standard deviation of a reading with `noise` before a converter of step `step`."""
    return math.hypot(noise, step / math.sqrt(12.0))


def lagged_wave(
    t: FloatArray, shape: str, hz: float, size: float, phase: float, tau_s: float, cut_hz: float
) -> FloatArray:
    """A wave of peak `size` at `phase` (turns) behind a lag, harmonics up to `cut_hz`."""
    out = np.zeros_like(t)
    for k in range(1, int(cut_hz / hz) + 1, 2):
        if shape == "sine" and k > 1:
            break
        c = {"sine": 1.0, "square": 4.0 / (np.pi * k), "triangle": 8.0 / (np.pi * k) ** 2 * (-1.0) ** ((k - 1) // 2)}
        through = c[shape] / (1.0 + 2j * np.pi * k * hz * tau_s)
        out += np.imag(through * np.exp(2j * np.pi * k * (hz * t + phase)))
    return size * out


def peak_to_peak(shape: str, hz: float, size: float, tau_s: float) -> float:
    """Of the whole wave behind the lag (closed forms: the steady responses of a first-order lag)."""
    if shape == "sine":
        return 2.0 * size / math.hypot(1.0, 2.0 * math.pi * hz * tau_s)
    half = 0.5 / (hz * tau_s)  # half periods in time constants
    if shape == "square":
        return 2.0 * size * math.tanh(0.5 * half)
    # A straight line's response, turned round where its slope is zero.
    return 2.0 * size * (1.0 + 2.0 / half * math.log(0.5 * (1.0 + math.exp(-half))))


def dither_bound(
    shape: str,
    hz: float,
    size: float,
    tau_s: float,
    *,
    rate_hz: float,
    n: int,
    cut_hz: float,
    sigma: float,
    ripple: tuple[float, float] | None = None,
) -> tuple[float, float]:
    """Standard deviations no unbiased estimator of frequency (Hz) and peak to peak (A) can beat on one burst.

    `ripple`: frequency and amplitude of the ripple's line in the band.
    """
    t = (np.arange(n) - 0.5 * (n - 1)) / rate_hz
    lags = () if shape == "sine" else (tau_s,)
    theta = np.array([hz, size, 0.2, *lags])
    steps = np.array([1e-4, 1e-4 * size, 1e-5, *(1e-3 * tau_s for _ in lags)])

    def wave(at: FloatArray) -> FloatArray:
        return lagged_wave(t, shape, at[0], at[1], at[2], at[3] if lags else tau_s, cut_hz)

    def target(at: FloatArray) -> float:
        return peak_to_peak(shape, at[0], at[1], at[3] if lags else tau_s)

    columns, by = [], []
    for k, h in enumerate(steps):
        move = np.zeros(theta.size)
        move[k] = h
        columns.append((wave(theta + move) - wave(theta - move)) / (2.0 * h))
        by.append((target(theta + move) - target(theta - move)) / (2.0 * h))
    columns += [(2.0 * t / t[-1]) ** p for p in range(4)]
    if ripple is not None:
        turn = 2.0 * np.pi * ripple[0] * t
        columns += [np.cos(turn), np.sin(turn), ripple[1] * 2.0 * np.pi * t * np.cos(turn)]
    design = np.stack(columns, axis=1)
    scale = np.linalg.norm(design, axis=0)
    covariance = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale) * sigma**2
    gradient = np.zeros(scale.size)
    gradient[: theta.size] = by
    if shape == "sine":  # the lag is no unknown of a sine: its size behind the coil is what is seen
        gradient[0] = 0.0
    return math.sqrt(covariance[0, 0]), math.sqrt(float(gradient @ covariance @ gradient))


def rife_boorstyn_hz(amplitude: float, sigma: float, n: int, rate_hz: float) -> float:
    """Bound of the frequency of one sine of unknown amplitude and phase (Rife & Boorstyn 1974, eq. for b unknown)."""
    return math.sqrt(6.0 * sigma**2 / (math.pi**2 * amplitude**2 * n * (n**2 - 1.0))) * rate_hz


def cold_bound(
    ohm: float, heat: Sequence[float], ampere: Sequence[float], samples: Sequence[float], sd_v: float, sd_a: float
) -> float:
    """Standard deviation no unbiased estimator of R at the first moment can beat, from settled stretches."""
    x = np.column_stack((np.ones(len(heat)), np.asarray(heat)))
    weight = np.asarray(samples) * np.asarray(ampere) ** 2 / (sd_v**2 + (ohm * sd_a) ** 2)
    return math.sqrt(float(np.linalg.inv(x.T @ (x * weight[:, None]))[0, 0]))


def steady_bound(ohm: float, ampere: Sequence[float], samples: Sequence[float], sd_v: float, sd_a: float) -> float:
    """The same where the temperature stands still."""
    weight = np.asarray(samples) * np.asarray(ampere) ** 2 / (sd_v**2 + (ohm * sd_a) ** 2)
    return 1.0 / math.sqrt(float(weight.sum()))


def efficiency(standardised: Sequence[float]) -> tuple[float, tuple[float, float]]:
    """Bound over mean squared error, errors given in units of their bounds, with an interval for 95 % (bootstrap)."""
    z = np.asarray(standardised) ** 2
    draws = np.random.default_rng(9).choice(z, (800, z.size)).mean(axis=1)
    low, high = np.quantile(draws, [0.025, 0.975])
    return float(1.0 / z.mean()), (float(1.0 / high), float(1.0 / low))


def share(hits: int, of: int) -> tuple[float, tuple[float, float]]:
    """A share with its interval for 95 % (Wilson 1927), in percent."""
    p, z = hits / of, 1.96
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return 100.0 * p, (100.0 * (middle - half), 100.0 * (middle + half))
