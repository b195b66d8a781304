"""Hysteresis: the largest difference of input current at equal pressure over a loop between given end points.

Noise on the command's wire takes from it; how much is told here too.

Reported along the input axis in % of current at full minus current at zero, over a loop of the same end points as the
commissioned one (ISO 10770-3 asks for it so; definition from memory). Others take it along the output axis: the basis
is printed with every value.

A level seen from both sides gives the width there: pressure difference over slope. Levels seen from one side only say
something too, if the curve between them is known. Both are one estimate: with x the pressure as a share of its span,

    I - I_curve(p) = shift(x) + arrival * width / 2 + noise,

shift a smooth unknown (Gaussian process: an offset, a slope, a bend; wide where only a straight line is known of the
valve, narrow where its curve was recorded), width free. Generalised least squares (Rasmussen and Williams 2006, 2.7,
explicit basis functions) gives the width; the weights split its uncertainty into what repetition shrinks and what the
unknown bend leaves. Levels far apart thus carry the uncertainty that comes from carrying them together.

What it misses: a width that differs along the range where only one level is seen from both sides. How often it cries
wolf: see the benchmark; the interval is meant for 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.noise import WireDensity
from asleft.judge.types import FloatArray
from asleft.judge.valve.branches import SAME_LEVEL, BranchLevel
from asleft.judge.valve.curve import Curve
from asleft.sheet.model import Sheet

#: Standard deviations of the unknown shift between curve and valve, in shares of the current span: offset, slope
#: over the whole range, bow (a parabola: where no curve was recorded, any valve has one), and what else it bends
#: (length of that correlation in shares of the pressure span). True: a curve was recorded.
OFFSET = 0.3
SLOPE = {True: 0.10, False: 0.3}
BOW = {True: 0.0, False: 0.5}
BEND = {True: 0.0004, False: 0.025}
#: What a recorded curve of six levels leaves open between them; it falls with the square of their distance.
BETWEEN = 0.00057
BEND_LENGTH = 0.5
BENT = 1.0 / 12.0
#: Where no curve was recorded: how much the valve may bend against the straight line and over which share of the
#: pressures, from a gentle bend to the corner of a dead band; the first that agrees with the levels is taken.
_GENTLE = ((BEND[False], BEND_LENGTH), (0.05, 0.3))
_SHARP = ((0.1, 0.2), (0.2, 0.15))
#: Where one was recorded and valve and curve differ by more than it leaves open, as where a dead band ends: by how
#: much, over a tenth of the pressures; the first that agrees with the levels.
_ROUGH = ((0.001, 0.1), (0.003, 0.1))
_AGREES = 3.0
#: Share of what the outermost pieces of a curve leave open (`Curve.unsure_at`) that may be wrong at a place and as
#: far as about this share of the pressures from it, and what no repetition lowers (share of the current's span):
#: digits of the sheet, where the spool rests.
_SHAPE_U, _SHAPE_LENGTH, _FLOOR = 0.5, 0.05, 5e-5
#: Misfit beyond which pressure does not follow the current on one curve (chi squared per degree of freedom).
_MISFIT = 16.0
#: Levels that must remain where others are left out for being odd.
_LEAST_LEVELS = 3
#: Standard uncertainties, and share of the span, from which what levels of one side say is no more believed.
_DIFFERS, _DIFFERS_LEAST = 3.0, 0.005
#: Levels seen from both sides from which the width can be said to vary.
_LEAST_PAIRS = 3
#: Where the pressure rises by less than this share of its mean slope, current cannot be told from it.
_FLAT = 0.2
#: A pressure that stays within this share of its span while the current moves by so much of its own does not follow.
_STANDS, _MOVED = 0.1, 0.3
#: Without a recorded curve a pressure within this share of its span of those at the ends tells nothing of the
#: current: it may lie in a dead band, or be cut off by a relief valve.
_AT_REST = 0.02
#: By how much the width may differ from level to level in what is known of the slope there (share of it).
_SLOPE_U = {True: 0.02, False: 0.15}


@dataclass(eq=False, frozen=True, slots=True)
class Width:
    """Width of the loop, all in shares of the current span. `systematic`: what the unknown bend leaves (k = 1)."""

    share: float
    repeatability: float
    systematic: float
    dof: float
    pairs: int  # levels seen from both sides
    carried: float  # what of it is what noise carried the spool, with the weights of the levels; and what is open of
    carried_u: float  # that by what the driver does at the ends
    widest_at: float | None  # share of the current span where it is widest, if it is not the same all along
    levels: tuple[BranchLevel, ...]
    residual: FloatArray  # of each level, along the current


@dataclass(frozen=True, slots=True)
class NoWidth:
    """Why there is none."""

    reason: str


def loop_width(levels: Sequence[BranchLevel], curve: Curve, span_a: float) -> Width | NoWidth:
    """Width of the loop through `levels` (both branches), by generalised least squares as above."""
    seen = _departures(levels, curve, span_a)
    if isinstance(seen, NoWidth):
        return seen
    paired = pairs_of(seen.levels)
    fit, known = _best(seen, curve, ((bend_of(curve), BEND_LENGTH),) if curve.recorded else _GENTLE)
    alone = set(range(len(seen.levels))) - {i for pair in paired for i in pair}
    if paired and alone:
        # Levels seen from one side only may lie where the curve is not known well enough; pairs need it less.
        by_pairs = loop_width([level for k, level in enumerate(seen.levels) if k not in alone], curve, span_a)
        apart = abs(by_pairs.share - fit.width) if isinstance(by_pairs, Width) else 0.0
        own = by_pairs.repeatability + by_pairs.systematic if isinstance(by_pairs, Width) else 0.0
        if (fit.misfit > _AGREES and len(paired) >= _LEAST_PAIRS) or apart > max(_DIFFERS * own, _DIFFERS_LEAST):
            return by_pairs
    if fit.misfit > _AGREES and curve.recorded:
        rough, known_rough = _best(seen, curve, _ROUGH)
        if rough.misfit <= _AGREES:
            fit, known = rough, known_rough
    if fit.misfit > _MISFIT and len(paired) >= _LEAST_PAIRS:
        # A loop that is not equally wide all along: its width may vary from level to level.
        fit = _fit(seen, known, varying=_varying(seen.x, seen.basis, fit.width))
    if fit.misfit > _AGREES and not curve.recorded:
        fit, known = _best(seen, curve, _SHARP)
    if fit.misfit > _MISFIT:
        return _without_odd_levels(seen, curve, fit)
    return _width_of(seen, fit, known, paired, _SLOPE_U[curve.recorded])


def _without_odd_levels(seen: _Departures, curve: Curve, whole: _Fit) -> Width | NoWidth:
    """The width that all levels but a few agree on: one may lie on a floor, in a dead band or where the curve ends.

    A third of the levels at most, and each branch keeps one; what their leaving changes is in the uncertainty.
    """
    rest, bends = seen, ((bend_of(curve), BEND_LENGTH),) if curve.recorded else _GENTLE
    for _ in range(len(seen.levels) // 3):
        count = len(rest.levels)
        kept = [[i for i in range(count) if i != k] for k in range(count)]
        fewer = [_keeping(rest, rows) for rows in kept if np.ptp(rest.basis[rows]) > 0.0]
        if not fewer or count <= _LEAST_LEVELS:
            break
        fits = [_best(one, curve, bends) for one in fewer]
        best = int(np.argmin([fit.misfit for fit, _ in fits]))
        rest, (fit, known) = fewer[best], fits[best]
        if fit.misfit <= _AGREES and fit.width > 0.0:
            width = _width_of(rest, fit, known, pairs_of(rest.levels), _SLOPE_U[curve.recorded])
            odd = (width.share - whole.width) / math.sqrt(3.0)
            return replace(width, systematic=math.hypot(width.systematic, odd))
    return NoWidth("pressure does not follow the current on one curve")


def _keeping(seen: _Departures, kept: Sequence[int]) -> _Departures:
    rows = np.array(kept)
    return _Departures(
        [seen.levels[k] for k in kept],
        seen.x[rows],
        seen.y[rows],
        seen.basis[rows],
        seen.noise[rows],
        seen.unshaped[np.ix_(rows, rows)],
        _moved(seen.y[rows], seen.basis[rows]) if seen.moved else 0.0,
    )


@dataclass(eq=False, frozen=True, slots=True)
class _Departures:
    """Levels that tell of the current, and how far off the curve they are along it. Arrays of shape (n,).

    `x`: pressure (share of its span); `y`: departure (share of the current's span); `basis`: of the width in `y`;
    `noise`: variance of `y`; `unshaped`: covariance (n, n) of what the curve leaves open; `moved`: how far one branch
    departs unevenly from a recorded curve (share of the current's span).
    """

    levels: list[BranchLevel]
    x: FloatArray
    y: FloatArray
    basis: FloatArray
    noise: FloatArray
    unshaped: FloatArray
    moved: float


def _departures(levels: Sequence[BranchLevel], curve: Curve, span_a: float) -> _Departures | NoWidth:
    if len({level.arrival > 0 for level in levels}) < 2:
        return NoWidth("pressure seen on one branch only")
    low, high = float(curve.pressure_bar[0]), float(curve.pressure_bar[-1])
    pressure, current = np.array([(level.pressure_bar, level.current_a) for level in levels]).T
    if np.ptp(current) > _MOVED * span_a and np.ptp(pressure) < _STANDS * (high - low):
        return NoWidth("pressure does not follow the current on one curve")
    slope = _slope(curve, pressure)  # A per bar
    steep = slope * (high - low) < span_a / _FLAT
    if not curve.recorded:
        steep &= _between(pressure, low, high)
    kept = [level for level, ok in zip(levels, steep.tolist(), strict=True) if ok]
    if len({level.arrival for level in kept}) < 2:
        return NoWidth("pressure hardly depends on the current where it was seen")
    pressure, slope = pressure[steep], slope[steep]
    x = (pressure - low) / (high - low)
    side = np.array([level.arrival for level in kept])
    y = (np.array([level.current_a for level in kept]) - curve.current_at(pressure)) / span_a
    y += side * np.array([level.carried for level in kept])
    noise = np.array(
        [
            level.current_se_a**2 + (level.pressure_se_bar * s) ** 2 + (2e-5 * span_a) ** 2
            for level, s in zip(kept, slope.tolist(), strict=True)
        ]
    )
    shape = _SHAPE_U * curve.unsure_at(pressure) / span_a
    unshaped = np.outer(shape, shape) * np.exp(-0.5 * ((x[:, None] - x[None, :]) / _SHAPE_LENGTH) ** 2)
    unshaped += _FLOOR**2 * np.eye(x.size)
    moved = _moved(y, side) if curve.recorded else 0.0
    return _Departures(kept, x, y, 0.5 * side, noise / span_a**2, unshaped, moved)


def _moved(y: FloatArray, side: FloatArray) -> float:
    """How unevenly a branch departs from a curve, at most: one that moved has bent as well, a twelfth of that."""
    return max(float(np.ptp(y[side > 0.0])), float(np.ptp(y[side < 0.0])))


def _width_of(
    seen: _Departures, fit: _Fit, known: FloatArray, paired: Sequence[tuple[int, int]], slope_u: float
) -> Width:
    """The width of a fit with its uncertainties; the largest one where pairs show that it varies."""
    width, repeatability, widest_at = fit.width, float(np.sqrt(fit.weights**2 @ seen.noise)), None
    systematic = float(np.sqrt(fit.weights @ known @ fit.weights))
    if fit.misfit > _AGREES:  # levels that agree less well than they should are less sure by as much (Birge's ratio)
        systematic *= float(np.sqrt(fit.misfit))
    if len(paired) >= _LEAST_PAIRS:
        widest = _widest(paired, seen.y - fit.shift, seen.noise, width, slope_u)
        if widest is not None:
            width, repeatability, k = widest
            widest_at = seen.levels[paired[k][0]].share
    visits = sum(level.visits for level in seen.levels)
    carried = np.array([(level.arrival * level.carried, level.arrival * level.carried_u) for level in seen.levels])
    return Width(
        share=width,
        repeatability=repeatability,
        systematic=systematic,
        carried=float(fit.weights @ carried[:, 0]),
        carried_u=float(fit.weights @ carried[:, 1]),
        dof=float(max(visits - len(seen.levels), 1)),
        pairs=len(paired),
        widest_at=widest_at,
        levels=tuple(seen.levels),
        residual=seen.y - fit.shift,
    )


@dataclass(eq=False, frozen=True, slots=True)
class _Fit:
    width: float
    weights: FloatArray  # of each level's departure in the width
    shift: FloatArray  # what curve and valve differ by at each level, apart from the width
    misfit: float  # chi squared per degree of freedom


def _fit(seen: _Departures, known: FloatArray, varying: FloatArray | float = 0.0) -> _Fit:
    """Generalised least squares of the width, `varying` the covariance of its own changes along the range."""
    y, basis = seen.y, seen.basis
    inverse = np.linalg.inv(known + np.diag(seen.noise) + varying)
    gain = inverse @ basis
    weights = gain / float(basis @ gain)
    width = float(weights @ y)
    left = y - basis * width
    explained = inverse @ left
    freedom = max(y.size - 1, 1)
    misfit = float(left @ explained) / freedom if y.size > 1 else 0.0
    return _Fit(width, weights, np.asarray(known @ explained), misfit)


def _best(seen: _Departures, curve: Curve, bends: Sequence[tuple[float, float]]) -> tuple[_Fit, FloatArray]:
    """The first fit that agrees with the levels, else the last, and the covariance of the shift it rests on."""
    for bend, length in bends:
        known = seen.unshaped + prior_covariance(
            seen.x, bend=bend, recorded=curve.recorded, moved=seen.moved, length=length
        )
        fit = _fit(seen, known)
        if fit.misfit <= _AGREES:
            break
    return fit, known


def _varying(x: FloatArray, basis: FloatArray, width: float) -> FloatArray:
    """Covariance of a width that varies by half of itself between places a tenth of the range apart."""
    apart = x[:, None] - x[None, :]
    return np.asarray((0.5 * width) ** 2 * np.outer(basis, basis) * np.exp(-0.5 * (apart / 0.1) ** 2))


def bend_of(curve: Curve) -> float:
    """How much curve and valve bend apart (standard deviation, share of the current span)."""
    if not curve.recorded:
        return BEND[False]
    return float(np.hypot(BEND[True], BETWEEN * (5.0 / (curve.current_a.size - 1)) ** 2))


def prior_covariance(
    x: FloatArray, *, bend: float, recorded: bool, moved: float, length: float = BEND_LENGTH
) -> FloatArray:
    """Covariance of the shift between curve and valve at pressures `x` (shares of the span), shape (n, n).

    `bend`: of `bend_of`, `length`: over which it bends. `moved`: range of the departures of one branch, as a share of
    the current span.
    """
    apart = x[:, None] - x[None, :]
    bends = (bend**2 + (BENT * moved) ** 2) * np.exp(-0.5 * (apart / length) ** 2)
    centred = x - 0.5
    bow = BOW[recorded] ** 2 * np.outer(centred**2, centred**2)
    return np.asarray(OFFSET**2 + SLOPE[recorded] ** 2 * np.outer(centred, centred) + bow + bends)


def pairs_of(levels: Sequence[BranchLevel]) -> list[tuple[int, int]]:
    """Indices of rising and falling level at the same current."""
    return [
        (i, j)
        for i, up in enumerate(levels)
        for j, down in enumerate(levels)
        if up.arrival > 0 > down.arrival and abs(up.share - down.share) <= SAME_LEVEL
    ]


def _widest(
    pairs: Sequence[tuple[int, int]], off: FloatArray, noise: FloatArray, width: float, slope_u: float
) -> tuple[float, float, int] | None:
    """Largest width of the paired levels, its standard uncertainty and which it is; None if they agree in noise."""
    own = np.array([off[i] - off[j] for i, j in pairs])
    variance = np.array([noise[i] + noise[j] for i, j in pairs]) + (slope_u * width) ** 2
    mean = float(np.sum(own / variance) / np.sum(1.0 / variance))
    if float(np.sum((own - mean) ** 2 / variance)) <= 5.0 * (len(pairs) - 1):
        return None
    k = int(np.argmax(own))
    return float(own[k]), float(np.sqrt(variance[k])), k


def _between(pressure_bar: FloatArray, low_bar: float, high_bar: float) -> npt.NDArray[np.bool_]:
    """Levels whose pressure lies clearly between those at the ends, (n,)."""
    margin = _AT_REST * (high_bar - low_bar)
    inside: npt.NDArray[np.bool_] = (pressure_bar > low_bar + margin) & (pressure_bar < high_bar - margin)
    return inside


def _slope(curve: Curve, pressure_bar: FloatArray) -> FloatArray:
    """Current per bar (A/bar) of the middle curve at these pressures."""
    small = 1e-4 * float(curve.pressure_bar[-1] - curve.pressure_bar[0])
    return (curve.current_at(pressure_bar + small) - curve.current_at(pressure_bar - small)) / (2.0 * small)


def largest_width(
    rising_in: FloatArray, rising_out: FloatArray, falling_in: FloatArray, falling_out: FloatArray
) -> float:
    """Largest difference of input at equal output between two densely sampled branches, in units of the input.

    Each branch's output must not fall along its increasing input; the result is never negative.
    """
    up = np.argsort(rising_out, kind="stable")
    down = np.argsort(falling_out, kind="stable")
    low = max(float(rising_out.min()), float(falling_out.min()))
    high = min(float(rising_out.max()), float(falling_out.max()))
    at = np.unique(np.concatenate((rising_out, falling_out)))
    at = at[(at >= low) & (at <= high)]
    if at.size == 0:
        return 0.0
    rise = np.interp(at, rising_out[up], rising_in[up])
    fall = np.interp(at, falling_out[down], falling_in[down])
    return float(max(np.max(rise - fall), 0.0))


# How far noise on the command's wire carries the spool past the mean current: it narrows the loop that is seen.
#
# Friction is a play: the spool follows the farthest the current has been in the direction it came from, and an
# excursion smaller than the loop's width does not bring it back. In a dwell it therefore stands at the *peak* that
# the noise of the current has reached since the current arrived, and the two branches are nearer to each other by
# the peak of a rising dwell and that of a falling one.
#
# What noise is left in the current: density S on the wire behind the driver's and coil's lag T is an
# Ornstein-Uhlenbeck process of standard deviation sqrt(S / 2 T). In a time t it stays below z standard deviations
# with probability
#
#     F(z) = Phi(z) exp(-(t / T) z phi(z) / Phi(z)),
#
# the rate of first passages at a level that is rarely reached (Leadbetter, Lindgren and Rootzen, Extremes and
# Related Properties of Random Sequences and Processes, 1983, chapter 12, from memory); the mean of the peak is the
# integral of 1 - F. Noise that comes in steps of h (a driver that counts) reaches less far, by 0.58 sqrt(2 h / T)
# standard deviations (Chernoff 1965; Siegmund, Sequential Analysis, 1985: 0.5826, from memory); h, an input filter
# included, is anything up to 10 ms.
#
# At the ends of its range many a driver takes no more of the noise than one side: the current there only falls short
# of the end, by less and on the other side of the mean. Others follow a command some way beyond. The limiter's ramps
# are taken to be faster than the noise of a settled command. Dither as in the loop as left is left out: both have it.

#: Share of wires taken to be quieter than can be noticed, before anything was heard.
_QUIET = 0.5
#: What a driver counts in and filters its input by: up to this.
_DRIVER_STEP_S = 0.010
_MONITORED = 0.5826
#: The pressure of a stay is read after this share of it, on average.
_READ = 0.8
#: Peak at an end of the range over the peak elsewhere: a tenth to a half where one side of the noise is cut off, as
#: half of all drivers do, and all of it where the driver follows.
_AT_END, _AT_END_U = 0.65, math.hypot(0.35, 0.4 / math.sqrt(24.0))
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
        shares = [self.beyond(level.demand, level.arrival) for level in levels]
        return [replace(level, carried=x, carried_u=u) for level, (x, u) in zip(levels, shares, strict=True)]

    def beyond(self, demand: float, arrival: float) -> tuple[float, float]:
        """How far past the mean current of a demand, and how unsure that is by what the driver does at an end."""
        room = 1.0 - demand if arrival > 0.0 else demand
        return (self.peak, 0.0) if room > _END else (self.peak * _AT_END, self.peak * _AT_END_U)


def noise_loop_correction(
    wire: WireDensity, stays_s: Sequence[float], low_pass_hz: float | None
) -> NoiseLoopCorrection:
    """What noise on the wire does in stays of that length (s).

    `low_pass_hz`: of the current's reading, if the sheet has it.
    """
    root, root_u = root_density(wire)
    if root <= 0.0 or wire.lag_s <= 0.0 or not stays_s:
        return NoiseLoopCorrection()
    lag_s, lag_u = _driver_lag(wire.lag_s, low_pass_hz)
    stay_s = float(np.median(stays_s))
    factor, factor_u = peak(_READ * stay_s, lag_s)
    return NoiseLoopCorrection(
        factor * root / math.sqrt(2.0 * lag_s),
        math.hypot(root_u / root, factor_u / factor, 0.5 * lag_u, _LAW_U),
    )


def low_pass_hz(sheet: Sheet) -> float | None:
    """Of the current's reading, None where the sheet does not say."""
    instrument = sheet.instruments.get("current")
    return instrument.low_pass_hz if instrument is not None else None


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
