"""Cramer-Rao bounds of currents and ramps: what no unbiased estimator can beat on a given log.

Model of a log with commands in steps, everything unknown: current at zero and at full command, both ramp times,
two first-order lags in a row (driver and measuring filter), the delay between the two channels, the filter of the
command reading, every command level and the instant of every step. Readings are those of the current and of the
command, each with white Gaussian noise of its own; a converter of step q adds variance q^2/12, which is exact enough
from a noise of half a step on (the first term of the converter's Fourier series is then under 1 % of q; Widrow and
Kollar, Quantization Noise, from memory).

For x_n = s_n(theta) + w_n the Fisher matrix is sum_n ds_n/dtheta ds_n/dtheta^T / sigma^2 and the bound of theta_k is
the square root of [J^-1]_kk, nuisance parameters included (S. M. Kay, Fundamentals of Statistical Signal Processing,
vol. I: Estimation Theory, 1993, section 3.7 and 3.9, from memory). Unknown instants, one per stroke, are eliminated
stroke by stroke: J_gg - J_gs J_ss^-1 J_sg (Schur complement), which gives the same inverse.

Where noise of the command is clipped at the ends of its range, the driver acts on other levels there than the reading
shows, by an unknown amount: `clipped` makes that a further nuisance.

`bounds_at_rest` is what currents can be told to from settled samples alone. Samples on a ramp tell of currents too,
but only through the model of the ramp: a driver's time steps, a filter of another kind or noise clipped at the ends
would then move the currents. The judge takes currents at rest and gives away what lies between the two bounds.

What the bound leaves out makes it lower, so that an efficiency against it is never flattered: noise of the command
on the wire, and dither that reaches the slow reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Global parameters in this order; command levels follow.
NAMES = (
    "current_at_zero",
    "current_at_full",
    "ramp_up",
    "ramp_down",
    "lag_1",
    "lag_2",
    "delay",
    "command_lag",
    "clipped",
)
_FIXED = len(NAMES)


@dataclass(frozen=True, slots=True)
class Truth:
    """What the log was made with: currents (A), ramps (s over full span), lags (s), filter of the command (s)."""

    at_zero_a: float
    at_full_a: float
    ramp_up_s: float
    ramp_down_s: float
    lags_s: tuple[float, float]
    command_lag_s: float
    clipped: bool = False


@dataclass(frozen=True, slots=True)
class Chain:
    """Standard deviation of one reading, converter step included: current (A) and command (share of full)."""

    current_sd_a: float
    command_sd: float


@dataclass(frozen=True, slots=True)
class Step:
    """The command goes from one level to another (shares of full) at `at_s`."""

    at_s: float
    before: float
    after: float


def with_converter(noise: float, step: float) -> float:
    """Standard deviation of a reading with `noise` before a converter of step `step`."""
    return float(np.sqrt(noise**2 + step**2 / 12.0))


def ramp_answer(since_s: FloatArray, duration_s: float, lags_s: tuple[float, float]) -> FloatArray:
    """Answer (0 to 1) of two first-order lags to a ramp of `duration_s` that begins at 0 (IEC 60469 terms).

    One lag: (t - tau + tau e^(-t/tau)) / T, minus the same T later; two in a row by partial fractions.
    """

    def one(tau_s: float) -> FloatArray:
        return np.asarray((_bent(since_s, tau_s) - _bent(since_s - duration_s, tau_s)) / duration_s)

    first, second = lags_s
    if abs(first - second) < 1e-6 * max(first, second):
        first *= 1.0 + 1e-5
    return np.asarray((first * one(first) - second * one(second)) / (first - second))


def _bent(since_s: FloatArray, tau_s: float) -> FloatArray:
    """A slope of one from 0 on, behind one lag."""
    t = np.maximum(since_s, 0.0)
    return np.asarray(t + tau_s * np.expm1(-t / tau_s))


def fisher(truth: Truth, chain: Chain, steps: Sequence[Step], time_s: FloatArray) -> tuple[FloatArray, list[float]]:
    """Information (p x p) on the global parameters and levels, instants eliminated, and the levels in their order.

    `steps` in time order, each settled before the next; `time_s` the samples, shape (n,). What lies before the first
    step counts as a rest at its level.
    """
    levels = sorted({round(x, 9) for step in steps for x in (step.before, step.after)})
    total = np.zeros((_FIXED + len(levels),) * 2)
    edges = [step.at_s for step in steps]
    rest = time_s[time_s < edges[0]]
    total += _at_rest(truth, chain, levels, steps[0].before, rest.size)
    for step, until in zip(steps, [*edges[1:], np.inf], strict=True):
        here = time_s[(time_s >= step.at_s) & (time_s < until)] - step.at_s
        rows, timing = _stroke_rows(truth, chain, levels, step, here)
        own = float(timing @ timing)
        total += rows.T @ rows
        if own > 0.0:
            cross = rows.T @ timing
            total -= np.outer(cross, cross) / own
    return total, levels


def bounds(truth: Truth, chain: Chain, steps: Sequence[Step], time_s: FloatArray) -> dict[str, float]:
    """Smallest standard deviation of an unbiased estimate, by name (`NAMES`)."""
    information, _ = fisher(truth, chain, steps, time_s)
    size = np.sqrt(np.diag(information))
    size[size == 0.0] = 1.0
    information[np.diag_indices_from(information)] += (np.diag(information) == 0.0) * 1.0
    covariance = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
    return {name: float(np.sqrt(covariance[k, k])) for k, name in enumerate(NAMES)}


#: Sums of both lags after which a current has settled: e^-5 of what was missing, split over two lags a little more.
_SETTLED_LAGS = 5.0


def bounds_at_rest(truth: Truth, chain: Chain, steps: Sequence[Step], time_s: FloatArray) -> dict[str, float]:
    """Smallest standard deviation of an unbiased estimate of either current, by name, from settled samples alone.

    Current i = I0 (1 - u) + I1 u at unknown levels u, both read with noise: each level counts as one point of
    variance (sd_i^2 + (I1 - I0)^2 sd_u^2) / n, exact for small noise (least squares, errors in both variables).
    """
    readings: dict[float, float] = {round(steps[0].before, 9): float(np.sum(time_s < steps[0].at_s))}
    for step, until_s in zip(steps, [*(s.at_s for s in steps[1:]), np.inf], strict=True):
        ramp_s = truth.ramp_up_s if step.after > step.before else truth.ramp_down_s
        from_s = step.at_s + abs(step.after - step.before) * ramp_s + _SETTLED_LAGS * sum(truth.lags_s)
        level = round(step.after, 9)
        readings[level] = readings.get(level, 0.0) + float(np.sum((time_s >= from_s) & (time_s < until_s)))
    u, n = np.array(list(readings)), np.array(list(readings.values()))
    design = np.column_stack((1.0 - u, u))
    one = chain.current_sd_a**2 + (truth.at_full_a - truth.at_zero_a) ** 2 * chain.command_sd**2
    covariance = np.linalg.inv(design.T @ (design * (n / one)[:, None]))
    return dict(zip(NAMES[:2], np.sqrt(np.diag(covariance)).tolist(), strict=True))


def _at_rest(truth: Truth, chain: Chain, levels: list[float], level: float, count: int) -> FloatArray:
    out = np.zeros((_FIXED + len(levels),) * 2)
    row = np.zeros(_FIXED + len(levels))
    at = _FIXED + levels.index(round(level, 9))
    row[0], row[1], row[at] = 1.0 - level, level, truth.at_full_a - truth.at_zero_a
    row[8] = _inward(level) * row[at] if truth.clipped else 0.0
    out += count * np.outer(row, row) / chain.current_sd_a**2
    out[at, at] += count / chain.command_sd**2
    return out


def _stroke_rows(
    truth: Truth, chain: Chain, levels: list[float], step: Step, since_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of the readings after one step, in units of their noise: (2 n, p), and by the instant (2 n,)."""
    n = since_s.size
    span = truth.at_full_a - truth.at_zero_a
    change = step.after - step.before
    up = change > 0
    ramp_s = truth.ramp_up_s if up else truth.ramp_down_s
    duration = abs(change) * ramp_s

    def answer(duration_s: float, lags_s: tuple[float, float], late_s: float = 0.0) -> FloatArray:
        return ramp_answer(since_s - late_s, duration_s, lags_s)

    def slope(high: FloatArray, low: FloatArray, width: float) -> FloatArray:
        return np.asarray((high - low) / width)

    f = answer(duration, truth.lags_s)
    h = 1e-4 * duration
    by_duration = slope(answer(duration + h, truth.lags_s), answer(duration - h, truth.lags_s), 2 * h)
    one, two = truth.lags_s
    h1, h2 = 1e-4 * one, 1e-4 * two
    by_one = slope(answer(duration, (one + h1, two)), answer(duration, (one - h1, two)), 2 * h1)
    by_two = slope(answer(duration, (one, two + h2)), answer(duration, (one, two - h2)), 2 * h2)
    late = 1e-6
    by_delay = slope(answer(duration, truth.lags_s, late), answer(duration, truth.lags_s, -late), 2 * late)

    rows = np.zeros((2 * n, _FIXED + len(levels)))
    timing = np.zeros(2 * n)
    before, after = (_FIXED + levels.index(round(x, 9)) for x in (step.before, step.after))
    u = step.before + change * f
    current = rows[:n]
    current[:, 0], current[:, 1] = 1.0 - u, u
    current[:, 2 if up else 3] = span * change * by_duration * abs(change)
    current[:, 4], current[:, 5], current[:, 6] = (span * change * d for d in (by_one, by_two, by_delay))
    stretched = span * change * by_duration * ramp_s * (1.0 if up else -1.0)
    current[:, before] += span * (1.0 - f) - stretched
    current[:, after] += span * f + stretched
    if truth.clipped:
        current[:, 8] = _inward(step.before) * current[:, before] + _inward(step.after) * current[:, after]
    timing[:n] = span * change * by_delay
    rows[:n] /= chain.current_sd_a
    timing[:n] /= chain.current_sd_a

    command = rows[n:]
    missing = np.exp(-since_s / truth.command_lag_s)
    command[:, 7] = -change * missing * since_s / truth.command_lag_s**2
    command[:, before], command[:, after] = missing, 1.0 - missing
    timing[n:] = -change * missing / truth.command_lag_s
    rows[n:] /= chain.command_sd
    timing[n:] /= chain.command_sd
    return rows, timing


def _inward(level: float) -> float:
    """Which way clipped noise moves a level: up at zero, down at full."""
    return 1.0 if level <= 0.0 else -1.0 if level >= 1.0 else 0.0
