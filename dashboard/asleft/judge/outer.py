"""Currents at zero and full of a valve whose command a controller outside keeps moving.

Current and demand of each quiet second obey I = I0 (1 - u) + I1 u - (I1 - I0) lag du/dt to first order in the lag,
whatever filters and late channels make it up: the mean of what follows with a lag differs from the mean of what leads
by lag times the rate. So the rate is a regressor of its own and no lag need be known. The demand is read with noise
(errors in variables), but a second's mean of it is so exact against the range it moves through that the slope loses
less than noise^2 / (n variance) of itself: under 1e-4 where currents are given at all; it is allowed for in the
uncertainty. Coverage grows by the textbook covariance of the fit, also where the ends are extrapolated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.driver.clipping import Clip, split_clipped
from asleft.judge.driver.currents import SMALLEST_SPAN, CurrentLine, Level
from asleft.judge.features import Dwell
from asleft.judge.types import FloatArray

# Least squares on slowly moving data, with an uncertainty that does not count neighbours twice.
#
# A reading a second of a machine under a controller is no independent sample: load, oil and friction keep what is
# left over alike for seconds. The covariance of ordinary least squares is multiplied by g = 1 + 2 sum_k rho_k m_k /
# n, rho_k the autocorrelation of the residuals at k seconds and m_k the pairs so far apart (Bartlett 1946 for an
# even grid; here with the pairs there really are), which leaves n / g independent readings (JCGM 100:2008 F.1.1.2
# asks for it). For a slope that is more than enough, for a level it is right. Odd readings count less (Huber 1964,
# tuned to 95 % efficiency).

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


#: Quiet seconds a line needs.
LEAST_SECONDS = 8
_LEVEL = 0.05
#: What the first order leaves out, as a standard uncertainty (share of span; found with simulated loops).
FLOOR = 2e-4
#: A second's current followed when it is this near (share of span); rates under this (1/s) say nothing of ramps.
_FOLLOWS = 0.01
_RAMPED = 0.02
_NEARLY_STILL = 0.05
#: Seconds at lower levels that must lie on the line while the top is cut off.
_LEAST_BELOW = 3
#: Rates beyond this (1/s) are not slow: second-order terms of the lag would count.
_FASTEST = 0.25


@dataclass(frozen=True, slots=True)
class SlowLine:
    """The line with what it was found beside: levels it rests on, a clip, the lag of current behind command (s)."""

    line: CurrentLine | None
    levels: list[Level]
    clip: Clip | None
    reason: str  # why there is no line
    followed: tuple[float, float] = (0.0, 0.0)  # fastest rise and fall of the command (1/s) that the current followed


def slow_line(
    dwells: Sequence[Dwell], span_a: float, tolerance_a: float, resolution_a: float, demand_noise: float
) -> SlowLine:
    """Currents from quiet seconds (`sliding`), all usable and in time order; clipped tops are left out.

    At the very ends of the command its noise is cut off on one side before the driver sees it, so that the mean of
    the readings is not the mean of what acts: seconds there are used only where there are no others.
    """
    slow = [d for d in dwells if abs(d.demand_moves) <= _FASTEST and np.isfinite(d.current_a)]
    if len(slow) < LEAST_SECONDS:
        return SlowLine(None, [], None, "the command never moved slowly enough for the driver's ramps")
    edge = max(4.0 * demand_noise, 1e-3)
    inside = [d for d in slow if edge < d.demand < 1.0 - edge]
    if len(inside) >= LEAST_SECONDS and _reach(inside) > 0.8 * _reach(slow):
        slow = inside
    rows = np.array([(d.demand, d.demand_moves, d.current_a, d.n, d.from_s) for d in slow])
    low, high = np.percentile(rows[:, 0], (2.0, 98.0))
    if high - low < SMALLEST_SPAN:
        part = f"{100 * low:.0f} to {100 * high:.0f} %"
        return SlowLine(None, [], None, f"the command moved between {part} only, too little for a line")
    floor = max(resolution_a / np.sqrt(12.0), 1e-5 * span_a) / np.sqrt(float(np.median(rows[:, 3])))
    fit = _fit(rows, floor)
    if fit is None:
        return SlowLine(None, [], None, "the command moved too evenly to tell lag from level")
    levels = _levels(slow, rows, fit)
    kept, clip = split_clipped(levels, span_a, tolerance_a, 0.0)
    if clip is not None and not _stands_alone(clip, rows, kept, span_a):
        kept, clip = levels, None
    if clip is not None:
        below = rows[rows[:, 0] < kept[-1].demand + 0.5 * _LEVEL]
        again = _fit(below, floor) if len(below) >= LEAST_SECONDS else None
        fit = again if again is not None else fit
    return SlowLine(_line(fit, kept), kept, clip, "", _followed(rows, fit, span_a))


def carried(dwells: Sequence[Dwell], line: CurrentLine | None, end: float) -> list[tuple[float, float]]:
    """What single quiet seconds say of the current at an end (0 or 1), (unix s, A): carried there along the line.

    Only those whose command is in the half on that side and nearly still, so that lag and the other end count little.
    """
    if line is None:
        return []
    at_zero, at_full = line.at_zero_a, line.at_full_a
    out = []
    for d in dwells:
        share = d.demand if end > 0.5 else 1.0 - d.demand
        if share > 0.5 and abs(d.demand_moves) < _NEARLY_STILL and np.isfinite(d.current_a):
            other = at_zero if end > 0.5 else at_full
            out.append((d.from_s, (d.current_a - (1.0 - share) * other) / share))
    return out


def _followed(rows: FloatArray, fit: SlowFit, span_a: float) -> tuple[float, float]:
    """The third fastest rise and fall (1/s) of seconds in which the current lay where the line and its lag say."""
    u, rate, current = rows.T[:3]
    lag_a = float(fit.theta[2]) * rate if fit.theta.size > 2 else 0.0
    on = np.abs(current - float(fit.theta[0]) * (1.0 - u) - float(fit.theta[1]) * u - lag_a) < _FOLLOWS * span_a
    rises, falls = np.sort(rate[on & (rate > _RAMPED)]), np.sort(-rate[on & (rate < -_RAMPED)])
    return (float(rises[-3]) if rises.size >= 3 else 0.0), (float(falls[-3]) if falls.size >= 3 else 0.0)


def _stands_alone(clip: Clip, rows: FloatArray, kept: Sequence[Level], span_a: float) -> bool:
    """Whether lower levels lie on their line since the top fell short of it.

    A loop answers a changed driver with levels it did not visit before; the old ones, seen before the change, are
    then no reason to take the new ones for cut off.
    """
    ends = np.polyfit([level.demand for level in kept], [level.current_a for level in kept], 1)
    since = rows[(rows[:, 4] >= clip.from_s) & (rows[:, 0] < clip.demand - _LEVEL)]
    if len(since) < _LEAST_BELOW:
        return False
    short = np.polyval(ends, since[:, 0]) - since[:, 2]
    expected = (clip.demanded_a - clip.limit_a) * since[:, 0] / clip.demand
    return float(np.median(short - 0.5 * expected)) < 0.0 or float(np.median(np.abs(short))) < 1e-3 * span_a


def _reach(dwells: Sequence[Dwell]) -> float:
    demand = [d.demand for d in dwells]
    return max(demand) - min(demand)


def _fit(rows: FloatArray, floor: float) -> SlowFit | None:
    u, rate, current, _, at_s = rows.T
    still = float(np.abs(rate).max()) < 1e-4
    columns = (1.0 - u, u) if still else (1.0 - u, u, rate)
    return slow_fit(np.column_stack(columns), current, at_s, floor=floor)


def _levels(slow: Sequence[Dwell], rows: FloatArray, fit: SlowFit) -> list[Level]:
    """Seconds grouped by twentieths of the command, the lag taken off."""
    u, rate, current = rows.T[:3]
    slope = float(fit.theta[1] - fit.theta[0])
    lag_a = float(fit.theta[2]) * rate if fit.theta.size > 2 else np.zeros_like(rate)
    steady = current - lag_a
    key = np.floor(u / _LEVEL)
    out = []
    for level in np.unique(key):
        at = np.flatnonzero(key == level)
        if at.size < 2:
            continue
        middle = float(u[at].mean())
        carried = steady[at] - slope * (u[at] - middle)
        scatter = float(carried.std(ddof=1))
        group = [slow[k] for k in at.tolist()]
        out.append(
            Level(
                demand=middle,
                current_a=float(np.median(carried)),
                current_se_a=max(scatter * float(np.sqrt(fit.inflation / at.size)), 1e-9),
                scatter_a=scatter,
                sample_sd_a=float(np.sqrt(np.mean([d.current_sd_a**2 for d in group]))),
                dwells=len(group),
                from_s=min(d.from_s for d in group),
                to_s=max(d.to_s for d in group),
            )
        )
    return out


def _line(fit: SlowFit, levels: Sequence[Level]) -> CurrentLine:
    zero, full = float(fit.theta[0]), float(fit.theta[1])
    u = np.array([min(max(level.demand, 0.0), 1.0) for level in levels])
    off = np.array([level.current_a for level in levels]) - zero - u * (full - zero)
    return CurrentLine(
        at_zero_a=zero,
        at_full_a=full,
        se_zero_a=float(np.sqrt(fit.covariance[0, 0])),
        se_full_a=float(np.sqrt(fit.covariance[1, 1])),
        dof=fit.dof,
        levels=tuple(levels),
        residual_a=off,
    )
