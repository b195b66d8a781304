"""Noise that command and current share: what of it is on the wire and reaches the coil.

Wide-band noise on the wire of density S (two-sided, share of full squared times second) shows twice: in the command's
reading, through that reading's filter (time constant c), and in the current's, through driver, coil and that
reading's filter (time constants t1, t2 in a row). What either reading adds of its own is in neither other. Hence

    mean of x(t) x(t + h) = S e^(-h / c) / (2 c),                                         h > 0, x the command,
    mean of x(t) i(t + h) = S (t1 g(h; t1) - t2 g(h; t2)) / (t1 - t2),                    i the current, h any,
    g(h; t) = e^(-h / t) / (t + c) for h > 0 and e^(h / c) / (t + c) for h < 0

(covariances of white noise behind first-order filters: Papoulis, Probability, Random Variables and Stochastic
Processes, chapter on linear systems, from memory). S is the one unknown: least squares on the lags that are kept.
How wide the noise is beyond the filters does not matter. A level and a trend taken off each dwell take 2 S / (dwell's
length) with them. At the ends of the range the driver clips part of the noise: of normal noise of standard deviation
s about a mean m inside its end it passes on the share F(m / s), F the normal distribution (Price, IRE Transactions
on Information Theory 4, 1958, from memory), and a dwell there tells as much less.

Missed: noise slower than some 0.1 s, which the command's level holds. Cries wolf: hum that gets into both readings on
their way to the recorder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.medians import mean_of
from asleft.judge.types import FloatArray

_KEPT = 0.99
#: Lags of the cross products: so many, about this far apart.
LAGS = 4
_APART_S = 0.02
_FEWEST = 24
_ENOUGH = 50.0
#: Demand within so many standard deviations of an end is clipped in part.
_NEAR_END = 4.0


@dataclass(frozen=True, slots=True)
class WireDensity:
    """Density of the wire's noise, its standard uncertainty, and the most there can be (share squared times second).

    The estimate is unbiased, and so may be below zero.
    """

    density_s: float = 0.0
    u_s: float = 0.0
    most_s: float = 0.0
    lag_s: float = 0.0  # by which the current follows, its reading's filter included


@dataclass(frozen=True, slots=True)
class SharedNoise:
    """Sums over settled dwells: readings, dwells, squares of either, products at each lag (shares of full, span)."""

    n: float = 0.0
    dwells: float = 0.0
    command: float = 0.0
    current: float = 0.0
    cross: tuple[float, ...] = (0.0,) * LAGS

    @classmethod
    def from_row(cls, row: list[float]) -> SharedNoise:
        """Inverse of `row`."""
        return cls(row[0], row[1], row[2], row[3], tuple(row[4:]))

    def row(self) -> list[float]:
        """As plain numbers."""
        return [self.n, self.dwells, self.command, self.current, *self.cross]

    def updated(self, command: FloatArray, current: FloatArray, interval_s: float, beside: FloatArray) -> SharedNoise:
        """With one more dwell of readings (n,); `beside` (n, k): tones of the current, taken out of both."""
        n, apart = command.size, spacing(interval_s)
        if n < max(_FEWEST, 2 * LAGS * apart) or not math.isfinite(mean_of(current)):
            return self
        passed = _passed(mean_of(command), command)
        rows = np.vstack((np.ones(n), np.arange(n) / n - 0.5, beside.T))
        both = np.vstack((command, current))
        # A hair of ridge: a tone at half the sample rate has no sine.
        both = both - np.linalg.solve(rows @ rows.T + 1e-9 * n * np.eye(len(rows)), rows @ both.T).T @ rows
        x, i = both
        products = (float(x[: n - k * apart] @ i[k * apart :]) * n / (n - k * apart) for k in range(LAGS))
        share = passed**2
        return SharedNoise(
            _KEPT * self.n + share * n,
            _KEPT * self.dwells + share,
            _KEPT * self.command + share * float(x @ x),
            _KEPT * self.current + share * float(i @ i),
            tuple(_KEPT * old + passed * new for old, new in zip(self.cross, products, strict=True)),
        )

    def on_wire(
        self,
        alike: tuple[float, float, float],
        interval_s: float,
        command_lag_s: float | None,
        lags_s: tuple[float, float],
        delay_s: float,
    ) -> WireDensity:
        """What is on the wire.

        `alike`: the command's number of readings, variance, and mean product of neighbours. `command_lag_s`: time
        constant of its filter; None where too fast to show. `lags_s`: the two of the current, which answers
        `delay_s` later than they make it, counted as strokes do: from the wire plus the command's own lag.
        """
        n, variance, neighbours = alike
        total_s = sum(lags_s)
        c = command_lag_s if command_lag_s is not None else 0.2 * interval_s
        if n < _ENOUGH or variance <= 0.0:
            return WireDensity(lag_s=total_s)
        most = 2.0 * c * variance
        shapes, values, variances = [], [], []
        if command_lag_s is not None:
            shapes.append(math.exp(-interval_s / c) / (2.0 * c))
            values.append(neighbours)
            variances.append(variance**2 / n)
        if self.n >= _ENOUGH and self.current > 0.0:
            apart_s = spacing(interval_s) * interval_s
            taken = 2.0 * self.dwells / (self.n * interval_s)
            shapes += [_shared(k * apart_s - delay_s - c, c, lags_s) - taken for k in range(LAGS)]
            values += [product / self.n for product in self.cross]
            variances += [self.command * self.current / self.n**3] * LAGS
        shape, weight = np.array(shapes), 1.0 / np.array(variances)
        information = float(shape**2 @ weight)
        if information <= 0.0:
            return WireDensity(0.0, most, most, total_s)
        found = float((shape * weight) @ np.array(values)) / information
        return WireDensity(found, min(1.0 / math.sqrt(information), most), most, total_s)


def _passed(mean: float, command: FloatArray) -> float:
    """Share of the command's noise that a driver passes on which clips what it gets to 0..1."""
    off = command - mean
    sd = math.sqrt(float(off @ off) / command.size) + 1e-9
    inside = min(mean, 1.0 - mean) / sd
    return 1.0 if inside > _NEAR_END else 0.5 * math.erfc(-max(inside, -_NEAR_END) / math.sqrt(2.0))


def spacing(interval_s: float) -> int:
    """Samples between the lags that are kept."""
    return max(round(_APART_S / interval_s), 1)


def _shared(later_s: float, command_s: float, lags_s: tuple[float, float]) -> float:
    """Mean of command times current `later_s` on, for noise of density 1 (1/s)."""
    slow, fast = lags_s
    fast = max(min(fast, 0.999 * slow), 1e-6 * slow)  # a single lag has none beside it

    def alone(lag_s: float) -> float:
        fall = later_s / lag_s if later_s > 0.0 else -later_s / command_s
        return math.exp(-min(fall, 700.0)) / (lag_s + command_s)

    return (slow * alone(slow) - fast * alone(fast)) / (slow - fast)
