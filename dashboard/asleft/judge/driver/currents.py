"""Coil current at 0 % and 100 % command, from dwells: a weighted line, how far it bends, where a floor holds it.

Dwells of one command level are first averaged: what a level has in common (converter step) does not average out with
repetition. The line through the levels gives both ends with a covariance that grows as it must when they are
extrapolated (textbook weighted least squares; JCGM 100:2008 H.3 is the worked example the tests follow).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.intake.states import ALIKE_SHARE, OFF_SHARE
from asleft.judge.medians import median_of
from asleft.judge.noise import WireNoise, by_noise, driver_demand, leftover
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

# How far the current of a driver strays from a straight line, and what that leaves open of both its ends.
#
# A driver's current is no exact straight line of the command: it bends in an S or a knee, and may jump where the
# command leaves zero. What was seen at an end holds whatever the law; what is extrapolated to it does not. So
#
#     current = line + bend(u) + jump [u = 0],
#
# bend a Gaussian process of scale s with Matern 3/2 covariance (Rasmussen and Williams, Gaussian Processes for
# Machine Learning, 2006, eq. 4.17, from memory), line with free ends (universal kriging). How far the law bends is
# not known: the levels themselves say it. Every s of a table, with and without a jump, is weighted by its restricted
# likelihood and a prior that holds half of all drivers for straight; the mixture gives the ends and their
# uncertainty. Levels on a line leave hardly any bend; two levels leave whatever drivers do.
#
# Levels on a line say nothing of what lies beyond them, and a short stretch of an S is a line too: half of the
# drivers bend somewhere, so that the chance is half of the range not seen; their slope is then another by some
# sixth, from a knee anywhere beyond if little is not seen, all the way if much is.
#
# The prior is ours: bends to 6 % of the span, jumps of some 5 % in one driver of twenty-five.

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
    """Half the width, about zero, of the interval that holds 95 % of a mixture of normals.

    By Newton's steps, and by halving where one would leave what encloses it.
    """
    sd = np.sqrt(variance)
    density = share / sd
    low, high = 0.0, float(np.max(np.abs(off) + 6.0 * sd))
    half = 0.5 * high
    for _ in range(60):
        beyond = np.concatenate(((-half - off) / sd, (off - half) / sd))
        tails = _normal(beyond)
        outside = float(share @ (tails[: off.size] + tails[off.size :])) - _OUTSIDE
        low, high = (half, high) if outside > 0.0 else (low, half)
        heights = np.exp(-0.5 * beyond**2)
        slope = float(density @ (heights[: off.size] + heights[off.size :])) / math.sqrt(2.0 * math.pi)
        step = outside / slope if slope > 0.0 else math.inf
        if abs(step) <= 1e-12 * half:
            return half
        half = half + step if low < half + step < high else 0.5 * (low + high)
    return half


def _normal(x: FloatArray) -> FloatArray:
    """Standard normal distribution function; of so few values without a library that takes long to load."""
    return np.array([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in x.tolist()])


@dataclass(frozen=True, slots=True)
class Level:
    """All dwells at one command level (share of full): means, standard uncertainty of the mean current, spread."""

    demand: float
    current_a: float
    current_se_a: float
    scatter_a: float  # between dwells
    sample_sd_a: float
    dwells: int
    from_s: float
    to_s: float
    demand_se: float = 0.0  # standard uncertainty of the mean demand, the converter's step included
    by_noise: float = 0.0  # change of the acting demand by the noise on the command's wire (clipped at the ends)


@dataclass(eq=False, frozen=True, slots=True)
class CurrentLine:
    """I = at_zero + demand (at_full - at_zero), with standard uncertainties (repeatability) and the levels used."""

    at_zero_a: float
    at_full_a: float
    se_zero_a: float
    se_full_a: float
    dof: float
    levels: tuple[Level, ...]
    residual_a: FloatArray  # of each level
    clipped_zero_a: float = 0.0  # standard uncertainty from command noise clipped at the ends: the same every time
    clipped_full_a: float = 0.0
    law_zero_a: float = 0.0  # standard uncertainty from how the law may bend: the same every time
    law_full_a: float = 0.0
    more_clipped: float = 0.0  # noise clipped at the ends beyond half of all on the wire (share of full), its u
    more_clipped_u: float = 0.0


#: Dwells closer than this in demand are one level.
_SAME_LEVEL = 0.02
#: A reading that scatters less than this share of its usual noise over more than a few samples stands still.
_STILL = 0.05
_FEW = 10
#: Standard errors by which a current is surely another.
_SURELY = 6.0
#: What levels say of the noise clipped at the ends is believed where it halves what was open, and within this many
#: standard uncertainties of what there may be: what lies far beyond is how the law bends.
_TELLS, _MAY_BE = 0.5, 3.0
#: Levels must span this much of the command for a line.
SMALLEST_SPAN = 0.15


def usable(dwell: Dwell, sheet: Sheet) -> bool:
    """Whether a dwell says something of the current line: settled, above the off threshold, within the command.

    Where hardly any current flows at zero command, none at all there is a driver that is off (`intake.states`).
    """
    off = sheet.signal.off_below_pct / 100.0
    if not math.isfinite(dwell.current_a) or _seems_off(dwell, sheet):  # no reading, or a dead one
        return False
    return dwell.flat > 0.5 and -0.02 < dwell.demand < 1.02 and (off <= 0.0 or dwell.demand > off + 0.01)


def _seems_off(dwell: Dwell, sheet: Sheet) -> bool:
    """Whether a driver at zero command, which hardly lets current flow there, lets none flow at all."""
    if dwell.demand > AT_ZERO:
        return False
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None or zero >= ALIKE_SHARE * full:
        return False
    return dwell.current_a < OFF_SHARE * zero and zero - dwell.current_a > _SURELY * dwell.current_se_a


def alive(dwells: Sequence[Dwell]) -> list[Dwell]:
    """Dwells but those whose current does not even show its usual noise: a reading that stands still.

    Missed: a stand-still of a channel that never shows noise (its steps are larger).
    """
    if len(dwells) < 4:
        return list(dwells)
    usual = median_of(d.current_sd_a for d in dwells)
    return [d for d in dwells if d.current_sd_a > _STILL * usual or d.current_sd_a == usual or d.n < _FEW]


def levels_of(
    dwells: Sequence[Dwell],
    resolution_a: float,
    *,
    demand_step: float = 0.0,
    wire_sd: float = 0.0,
    wire_u: float = 0.0,
) -> list[Level]:
    """Group dwells by command level, ascending; those at zero by themselves: many drivers jump as they leave it.

    `resolution_a`, `demand_step`: steps of the two converters; `wire_sd`: noise of the demand that the driver gets,
    of which it clips what lies beyond its range; `wire_u`: its standard uncertainty.
    """
    groups = grouped(dwells)
    ordered = [dwell for group in groups for dwell in group]
    reach = ordered[-1].demand - ordered[0].demand if ordered else 0.0
    slope = (ordered[-1].current_a - ordered[0].current_a) / reach if reach > SMALLEST_SPAN else 0.0
    return [_level(group, resolution_a, demand_step, WireNoise(wire_sd, wire_u), slope) for group in groups]


def grouped(dwells: Sequence[Dwell]) -> list[list[Dwell]]:
    """Dwells by command level, ascending."""
    groups: list[list[Dwell]] = []
    for dwell in sorted(dwells, key=lambda d: d.demand):
        first = groups[-1][0].demand if groups else -math.inf
        leaves_zero = first <= AT_ZERO < dwell.demand - AT_ZERO
        if dwell.demand - first <= _SAME_LEVEL and not leaves_zero:
            groups[-1].append(dwell)
        else:
            groups.append([dwell])
    return groups


def _level(group: Sequence[Dwell], resolution_a: float, demand_step: float, wire: WireNoise, slope_a: float) -> Level:
    rows = np.array([(d.demand, d.current_a, d.current_se_a, d.n, d.current_sd_a, d.demand_se) for d in group])
    weight = rows[:, 3] / rows[:, 3].sum()
    demand, current = float(weight @ rows[:, 0]), float(weight @ rows[:, 1])
    inside = float(np.sqrt(np.sum((weight * rows[:, 2]) ** 2)))
    # Commands of one level may differ, and their currents with them: about the line they scatter less.
    off = rows[:, 1] - current
    along = off - slope_a * (rows[:, 0] - demand)
    scatter = float(np.sqrt(min(weight @ off**2, weight @ along**2)))
    between = scatter / np.sqrt(max(len(group) - 1, 1)) if len(group) > 1 else 0.0
    sd = float(np.sqrt(weight @ rows[:, 4] ** 2))
    se = float(np.hypot(max(inside, between), leftover(resolution_a, sd)))
    command_se = float(np.sqrt(np.sum((weight * rows[:, 5]) ** 2)))
    demand_sd = float(np.sqrt(weight @ (rows[:, 5] ** 2 * rows[:, 3])))
    demand_se = float(np.hypot(command_se, leftover(demand_step, demand_sd)))
    first = min(d.from_s for d in group)
    last = max(d.to_s for d in group)
    acting = driver_demand(demand, wire.sd)
    return Level(
        acting,
        current,
        max(se, 1e-9),
        scatter,
        sd,
        len(group),
        first,
        last,
        demand_se,
        by_noise(demand, max(wire.sd, wire.u)),
    )


def current_line(
    levels: Sequence[Level], demand_se: float, wire_u: float = 0.0, wire_sd: float = 0.0
) -> CurrentLine | None:
    """Both ends from levels; None when they span too little.

    `demand_se`: of a level's mean demand, beside the level's own. `wire_sd`: noise of the command on its wire, which
    the levels' demands take for clipped at the ends, and `wire_u` its standard uncertainty. Some drivers clip it, in
    others the demand goes beyond its range; where the levels between do not tell which, that is open.
    How far the law bends is told by the levels and enters the uncertainty; what else they scatter by
    inflates it (Birge).
    """
    if len(levels) < 2 or levels[-1].demand - levels[0].demand < SMALLEST_SPAN:
        return None
    u = np.array([min(max(level.demand, 0.0), 1.0) for level in levels])
    i = np.array([level.current_a for level in levels])
    slope = (i[-1] - i[0]) / (u[-1] - u[0])
    variance = np.array([level.current_se_a**2 + slope**2 * (demand_se**2 + level.demand_se**2) for level in levels])
    by_noise = np.array([level.by_noise for level in levels])
    clipped = _clipped(u, i, variance, slope * by_noise, wire_u, wire_sd)
    i = i - clipped.share * slope * by_noise
    ends = ends_of(u, i, variance, (clipped.left * slope * by_noise) ** 2, abs(slope))
    line = np.array((ends.at_zero_a, ends.at_full_a))
    residual = i - np.column_stack((1.0 - u, u)) @ line
    count = sum(level.dwells for level in levels)
    return CurrentLine(
        at_zero_a=ends.at_zero_a,
        at_full_a=ends.at_full_a,
        se_zero_a=ends.se_zero_a,
        se_full_a=ends.se_full_a,
        dof=float(max(count - 2, 1)),
        levels=tuple(levels),
        residual_a=residual,
        clipped_zero_a=clipped.at_zero_a,
        clipped_full_a=clipped.at_full_a,
        law_zero_a=ends.law_zero_a,
        law_full_a=ends.law_full_a,
        more_clipped=clipped.share + 0.5 * wire_sd,
        more_clipped_u=clipped.left,
    )


@dataclass(frozen=True, slots=True)
class _Clipped:
    share: float  # of the noise on the wire beyond what was taken for it, and what is left open of it
    left: float
    at_zero_a: float
    at_full_a: float


def _clipped(
    u: FloatArray, i: FloatArray, variance: FloatArray, column: FloatArray, wire_u: float, wire_sd: float
) -> _Clipped:
    """What the levels say of the noise clipped at the ends, beside the line, and what they leave open (A).

    Counted from all of `wire_sd` clipped. A driver clips it or does not: before the levels are asked that is half of
    it, give or take half (two equally likely values, their mean and standard deviation).
    """
    prior_u = math.hypot(wire_u, 0.5 * wire_sd)
    if prior_u <= 0.0 or not np.any(column):
        return _Clipped(0.0, 0.0, 0.0, 0.0)
    design = np.column_stack((1.0 - u, u, column))
    prior = np.diag([0.0, 0.0, 1.0 / prior_u**2])
    covariance = np.linalg.inv(design.T @ (design / variance[:, None]) + prior)
    usual = -0.5 * wire_sd
    off = float((covariance @ (design.T @ ((i - usual * column) / variance)))[2])
    sd = math.sqrt(float(covariance[2, 2]))
    shown = u.size > 3 and sd < _TELLS * prior_u and abs(off) < _MAY_BE * prior_u
    line = np.linalg.inv(design[:, :2].T @ (design[:, :2] / variance[:, None]))
    by_column = line @ (design[:, :2].T @ (column / variance))
    left = sd if shown else prior_u
    return _Clipped(usual + (off if shown else 0.0), left, *(left * np.abs(by_column)).tolist())


# A current that never falls below a floor: what levels there say is no law of the driver.
#
# Two things tell a floor from a law that bends or a current at zero that was turned: levels of clearly different
# commands have one current, and what was left has less there. The current at zero is then the floor; that at full
# rests on the levels above it, and where these are too few it is not known.
#
# It misses a floor that only one level stands on: then the line through the others tells the driver's setting.

#: How far apart in command two levels of one current are, and the share of what was left between them that is none.
_APART, _FLAT = 0.05, 0.1
#: Standard errors within which two currents are one.
_ONE = 6.0


def floored(levels: Sequence[Level], left_a: tuple[float, float], tolerance_a: float) -> int:
    """How many of the lowest levels (ascending) stand on a floor above what was left there; 0: none do.

    `left_a`: current at zero and full as left; `tolerance_a`: of the current at zero, upwards.
    """
    if not levels:
        return 0
    zero, full = left_a
    lowest = levels[0]
    if lowest.current_a - (zero + lowest.demand * (full - zero)) <= tolerance_a:
        return 0
    count = 1
    for level in levels[1:]:
        asked = (level.demand - lowest.demand) * (full - zero)
        own = _ONE * (level.current_se_a + lowest.current_se_a)
        if abs(level.current_a - lowest.current_a) > max(_FLAT * asked, own) or asked <= own:
            break
        count += 1
    return count if levels[count - 1].demand - lowest.demand > _APART else 0
