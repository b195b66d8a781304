"""The driver's model in continuous time, in closed form: the rate limiter on demand, the lags after it, slopes.

On a straight piece of the limited path, r0 + s t, a first-order lag tau answers r0 + s (t - tau) + (y0 - r0 + s tau)
e^(-t/tau); the answer and its derivative by tau at the end of a piece start the next. The derivative of the limited
path by a ramp time T is itself a path of straight pieces: where the ramp holds the demand back its slope changes by
-+1/T^2, from where it follows the demand again there is none. Two lags in a row follow from each alone by partial
fractions. So model and derivatives are six functions of time, 1, t, e^(-t/tau1), e^(-t/tau2), t e^(-t/tau1) and
t e^(-t/tau2), times a small table for each piece: what they cost is two exponentials a sample. A loop that overshoots
is the same with a conjugate pair of time constants.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray

# The driver's model in continuous time: the rate limiter on demand, exact, and what the lags after it are called.
#
# A demand is a path: vertices (time, value) joined by straight lines; a step is two vertices close together. The
# limiter turns a path into a path, the lags have a closed form on each straight piece (`response`), so the cost
# grows with the number of vertices and not with the sample rate, and no step-size error enters the estimates.

_SAME = 1e-12
#: Below this the limiter is as good as absent; keeps rates finite.
MIN_RAMP_S = 1e-5


@dataclass(frozen=True, slots=True)
class Limited:
    """What the limiter made of a path, and for how long it held it back in either direction (s).

    For each piece between two vertices: `held`, 1 by the ramp up, -1 by the ramp down, 0 not; and `kept`, the share
    of a small difference of the value before it that is still there at its start (all where the ramp goes on, none
    where the path follows the demand again).
    """

    time_s: list[float]
    value: list[float]
    limited_up_s: float
    limited_down_s: float
    held: list[int] = field(default_factory=list)
    kept: list[float] = field(default_factory=list)


def limit(time_s: Sequence[float], value: Sequence[float], start: float, up_s: float, down_s: float) -> Limited:
    """Rate-limit a path to +1/`up_s` and -1/`down_s` per second, from `start`; times strictly increasing."""
    rate_up = 1.0 / max(up_s, MIN_RAMP_S)
    rate_down = -1.0 / max(down_s, MIN_RAMP_S)
    out_t = [time_s[0]]
    out_r = [start]
    held: list[int] = []
    kept: list[float] = []
    r = start
    share = 1.0
    held_up = held_down = 0.0
    for (t, t1), (u, u1) in zip(itertools.pairwise(time_s), itertools.pairwise(value), strict=True):
        slope = (u1 - u) / (t1 - t)
        while t1 - t > _SAME:
            error = u - r
            apart = error > _SAME or error < -_SAME
            if not apart and rate_down <= slope <= rate_up:
                out_t.append(t1)
                out_r.append(u1)
                held.append(0)
                kept.append(0.0)
                r, share = u1, 1.0
                break
            up = error > 0.0 if apart else slope > rate_up
            rate = rate_up if up else rate_down
            closing = rate - slope
            span = t1 - t
            meet = error / closing if apart and (closing > _SAME or closing < -_SAME) else math.inf
            held.append(1 if up else -1)
            kept.append(share)
            if 0.0 < meet < span:
                span = meet
                r += rate * meet
                t += meet
                u = r
                onward = min(max(slope, rate_down), rate_up)
                share = (onward - slope) / closing
            else:
                r += rate * span
                t, u, share = t1, u1, 1.0
            if up:
                held_up += span
            else:
                held_down += span
            out_t.append(t)
            out_r.append(r)
    return Limited(out_t, out_r, held_up, held_down, held, kept)


#: Nearly equal time constants are kept this far from equal, where partial fractions still have digits to spare.
MOST_EQUAL = 0.98
#: Shape of the loop that swings most (damping 0.39).
MOST_SWING = 6.5


def time_constants(lag_s: float, shape: float) -> tuple[float, float]:
    """The larger and the smaller of two first-order lags in a row.

    `lag_s` is their sum; `shape` = 4 tau1 tau2 / lag_s^2 is 0 for a single lag and 1 for two equal ones. The answer
    is smooth in these two (it depends on sum and product only), which a fit needs where the two lags meet.
    """
    root = math.sqrt(1.0 - min(max(shape, 0.0), MOST_EQUAL))
    return 0.5 * lag_s * (1.0 + root), 0.5 * lag_s * (1.0 - root)


#: A time constant: real, or one of a conjugate pair.
Tau = float | complex

_SHORTEST_S = 1e-12
_LEAST_TAU_S = 1e-6
_FEW_PIECES = 24  # up to so many the pieces are gone through one by one


@dataclass(frozen=True, slots=True)
class Pieces:
    """The straight pieces of a limited path, the last of them endless: begin, level, slope; which ramp holds it."""

    begin_s: list[float]
    level: list[float]
    slope: list[float]
    held: list[int]  # 1 by the ramp up, -1 by the ramp down, 0 not
    kept: list[float]  # share of a small difference before it that is still there where it begins


def pieces_of(path: Limited) -> Pieces:
    """Pieces of what the limiter made."""
    t, r = path.time_s, path.value
    slope = [
        (r[k + 1] - r[k]) / (t[k + 1] - t[k]) if t[k + 1] - t[k] > _SHORTEST_S else 0.0 for k in range(len(t) - 1)
    ]
    return Pieces(t, r, [*slope, 0.0], [*path.held, 0], [*path.kept, 1.0])


def answer(pieces: Pieces, lag_s: float, shape: float, at_s: FloatArray) -> FloatArray:
    """Two lags in a row (`path.time_constants`) of a path settled at its start; times ascending, shape (n,)."""
    tau1, tau2 = _taus(lag_s, shape)
    c1, c2 = tau1 / (tau1 - tau2), tau2 / (tau1 - tau2)
    r, s = np.array(pieces.level), np.array(pieces.slope)
    # of either lag alone: r - s tau + s t + (y0 - r + s tau) e^(-t/tau)
    y1, y2 = np.array(_at_vertices(pieces, tau1)), np.array(_at_vertices(pieces, tau2))
    table = np.array((r - s * (tau1 + tau2), s, c1 * (y1 - r + s * tau1), c2 * (r - s * tau2 - y2)))
    piece, since = _since(pieces, at_s)
    steady, slope, slow, fast = table.take(piece, axis=1)
    slope *= since
    slope += steady
    slow *= np.exp(since * (-1.0 / tau1))
    fast *= np.exp(since * (-1.0 / tau2))
    slope += slow
    slope += fast
    out: FloatArray = slope.real
    return out


def derivatives(
    pieces: Pieces, ramps_s: tuple[float, float], lag_s: float, shape: float, at_s: FloatArray
) -> FloatArray:
    """The answer and its derivatives by ramp up, ramp down, lag, delay and shape, shape (6, n); times ascending.

    `ramps_s`: ramp up and down that made the path. The delay moves the whole path later.
    """
    tau = _taus(lag_s, shape)
    table = _table(pieces, ramps_s, tau)
    piece, since = _since(pieces, at_s)
    basis = np.empty((6, at_s.size), table.dtype)
    basis[0], basis[1] = 1.0, since
    np.exp(since * (-1.0 / tau[0]), out=basis[2])
    np.exp(since * (-1.0 / tau[1]), out=basis[3])
    np.multiply(basis[2], since, out=basis[4])
    np.multiply(basis[3], since, out=basis[5])
    if len(pieces.level) > _FEW_PIECES:
        found: FloatArray = np.einsum("bn,obn->on", basis, table.take(piece, axis=2)).real
        return found
    out = np.empty((6, at_s.size), table.dtype)
    for k, (a, b) in enumerate(itertools.pairwise(_borders(pieces, at_s))):
        if b > a:
            np.matmul(table[:, :, k], basis[:, a:b], out=out[:, a:b])
    return out.real


def _table(pieces: Pieces, ramps_s: tuple[float, float], tau: tuple[Tau, Tau]) -> npt.NDArray[Any]:
    """Factors of the six functions of time, for the answer and its derivatives: shape (6 outputs, 6, pieces)."""
    tau1, tau2 = tau
    total, apart = tau1 + tau2, tau1 - tau2
    c1, c2 = tau1 / apart, tau2 / apart
    r, s = np.array(pieces.level), np.array(pieces.slope)
    y1, d1 = np.array(_with_derivative(pieces, tau1)).T
    y2, d2 = np.array(_with_derivative(pieces, tau2)).T
    e1, e2 = y1 - r + s * tau1, y2 - r + s * tau2
    kind = np.result_type(tau1, tau2)
    out = np.zeros((6, 6, r.size), kind)
    out[0, 0], out[0, 1], out[0, 2], out[0, 3] = r - s * total, s, c1 * e1, -c2 * e2
    for column, ramp_s, sign in ((1, ramps_s[0], 1), (2, ramps_s[1], -1)):
        if sign in pieces.held:
            out[column, :4] = np.array(_by_ramp(pieces, ramp_s, sign, tau)).T
    # (y2 - y1) / apart is s, -e1 / apart and e2 / apart; of it and each lag's own the derivatives by tau1 and tau2
    by_1, by_2 = np.zeros((6, r.size), kind), np.zeros((6, r.size), kind)
    b1, b2 = e1 * (-1.0 / apart), e2 / apart
    by_1[0], by_1[2], by_1[3], by_1[4] = -s, c2 * b1 + c1 * (d1 + s), c2 * b2, e1 * (c1 / tau1**2)
    by_2[0], by_2[2], by_2[3], by_2[5] = -s, -c1 * b1, -c1 * b2 - c2 * (d2 + s), e2 * (-c2 / tau2**2)
    out[3] = (tau1 * by_1 + tau2 * by_2) / total  # both scale with their sum
    out[4, 0], out[4, 2], out[4, 3] = -s, -b1, -b2
    out[5] = (by_2 - by_1) * (total**2 / (4.0 * apart))
    return out


def _taus(lag_s: float, shape: float) -> tuple[Tau, Tau]:
    """Both time constants: real ones, or a conjugate pair where the loop overshoots (shape beyond that of two equal).

    A pair is kept as far from equal as real ones are. All here is analytic in both, and what it makes is real.
    """
    if shape <= 1.0:
        tau1, tau2 = time_constants(lag_s, shape)
        return max(tau1, 2.0 * _LEAST_TAU_S), max(tau2, _LEAST_TAU_S)
    swings = math.sqrt(max(shape - 1.0, 1.0 - MOST_EQUAL))
    half_s = max(0.5 * lag_s, _LEAST_TAU_S)
    return complex(half_s, half_s * swings), complex(half_s, -half_s * swings)


def _decay(took_s: float, tau: Tau) -> Tau:
    """What is left of a difference after a time."""
    return cmath.exp(-took_s / tau) if isinstance(tau, complex) else math.exp(-took_s / tau)


def _borders(pieces: Pieces, at_s: FloatArray) -> list[int]:
    """Index of the first time of each piece, and the number of times; times ascending."""
    return [0, *np.searchsorted(at_s, pieces.begin_s[1:]).tolist(), at_s.size]


def _since(pieces: Pieces, at_s: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """The piece each time lies in, and the time since that began."""
    border = _borders(pieces, at_s)
    piece = np.repeat(np.arange(len(border) - 1), [b - a for a, b in itertools.pairwise(border)])
    since = at_s - np.array(pieces.begin_s).take(piece)
    return piece, np.maximum(since, 0.0, out=since)


def _at_vertices(pieces: Pieces, tau_s: Tau) -> list[Tau]:
    """The lag's answer where each piece begins."""
    t, level, slope = pieces.begin_s, pieces.level, pieces.slope
    y: Tau = level[0]
    out = [y]
    for k in range(len(t) - 1):
        took = t[k + 1] - t[k]
        steady = level[k] - slope[k] * tau_s
        y = steady + slope[k] * took + (y - steady) * _decay(took, tau_s)
        out.append(y)
    return out


