"""How far the current of a driver strays from a straight line, and what that leaves open of both its ends.

A driver's current is no exact straight line of the command: it bends in an S or a knee, and may jump where the
command leaves zero. What was seen at an end holds whatever the law; what is extrapolated to it does not. So

    current = line + bend(u) + jump [u = 0],

bend a Gaussian process of scale s with Matern 3/2 covariance (Rasmussen and Williams, Gaussian Processes for Machine
Learning, 2006, eq. 4.17, from memory), line with free ends (universal kriging). How far the law bends is not known:
the levels themselves say it. Every s of a table, with and without a jump, is weighted by its restricted likelihood
and a prior that holds half of all drivers for straight; the mixture gives the ends and their uncertainty. Levels on a
line leave hardly any bend; two levels leave whatever drivers do.

Levels on a line say nothing of what lies beyond them, and a short stretch of an S is a line too: half of the drivers
bend somewhere, so that the chance is half of the range not seen; their slope is then another by some sixth, from a
knee anywhere beyond if little is not seen, all the way if much is.

The prior is ours: bends to 6 % of the span, jumps of some 5 % in one driver of twenty-five.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

#: Bends (share of the span): none, then evenly in logarithm.
_BENDS = np.concatenate(([0.0], np.geomspace(2e-4, 0.06, 9)))
_STRAIGHT = 0.5
_LENGTH = 0.35
_JUMP, _JUMPS = 0.05, 0.04
_KNEE_SLOPE, _MUCH = 0.15, 0.4
#: Command (share of full) up to which a driver is at zero.
AT_ZERO = 2e-3
_OUTSIDE = 0.05
_NORMAL = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Ends:
    """Currents at zero and full, standard uncertainties by chance and by what the law leaves open (A)."""

    at_zero_a: float
    at_full_a: float
    se_zero_a: float
    se_full_a: float
    law_zero_a: float
    law_full_a: float


def ends_of(
    demand: FloatArray, current_a: FloatArray, variance_a2: FloatArray, open_a2: FloatArray, span_a: float
) -> Ends:
    """Both ends from levels at `demand` (n,), n >= 2, ascending within 0..1; variances by chance, shape (n,).

    `open_a2`: what else may move each level, as a variance (n,): no sign of a bend, but counted elsewhere.
    """
    n = demand.size
    drift = np.column_stack((1.0 - demand, demand))
    at_ends = np.eye(2)
    zero = (demand <= AT_ZERO).astype(float)
    bend, toward = _matern(demand, demand), _matern(np.array([0.0, 1.0]), demand)
    weights, means, variances = [], [], []
    chance = np.full(2, np.inf)
    for jump_share, jump_a in ((1.0 - _JUMPS, 0.0), (_JUMPS, _JUMP * span_a)):
        for k, scale in enumerate(_BENDS * span_a):
            prior = jump_share * (_STRAIGHT if k == 0 else (1.0 - _STRAIGHT) / (_BENDS.size - 1))
            law_a2 = scale**2 * bend + jump_a**2 * np.outer(zero, zero)
            weights.append(math.log(prior) + _likelihood(law_a2 + np.diag(variance_a2 + open_a2), drift, current_a))
            joint = scale**2 * toward
            joint[0] += jump_a**2 * zero
            inverse = np.linalg.inv(law_a2 + np.diag(variance_a2))
            line, covariance = least_squares(drift, current_a, inverse)
            left = current_a - drift @ line
            means.append(line + joint @ inverse @ left)
            off = at_ends - joint @ inverse @ drift
            own = np.array([scale**2 + jump_a**2, scale**2])
            spread = own - np.einsum("en,nm,em->e", joint, inverse, joint)
            spread = np.maximum(spread, 0.0) + np.einsum("ei,ij,ej->e", off, covariance, off)
            variances.append(spread)
            if k == 0 and jump_a == 0.0:
                chance = spread
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    mean, variance = np.array(means), np.array(variances)
    middle = share @ mean
    if n == 2:  # nothing told the laws apart: the line is the guess
        middle = mean[0]
    law = []
    for end, beyond in ((0, float(demand[0])), (1, 1.0 - float(demand[-1]))):
        off, knee = mean[:, end] - middle[end], (1.0 - _STRAIGHT) * (1.0 - float(demand[-1] - demand[0]))
        knee = knee if beyond > 0.0 else 0.0
        turned = variance[:, end] + (_KNEE_SLOPE * span_a * beyond) ** 2 * (1.0 / 3.0 + (beyond / _MUCH) ** 2)
        half_a = _half_width(
            np.concatenate(((1.0 - knee) * share, knee * share)),
            np.concatenate((off, off)),
            np.concatenate((variance[:, end], turned)),
        )
        law.append(math.sqrt(max((half_a / _NORMAL) ** 2 - chance[end], 0.0)))
    return Ends(
        float(middle[0]), float(middle[1]), math.sqrt(chance[0]), math.sqrt(chance[1]), float(law[0]), float(law[1])
    )


def least_squares(drift: FloatArray, values: FloatArray, inverse: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Generalised least squares (Aitken 1936): parameters and their covariance.

    `drift` (n, p), `values` (n,), `inverse` (n, n) of the values' covariance.
    """
    covariance = np.linalg.inv(drift.T @ inverse @ drift).astype(np.float64)
    return covariance @ (drift.T @ (inverse @ values)), covariance


def _likelihood(covariance: FloatArray, drift: FloatArray, values: FloatArray) -> float:
    """Logarithm of the restricted likelihood of values (n,) about a line of any ends, but for a constant."""
    inverse = np.linalg.inv(covariance)
    normal = drift.T @ inverse @ drift
    left = values - drift @ np.linalg.solve(normal, drift.T @ (inverse @ values))
    return -0.5 * float(np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1] + left @ inverse @ left)


def _matern(a: FloatArray, b: FloatArray) -> FloatArray:
    apart = math.sqrt(3.0) / _LENGTH * np.abs(a[:, None] - b[None, :])
    out: FloatArray = (1.0 + apart) * np.exp(-apart)
    return out


def _half_width(share: FloatArray, off: FloatArray, variance: FloatArray) -> float:
    """Half the width, about zero, of the interval that holds 95 % of a mixture of normals; by halving."""
    sd = np.sqrt(variance)
    low, high = 0.0, float(np.max(np.abs(off) + 6.0 * sd))
    for _ in range(60):
        half = 0.5 * (low + high)
        outside = float(share @ (_normal((-half - off) / sd) + _normal((off - half) / sd)))
        low, high = (half, high) if outside > _OUTSIDE else (low, half)
    return high


def _normal(x: FloatArray) -> FloatArray:
    """Standard normal distribution function; of so few values without a library that takes long to load."""
    return np.array([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in x.tolist()])
