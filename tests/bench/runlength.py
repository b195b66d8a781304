"""Exact average run lengths of one CUSUM or EWMA: how many points until it signals.

Normal points with standard deviation 1, mean `shift`; the first point counts as 1; a signal is strictly beyond the
limit. The run length from a starting value solves an integral equation of the second kind (Page, Biometrika 41 (1954)
100, for the CUSUM; Crowder, Technometrics 29 (1987) 401, for the EWMA), here by Nystroem's method with Gauss-Legendre
nodes, which converges so fast for a normal kernel that 60 nodes give ten digits in the range of text books. Two
sides by the relation 1/L = 1/L(up) + 1/L(down), exact for equal limits (Kemp 1961; van Dobben de Bruyn 1968), and
with a head start in the form of Lucas and Crosier (Technometrics 24 (1982) 199).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from asleft.judge.types import FloatArray

_NODES_PER_SIGMA = 8
_LEAST_NODES = 40
_SQRT_2 = math.sqrt(2.0)


def normal_density(x: FloatArray) -> FloatArray:
    """Standard normal density, any shape."""
    out: FloatArray = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    return out


def normal_share(x: FloatArray) -> FloatArray:
    """Standard normal distribution function, any shape, without loss of digits in the lower tail."""
    from scipy.special import ndtr

    out: FloatArray = ndtr(x)
    return out


def gauss_legendre(low: float, high: float, nodes: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the Gauss-Legendre rule on [low, high], shape (nodes,) each."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    half = 0.5 * (high - low)
    return low + half * (x + 1.0), half * w


def cusum(k: float, h: float, shift: float = 0.0, *, start: float = 0.0) -> float:
    """Run length of the one-sided CUSUM S = max(0, S + x - k), signal at S > h, from S = `start`.

    Raises:
        ValueError: a limit not above 0 or a start outside [0, h].
    """
    if not (h > 0.0 and 0.0 <= start <= h):
        raise ValueError(f"needs h > 0 and 0 <= start <= h, not h {h:g} and start {start:g}")
    n = max(_LEAST_NODES, math.ceil(_NODES_PER_SIGMA * h))
    x, w = gauss_legendre(0.0, h, n)
    at = np.concatenate(([0.0], x))  # the atom at zero, then the nodes
    equation = np.empty((n + 1, n + 1))
    equation[:, 0] = -normal_share(k - shift - at)
    equation[:, 1:] = -normal_density(x[None, :] - at[:, None] + k - shift) * w[None, :]
    equation[np.diag_indices(n + 1)] += 1.0
    run = np.linalg.solve(equation, np.ones(n + 1))
    if start == 0.0:
        return float(run[0])
    onwards = (normal_density(x - start + k - shift) * w) @ run[1:]
    return float(1.0 + normal_share(np.array(k - shift - start)) * run[0] + onwards)


def two_sided_cusum(k: float, h: float, shift: float = 0.0, *, start: float = 0.0) -> float:
    """Run length of two CUSUMs, one per direction, with the same k and h, both from `start`."""
    up, down = cusum(k, h, shift), cusum(k, h, -shift)
    if start == 0.0:
        return up * down / (up + down)
    up_head, down_head = cusum(k, h, shift, start=start), cusum(k, h, -shift, start=start)
    return (up_head * down + down_head * up - up * down) / (up + down)


def two_sided_ewma(weight: float, width: float, shift: float = 0.0) -> float:
    """Run length of the EWMA z = (1 - weight) z + weight x from 0, signal at |z| > width x its lasting sigma.

    Fixed limits: width sqrt(weight / (2 - weight)).
    """
    limit = width * math.sqrt(weight / (2.0 - weight))
    n = max(_LEAST_NODES, math.ceil(2.0 * _NODES_PER_SIGMA * limit / weight))
    z, w = gauss_legendre(-limit, limit, n)

    def kernel(start: FloatArray) -> FloatArray:
        step = (z[None, :] - (1.0 - weight) * start[:, None]) / weight - shift
        out: FloatArray = normal_density(step) * w[None, :] / weight
        return out

    run = np.linalg.solve(np.eye(n) - kernel(z), np.ones(n))
    return float(1.0 + (kernel(np.zeros(1)) @ run)[0])


def solve_limit(run_length: Callable[[float], float], wanted: float, guess: float) -> float:
    """The limit at which an increasing run length is `wanted`: secant steps on its logarithm from `guess`.

    The logarithm of a run length is nearly a straight line in the limit, so a handful of steps do. To ten digits,
    fewer where the run length itself has fewer: its equation is the nearer to singular the longer it is.

    Raises:
        ArithmeticError: no convergence within 50 steps.
    """
    goal = math.log(wanted)
    a, b = guess, guess * 1.02 + 0.01
    at_a, at_b = math.log(run_length(a)) - goal, math.log(run_length(b)) - goal
    digits = max(1e-10, 1e-14 * wanted)
    for _ in range(50):
        if abs(at_b) < digits or a == b:
            return b
        step = at_b * (b - a) / (at_b - at_a)
        a, at_a = b, at_b
        b = max(b - step, 0.3 * b)
        at_b = math.log(run_length(b)) - goal
    raise ArithmeticError(f"no limit found for a run length of {wanted:g} from {guess:g}")


def tuned_cusum_limit(k: float, run_length: float, *, two_sided: bool = True) -> float:
    """Limit h of a CUSUM for an in-control run length; two-sided by default."""
    one_sided = 2.0 * run_length if two_sided else run_length
    siegmund = math.log(1.0 + 2.0 * k * k * one_sided) / (2.0 * k)
    return solve_limit(lambda h: cusum(k, h), one_sided, max(siegmund - 0.6, 0.2))
