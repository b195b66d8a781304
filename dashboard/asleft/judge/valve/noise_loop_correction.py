"""How far noise on the command's wire carries the spool past the mean current: it narrows the loop that is seen.

Friction is a play: the spool follows the farthest the current has been in the direction it came from, and an
excursion smaller than the loop's width does not bring it back. In a dwell it therefore stands at the *peak* that the
noise of the current has reached since the current arrived, and the two branches are nearer to each other by the peak
of a rising dwell and that of a falling one.

What noise is left in the current: density S on the wire behind the driver's and coil's lag T is an Ornstein-Uhlenbeck
process of standard deviation sqrt(S / 2 T). In a time t it stays below z standard deviations with probability

    F(z) = Phi(z) exp(-(t / T) z phi(z) / Phi(z)),

the rate of first passages at a level that is rarely reached (Leadbetter, Lindgren and Rootzen, Extremes and Related
Properties of Random Sequences and Processes, 1983, chapter 12, from memory); the mean of the peak is the integral of
1 - F. Noise that comes in steps of h (a driver that counts) reaches less far, by 0.58 sqrt(2 h / T) standard
deviations (Chernoff 1965; Siegmund, Sequential Analysis, 1985: 0.5826, from memory); h, an input filter included, is
anything up to 10 ms.

At the ends of its range the driver takes no more of the noise than one side: the current there only falls short of
the end, by less and on the other side of the mean. The limiter's ramps are taken to be faster than the noise of a
settled command. Dither as it is in the loop as left is left out: it is in both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.noise.shared_noise import WireDensity
from asleft.judge.types import FloatArray
from asleft.judge.valve.branches import BranchLevel, Visit

#: Share of wires taken to be quieter than can be noticed, before anything was heard.
_QUIET = 0.5
#: What a driver counts in and filters its input by: up to this.
_DRIVER_STEP_S = 0.010
_MONITORED = 0.5826
#: The pressure of a stay is read after this share of it, on average.
_READ = 0.8
#: Peak at an end of the range over the peak elsewhere, for noise of which one side is cut off: a tenth to a half.
_AT_END = 0.3
_END = 0.005
#: Lag of the driver and coil where the sheet does not say what of it is the reading's: half of all.
_HALF, _HALF_U = 0.5, 0.25
_LAG_U = 0.15
#: Standard uncertainty of the law of the peak: the noise's band, the cut at the ends, the time.
_LAW_U = 0.1
_Z = np.linspace(0.0, 9.0, 181)


@dataclass(frozen=True, slots=True)
class NoiseLoopCorrection:
    """Mean peak of the current's noise (share of its span), and its relative standard uncertainty."""

    peak: float = 0.0
    relative_u: float = 0.0

    def carried(self, levels: Sequence[BranchLevel]) -> list[BranchLevel]:
        """Levels with what the spool was carried beyond their mean current."""
        return [replace(level, carried=self.peak * _room(level)) for level in levels]


def _room(level: BranchLevel) -> float:
    beyond = 1.0 - level.demand if level.arrival > 0 else level.demand
    return 1.0 if beyond > _END else _AT_END


def noise_loop_correction(
    wire: WireDensity, visits: Sequence[Visit], low_pass_hz: float | None
) -> NoiseLoopCorrection:
    """What noise on the wire does in these visits. `low_pass_hz`: of the current's reading, if the sheet has it."""
    root, root_u = root_density(wire)
    if root <= 0.0 or wire.lag_s <= 0.0 or not visits:
        return NoiseLoopCorrection()
    lag_s, lag_u = _driver_lag(wire.lag_s, low_pass_hz)
    stay_s = float(np.median([v.to_s - v.at_s for v in visits]))
    factor, factor_u = peak(_READ * stay_s, lag_s)
    return NoiseLoopCorrection(
        factor * root / math.sqrt(2.0 * lag_s),
        math.hypot(root_u / root, factor_u / factor, 0.5 * lag_u, _LAW_U),
    )


def root_density(wire: WireDensity) -> tuple[float, float]:
    """Square root of the density and its standard uncertainty, below zero left out.

    Mean and standard deviation of the posterior: half of all wires are quiet, the roots of the others lie anywhere up
    to what the command's whole scatter allows.
    """
    if wire.most_s <= 0.0 or wire.u_s <= 0.0:
        return 0.0, 0.0
    root = np.linspace(0.0, math.sqrt(wire.most_s), 201)
    against = 0.5 * ((root**2 - wire.density_s) / wire.u_s) ** 2
    likely = np.exp(against.min() - against)
    noisy = (1.0 - _QUIET) * likely / likely.size
    total = float(noisy.sum()) + _QUIET * float(likely[0])
    mean = float(noisy @ root) / total
    return mean, math.sqrt(max(float(noisy @ root**2) / total - mean**2, 0.0))


def peak(time_s: float, lag_s: float) -> tuple[float, float]:
    """Mean peak of first-order noise over `time_s`, in its standard deviations, and its standard uncertainty."""
    density = np.exp(-0.5 * _Z**2) / math.sqrt(2.0 * math.pi)
    below = _normal(_Z)
    stays = below * np.exp(-(time_s / lag_s) * _Z * density / below)
    endless = float(np.trapezoid(1.0 - stays, _Z))
    # The root of a step that is anything up to the longest: two thirds of its root, give or take a sixth root of two.
    shortfall = _MONITORED * math.sqrt(2.0 * _DRIVER_STEP_S / lag_s)
    factor = max(endless - 2.0 / 3.0 * shortfall, 0.3 * endless)
    return factor, shortfall / math.sqrt(18.0)


def _normal(z: FloatArray) -> FloatArray:
    return np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in z.tolist()])


def _driver_lag(total_s: float, low_pass_hz: float | None) -> tuple[float, float]:
    """The driver's and coil's own lag, and its relative standard uncertainty."""
    if low_pass_hz is None:
        return _HALF * total_s, _HALF_U / _HALF
    own_s = total_s - 1.0 / (2.0 * math.pi * low_pass_hz)
    return min(max(own_s, 0.2 * total_s), total_s), _LAG_U