def _with_derivative(pieces: Pieces, tau_s: Tau) -> list[tuple[Tau, Tau]]:
    """The lag's answer where each piece begins, and its derivative by the time constant."""
    t, level, slope = pieces.begin_s, pieces.level, pieces.slope
    y: Tau = level[0]
    by: Tau = 0.0
    out = [(y, by)]
    for k in range(len(t) - 1):
        took, s = t[k + 1] - t[k], slope[k]
        steady = level[k] - s * tau_s
        left = _decay(took, tau_s)
        by = -s + (by + s + (y - steady) * took / tau_s**2) * left
        y = steady + s * took + (y - steady) * left
        out.append((y, by))
    return out


def _by_ramp(pieces: Pieces, ramp_s: float, sign: int, taus_s: tuple[Tau, Tau]) -> list[tuple[Tau, ...]]:
    """Rows of the table (its first four functions) for one ramp time: lags of the limited path's own derivative."""
    t = pieces.begin_s
    steeper = -sign / max(ramp_s, MIN_RAMP_S) ** 2
    tau1, tau2 = taus_s
    c1, c2 = tau1 / (tau1 - tau2), tau2 / (tau1 - tau2)
    level = 0.0
    u1: Tau = 0.0
    u2: Tau = 0.0
    rows: list[tuple[Tau, ...]] = []
    for k, (held, kept) in enumerate(zip(pieces.held, pieces.kept, strict=True)):
        level *= kept
        slope = steeper if held == sign else 0.0
        steady1, steady2 = level - slope * tau1, level - slope * tau2
        rows.append((c1 * steady1 - c2 * steady2, slope, c1 * (u1 - steady1), -c2 * (u2 - steady2)))
        if k + 1 < len(t):
            took = t[k + 1] - t[k]
            u1 = steady1 + slope * took + (u1 - steady1) * _decay(took, tau1)
            u2 = steady2 + slope * took + (u2 - steady2) * _decay(took, tau2)
            level += slope * took
    return rows
