"""Noise of the command on its wire, and what the driver makes of it at the ends of its range.

A driver clips what it gets to 0..1. At 0 % command, noise of standard deviation s therefore lets s / sqrt(2 pi)
through on average and at 100 % takes as much away: with 0.1 % of noise a current is 0.4 mA off per ampere. The mean
of max(u + n, 0) with normal n is u F(u/s) + s f(u/s) (a censored normal variable; Tobin, Econometrica 26, 1958, from
memory).

Only part of what the command's reading shows is on the wire, the rest is the reading's own. What is on the wire has
gone through the reading's filter and is alike from one sample to the next; the own noise comes after it and is not.
How much wider the driver's band is than the reading's is not known: twice as much noise, give or take a third.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.noise.shared_noise import WireDensity
from asleft.judge.types import FloatArray

_KEPT = 0.99
_WIDER, _WIDER_U = 2.2, 0.7
_FEWEST = 50.0
#: Of a driver's input, two poles' worth (common practice for inputs of some milliseconds).
_BAND_HZ = 100.0
#: Likeness of neighbours under this many standard errors is chance.
_CHANCE = 3.0


@dataclass(frozen=True, slots=True)
class WireNoise:
    """Standard deviation of the demand's noise as the driver gets it (share of full), and its own uncertainty."""

    sd: float = 0.0
    u: float = 0.0
    density: WireDensity = WireDensity()  # noqa: RUF009 - frozen


QUIET_WIRE = WireNoise()


@dataclass(frozen=True, slots=True)
class CommandNoise:
    """Sums over settled dwells: readings, their squares and products of neighbours (means taken off)."""

    n: float = 0.0
    squares: float = 0.0
    products: float = 0.0

    def updated(self, demand: FloatArray) -> CommandNoise:
        """With one more dwell, shape (n,)."""
        if demand.size < 8:
            return self
        centred = demand - demand.mean()
        squares = float(centred @ centred)
        # A mean of n readings takes (1 + 2 rho) / n of the variance with it, also from the products.
        products = float(centred[1:] @ centred[:-1]) + squares / demand.size
        return CommandNoise(
            _KEPT * self.n + demand.size, _KEPT * self.squares + squares, _KEPT * self.products + products
        )

    def on_wire(self, keep: float) -> WireNoise:
        """What of it the driver gets. `keep`: share of a step still missing one reading later (the filter)."""
        if self.n < _FEWEST or self.squares <= 0.0:
            return WireNoise()
        variance, alike = self.squares / self.n, self.products / self.n
        chance = variance / math.sqrt(self.n)
        if alike < _CHANCE * chance:
            return WireNoise(0.0, 0.5 * _WIDER * math.sqrt(chance / keep))
        filtered = math.sqrt(alike / keep)
        return WireNoise(_WIDER * filtered, math.hypot(_WIDER_U * filtered, _WIDER * 0.5 * chance / keep / filtered))

    def unfiltered(self, density: WireDensity) -> WireNoise:
        """The same where the reading has no filter that shows: by the noise that command and current share.

        A driver's input passes some `_BAND_HZ` (noise of density S then has the variance 2 `_BAND_HZ` S); of what is
        on the wire no more can be there than the reading shows. Where the current is silent on it half is the guess.
        """
        if self.n < _FEWEST or self.squares <= 0.0:
            return WireNoise()
        sd = math.sqrt(self.squares / self.n)
        if density.u_s <= 0.0 or 2.0 * _BAND_HZ * density.u_s > 0.25 * sd * sd:
            return WireNoise(0.5 * sd, 0.3 * sd)
        if density.density_s < _CHANCE * density.u_s:
            may_be_s = density.u_s + max(density.density_s, 0.0)
            return WireNoise(0.0, min(math.sqrt(2.0 * _BAND_HZ * may_be_s), 0.5 * sd))
        least, most = math.sqrt(min(2.0 * _BAND_HZ * density.density_s, sd * sd)), sd
        return WireNoise(0.5 * (least + most), (most - least) / math.sqrt(12.0) + _WIDER_U / _WIDER * 0.5 * least)


def driver_demand(demand: float, wire_sd: float) -> float:
    """Mean demand that a driver takes from a command of mean `demand` (0..1) with noise `wire_sd`."""
    if wire_sd <= 0.0:
        return min(max(demand, 0.0), 1.0)
    return _censored(demand, wire_sd) - _censored(demand - 1.0, wire_sd)


def by_noise(demand: float, wire_sd: float) -> float:
    """Derivative of `driver_demand` by `wire_sd`; 0.4 at zero command, -0.4 at full, none between."""
    if wire_sd <= 0.0:
        wire_sd = 1e-9
    return _density(demand / wire_sd) - _density((demand - 1.0) / wire_sd)


def _censored(mean: float, sd: float) -> float:
    """Mean of max(mean + noise, 0)."""
    z = mean / sd
    return mean * 0.5 * math.erfc(-z / math.sqrt(2.0)) + sd * _density(z)


def _density(z: float) -> float:
    return math.exp(-0.5 * min(z * z, 1400.0)) / math.sqrt(2.0 * math.pi)


def leftover(step: float, sd: float) -> float:
    """What a converter of step `step` leaves in the mean of readings that scatter by `sd` (standard uncertainty).

    The Fourier series of the converter's error behind Gaussian noise, twenty terms; the scatter of the readings holds
    the converter's own step^2 / 12 (Widrow and Kollar, Quantization Noise, from memory).
    """
    if step <= 0.0:
        return 0.0
    noise2 = max((sd / step) ** 2 - 1.0 / 12.0, 0.0)
    k = np.arange(1, 21)
    return (
        step / (math.pi * math.sqrt(2.0)) * float(np.sqrt(np.sum(np.exp(-4.0 * (math.pi * k) ** 2 * noise2) / k**2)))
    )
