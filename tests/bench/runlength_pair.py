"""Exact average run length of two CUSUMs that run side by side on the same points, a patient and a quick one.

State (s1, s2), references k1 < k2, limits h1 > h2; both take the same increment, so s1 - s2 grows by k2 - k1 with
every point on which s2 stays above zero: as long as it does, one number is enough. So the plane falls into
excursions from the line s2 = 0: from (u, 0) the excursion's s2 has a density of one variable under a moving limit
min(h2, h1 - u - m (k2 - k1)) after m points, and ends in a signal or back on the line. What remains is one integral
equation on the line, solved by Nystroem's method in panels whose borders lie where the run length has kinks. Points
as in `runlength`.

Checked by its limits (h1 beyond reach: the quick one alone; h2 = h1: the patient one alone, exactly) and by
simulation.
"""

from __future__ import annotations

import math

import numpy as np
from asleft.judge.types import FloatArray
from runlength import gauss_legendre, normal_density, normal_share, solve_limit, tuned_cusum_limit

_ORDER = 8  # nodes in a panel
_PANEL = 1.0  # widest panel, in sigma
_TAIL = 8.5  # sigma beyond which a normal density is nothing


def pair(k: tuple[float, float], h: tuple[float, float], shift: float = 0.0) -> float:
    """Run length of the pair, one-sided, from (0, 0): a signal at s1 > h1 or s2 > h2.

    Raises:
        ValueError: the references do not rise, or a limit is not above 0.
    """
    if not (k[0] < k[1] and min(h) > 0.0):
        raise ValueError(f"needs k1 < k2 and limits above 0, not k {k} and h {h}")
    h1, h2 = h[0], min(h[1], h[0])  # s2 never exceeds s1
    apart, mean = k[1] - k[0], shift - k[1]
    nodes, borders = _panels(h1, h2, apart)
    u = np.concatenate(([0.0], nodes))
    n = u.size
    size = max(16, math.ceil(6.0 * h2))
    t, w = gauss_legendre(0.0, 1.0, size)
    back = np.zeros((n, n))
    lasts = np.ones(n)  # expected points until the excursion is over
    a, mass = np.zeros((n, 1)), np.ones((n, 1))  # s2 and its probability, at the nodes of the excursion
    for m in range(1, 100_000):
        lead = u + m * apart  # s1 - s2 after this point
        _return(back, a, mass, lead, mean, h1, borders)
        top = np.minimum(h2, h1 - lead)
        top = np.where(top > 0.0, top, 0.0)[:, None]
        after = top * t[None, :]
        step = after[:, None, :] - a[:, :, None] - mean
        mass = np.einsum("ui,uij->uj", mass, normal_density(step)) * (top * w[None, :])
        a = after
        alive = mass.sum(axis=1)
        lasts += alive
        if alive.max() < 1e-14:
            break
    return float(np.linalg.solve(np.eye(n) - back, lasts)[0])


def two_sided_pair(k: tuple[float, float], h: tuple[float, float], shift: float = 0.0) -> float:
    """Run length of a pair on each side.

    By the relation of single charts; for pairs it neglects that a side may signal while the other is above zero,
    which changes nothing in the digits printed.
    """
    up, down = pair(k, h, shift), pair(k, h, -shift)
    return up * down / (up + down)


def pair_limits(k: tuple[float, float], run_length: float, share: float = 0.5) -> tuple[float, float]:
    """Limits of a one-sided pair for an in-control run length.

    `share` of the false alarms would be the quick one's if each ran alone; both limits move together until the pair
    as a whole has the run length.
    """

    def limits(alone: float) -> tuple[float, float]:
        return (
            tuned_cusum_limit(k[0], alone / (1.0 - share), two_sided=False),
            tuned_cusum_limit(k[1], alone / share, two_sided=False),
        )

    alone = math.exp(solve_limit(lambda x: pair(k, limits(math.exp(x))), run_length, math.log(run_length)))
    return limits(alone)


def _panels(h1: float, h2: float, apart: float) -> tuple[FloatArray, FloatArray]:
    """Nodes on the line (0, h1), and the borders of their panels."""
    ladder = np.arange(math.ceil(h1 / apart) + 1) * apart
    kinks = np.concatenate(([0.0, h1], h1 - ladder, h1 - h2 - ladder))
    kinks = np.unique(np.round(kinks[(kinks >= 0.0) & (kinks <= h1)], 12))
    borders = [kinks[0]]
    for border in kinks[1:]:
        if border - borders[-1] < 1e-6:
            continue
        pieces = math.ceil((border - borders[-1]) / _PANEL)
        borders += list(np.linspace(borders[-1], border, pieces + 1)[1:])
    edges = np.array(borders)
    edges[-1] = h1
    x, _ = gauss_legendre(0.0, 1.0, _ORDER)
    return (edges[:-1, None] + np.diff(edges)[:, None] * x[None, :]).ravel(), edges


def _return(
    back: FloatArray, a: FloatArray, mass: FloatArray, lead: FloatArray, mean: float, h1: float, borders: FloatArray
) -> None:
    """Add to `back[i, j]` the weight of the run length at node j for an excursion from node i that ends now."""
    n = lead.size
    back[:, 0] += np.sum(mass * normal_share(-lead[:, None] - a - mean), axis=1)  # both at zero
    high = np.minimum(lead, h1)
    low = np.maximum(0.0, lead + mean - _TAIL)
    width = np.maximum(high - low, 0.0)
    t, w = gauss_legendre(0.0, 1.0, 40)
    v = low[:, None] + width[:, None] * t[None, :]
    step = v[:, None, :] - lead[:, None, None] - a[:, :, None] - mean
    density = np.einsum("ui,uij->uj", mass, normal_density(step))
    weight = density * (width[:, None] * w[None, :])
    panel = np.clip(np.searchsorted(borders, v, side="right") - 1, 0, borders.size - 2)
    where = (v - borders[panel]) / (borders[panel + 1] - borders[panel])
    basis = _lagrange(where)
    rows = np.arange(n)[:, None] * n
    for j in range(_ORDER):
        index = rows + 1 + panel * _ORDER + j
        back += np.bincount(index.ravel(), (weight * basis[j]).ravel(), minlength=n * n).reshape(n, n)


def _lagrange(x: FloatArray) -> list[FloatArray]:
    """Value at `x` (share of a panel) of each polynomial that is 1 at one node of the panel and 0 at the others."""
    nodes, _ = gauss_legendre(0.0, 1.0, _ORDER)
    out = []
    for j in range(_ORDER):
        others = np.delete(nodes, j)
        out.append(np.prod((x[..., None] - others) / (nodes[j] - others), axis=-1))
    return out
