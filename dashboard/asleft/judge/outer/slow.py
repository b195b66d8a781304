"""Least squares on slowly moving data, with an uncertainty that does not count neighbours twice.

A reading a second of a machine under a controller is no independent sample: load, oil and friction keep what is left
over alike for seconds. The covariance of ordinary least squares is multiplied by
g = 1 + 2 sum_k rho_k m_k / n, rho_k the autocorrelation of the residuals at k seconds and m_k the pairs so far apart
(Bartlett 1946 for an even grid; here with the pairs there really are), which leaves n / g independent readings
(JCGM 100:2008 F.1.1.2 asks for it). For a slope that is more than enough, for a level it is right. Odd readings count
less (Huber 1964, tuned to 95 % efficiency).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

_HUBER = 1.345
_ROUNDS = 12
_LONGEST_LAG_S = 30
#: An autocorrelation below this ends the sum.
_FORGOTTEN = 0.05
_LEAST_PAIRS = 8


@dataclass(eq=False, frozen=True, slots=True)
class SlowFit:
    """Parameters (k,), covariance (k, k) and degrees of freedom; residual and weight of each reading (n,)."""

    theta: FloatArray
    covariance: FloatArray
    dof: float
    residual: FloatArray
    weight: FloatArray
    inflation: float  # g: readings that are worth one


def slow_fit(design: FloatArray, y: FloatArray, at_s: FloatArray, *, floor: float = 0.0) -> SlowFit | None:
    """Robust least squares of `y` (n,) on `design` (n, k) at times `at_s` (s, ascending).

    `floor`: least standard deviation of a reading. None where there are too few readings or the columns cannot be
    told apart.
    """
    n, k = design.shape
    if n < k + 2 or np.linalg.matrix_rank(design) < k:
        return None
    weight = np.ones(n)
    scale = max(floor, 1e-12)
    theta = np.linalg.lstsq(design, y, rcond=None)[0]
    for _ in range(_ROUNDS):
        residual = y - design @ theta
        scale = max(1.4826 * float(np.median(np.abs(residual))), floor, 1e-12)
        new = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(residual), 1e-300))
        if np.allclose(new, weight, rtol=0.0, atol=1e-6):
            break
        weight = new
        root = np.sqrt(weight)
        theta = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
    residual = y - design @ theta
    normal = design.T @ (design * weight[:, None])
    inflation = inflation_of(residual * np.sqrt(weight), at_s)
    used = float(weight.sum())
    free = max(used / inflation - k, 1.0)
    variance = max(float(weight @ residual**2) / max(used - k, 1.0), floor**2)
    covariance = np.linalg.inv(normal) * variance * inflation
    return SlowFit(_as_floats(theta), covariance, free, _as_floats(residual), weight, inflation)


def _as_floats(values: npt.ArrayLike) -> FloatArray:
    """The same numbers as float64."""
    return np.asarray(values, dtype=np.float64)


def inflation_of(residual: FloatArray, at_s: FloatArray) -> float:
    """The factor g for residuals (n,) at `at_s` (n,), at least 1."""
    n = residual.size
    power = float(residual @ residual) / max(n, 1)
    if power <= 0.0 or n < 4:
        return 1.0
    total = 1.0
    missing = 0
    for lag in range(1, _LONGEST_LAG_S + 1):
        other = np.searchsorted(at_s, at_s + (lag - 0.5))
        inside = other < n
        inside[inside] = at_s[other[inside]] < at_s[inside] + (lag + 0.5)
        pairs = int(inside.sum())
        if pairs < _LEAST_PAIRS:
            missing += 1
            if missing > 5:
                break
            continue
        rho = float(residual[inside] @ residual[other[inside]]) / pairs / power
        if rho < _FORGOTTEN:
            break
        total += 2.0 * rho * pairs / n
    return max(total, 1.0)
