"""Ramp times from strokes: a least-squares fit of the driver's model to each, added up by information.

One stroke: measured current = a + b y(t; ramp_up, ramp_down, lag, delay, shape), y the limited and lagged demand
(path.py). The lag is that of driver and measuring filter together; its shape (0: one lag, 1: two equal ones) is an
unknown of its own, because a single lag in place of two makes a ramp of a few lags' length look 1 to 5 % too long.
a and b are linear and projected out (variable projection), so a changed span or a gain is no second finding. The
instant of a sampled step is known only to a sample interval dt, which acts like a delay of variance dt^2/12 of each
stroke's own: it is marginalised out of the information (Schur complement), else short strokes would be overrated.

Many strokes: near its optimum each is a quadratic form in the parameters, taken at the common guess where the stroke
agrees with that. (At each stroke's own optimum the form would depend on the stroke's noise, and the sum of many short
strokes would be biased by it.) The sum of the forms is the joint least-squares problem; its inverse curvature the
covariance (Fisher information of Gaussian noise). Short strokes that cannot tell lag from ramp by themselves
contribute exactly what they know.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.medians import median_of
from asleft.judge.ramp_fit.descent import DELAY, EVENLY, LAG, PARAMETERS, SHAPE, Model, Point, Prior, Problem, Tangent
from asleft.judge.types import FloatArray

#: A reduced chi-square from which a fit is tried once more.
_MISFIT = 4.0
#: What a fit leaves is scatter where neighbours are so unlike (share of its squares), over so many samples in motion.
_UNLIKE, _FEWEST_MOVING = 0.3, 10.0
#: Rounds to find how far instants scatter, and fits with what was found.
_ROUNDS, _FITS = 5, 2
#: Share of its information that such a stroke is believed: whether instants scatter evenly is not known.
_BELIEVED = 0.25
#: What a fit leaves tells how slow noise is from so many samples on, beyond so many standard errors of chance.
_FEWEST_LEFT, _CHANCE = 50, 3.0
#: Ramps (s) to begin with where nothing is known of them.
_FAR_S = (0.3, 1.0, 3.0, 8.0, 15.0, 30.0, 60.0, 120.0, 300.0)
#: A stroke agrees with a guess whose cost is less than this above its optimum (chi-square of five, one in 5,000).
_AGREES = 24.0


@dataclass(eq=False, frozen=True, slots=True)
class StrokeFit:
    """A fit: point of linearisation (5,), information (5 x 5) and gradient (5,) there, own optimum (5,).

    `chi2` is reduced; `active_up_s`, `active_down_s` say for how long the ramps held the demand back.
    """

    theta: FloatArray
    information: FloatArray
    gradient: FloatArray
    own: FloatArray
    chi2: float
    active_up_s: float
    active_down_s: float


def fit_stroke(
    path_t: Sequence[float],
    path_u: Sequence[float],
    time_s: FloatArray,
    current_a: FloatArray,
    *,
    start: FloatArray,
    prior: Prior,
    noise_a: float,
    interval_s: float,
    shared: bool = True,
    root_weight: FloatArray | None = None,
    beside: FloatArray | None = None,
    far: bool = False,
) -> StrokeFit:
    """Fit one stroke.

    Args:
        path_t: times of the demand path (s).
        path_u: demand there (0..1), settled at its start.
        time_s: sample times on the path's scale (s), shape (n,).
        current_a: samples (A), shape (n,).
        start: first guess of the parameters (ramp_up, ramp_down, lag, delay: s; shape).
        prior: of lag, delay and shape.
        noise_a: standard deviation of one current sample, A.
        interval_s: interval within which the command's instant is known, s.
        shared: whether `start` is a guess from other strokes; if so, and if this stroke agrees with it, that is the
            point of linearisation.
        root_weight: root of the number of readings that each sample stands for, shape (n,); one each if not given.
        beside: what else is in the current in unknown amounts, shape (n, m).
        far: look for the optimum far from `start` too, where that explains the stroke poorly.
    """
    problem = Problem(Model(path_t, path_u, time_s, current_a, root_weight, beside), prior, noise_a)
    common = problem.at(start)
    found = _optimum(problem, common, far=far)
    chi2, believed = problem.reduced_chi2(found), 1.0
    if chi2 > _MISFIT:  # or each sample is read at an instant of its own
        for _ in range(_FITS):  # the first fit is as smooth as the scatter makes the current
            timed = _timed(problem.model, found.theta, root_weight, noise_a)
            if timed is None:
                break
            model = Model(path_t, path_u, time_s, current_a, timed[0], beside, timed[1])
            problem = Problem(model, prior, noise_a)
            common = problem.at(start)
            tried = [problem.descend(common), problem.descend(problem.at(found.theta))]
            found = min(tried, key=problem.cost_of)
            chi2, believed = problem.reduced_chi2(found), _BELIEVED
    agrees = problem.cost_of(common.point) - problem.cost_of(found) < _AGREES * max(chi2, 1.0)
    tangent = common if shared and agrees else problem.at(found.theta)
    worse = beyond_chance(chi2, time_s.size)
    if worse <= 1.0:
        worse = _slowness(problem.model, found.theta)
    used = believed * problem.weight / worse
    information, slope = _marginal(used * tangent.information, used * tangent.slope, interval_s)
    theta, limited = tangent.point.theta, found.limited
    return StrokeFit(theta, information, slope, found.theta, chi2, limited.limited_up_s, limited.limited_down_s)


def _optimum(problem: Problem, start: Tangent, *, far: bool) -> Point:
    """The best of the optima reached from `start`, from what was known of the lag, and, if `far`, from far off."""
    found = problem.descend(start)
    if problem.reduced_chi2(found) > _MISFIT:  # perhaps a side valley: with the ramps found and the lag as known
        again = problem.descend(problem.at(np.concatenate((found.theta[:LAG], problem.centre[LAG:]))))
        found = again if problem.cost_of(again) < problem.cost_of(found) else found
    if far and problem.reduced_chi2(found) > _MISFIT:
        tried = [problem.model.at(_times(problem.centre, up_s, down_s)) for up_s in _FAR_S for down_s in _FAR_S]
        again = problem.descend(problem.at(min(tried, key=lambda point: point.squares).theta))
        found = again if problem.cost_of(again) < problem.cost_of(found) else found
    return found


def _timed(
    model: Model, theta: FloatArray, root_weight: FloatArray | None, noise_a: float
) -> tuple[FloatArray, float] | None:
    """Root weights (n,) of samples whose instants scatter, and how far; None where what a fit leaves is no scatter.

    A sample taken at a random instant differs from the fit where the current moves, and unlike its neighbours, which
    what another shape leaves does not. How far the instants scatter (as if evenly) is what makes the differences of
    neighbours as large as they are (von Neumann, Annals of Mathematical Statistics 12, 1941, from memory).
    """
    left, fitted = model.fitted_a(theta)
    steps = np.diff(fitted) ** 2
    own = noise_a**2 / (np.ones(left.size) if root_weight is None else root_weight**2)
    unlike = 0.5 * float(np.sum(np.diff(left) ** 2))
    wanted = unlike - 0.5 * float(np.sum(own[1:] + own[:-1]))
    few = float(steps.sum()) ** 2 < _FEWEST_MOVING * float(steps @ steps)
    if few or wanted <= 0.0 or unlike < _UNLIKE * float(left @ left):
        return None
    reach_s = median_of(np.diff(model.time_s))
    for _ in range(_ROUNDS):
        moved = np.array([np.interp(model.time_s + e * reach_s, model.time_s, fitted) for e in EVENLY])
        reach_s *= min(max(math.sqrt(wanted / max(float(moved.var(axis=0).sum()), 1e-18)), 0.2), 5.0)
    return noise_a / np.sqrt(own + moved.var(axis=0)), reach_s


def _slowness(model: Model, theta: FloatArray) -> float:
    """How many times the slow part of what a fit leaves is that of white noise of its size, at least 1.

    A ramp is as unsure as the noise is slow: a tone that nobody knows of yet, noise on the wire behind the coil's
    lag. 1 + 2 x the sum of its correlations up to the first that chance may make (initial positive sequence; Geyer,
    Statistical Science 7, 1992, from memory).
    """
    left = model.fitted_a(theta)[0][model.weight <= 1.0]
    power = float(left @ left)
    if left.size < _FEWEST_LEFT or power <= 0.0:
        return 1.0
    chance, total = _CHANCE / math.sqrt(left.size), 1.0
    for lag in range(1, left.size // 4):
        alike = float(left[lag:] @ left[:-lag]) / power
        if alike < chance:
            break
        total += 2.0 * alike
    return total


def _times(theta: FloatArray, up_s: float, down_s: float) -> FloatArray:
    """Parameters (5,) with other ramps."""
    return np.concatenate(([up_s, down_s], theta[LAG:]))


def beyond_chance(chi2: float, dof: float) -> float:
    """A reduced chi-square, or 1 where chance alone would give as much (three standard deviations, 2 / dof each)."""
    return chi2 if chi2 > 1.0 + 3.0 * float(np.sqrt(2.0 / max(dof, 1.0))) else 1.0


def _marginal(information: FloatArray, gradient: FloatArray, interval_s: float) -> tuple[FloatArray, FloatArray]:
    """Take the stroke's own timing error (variance dt^2/12, acting as a delay) out of information and gradient."""
    column = information[:, DELAY]
    total = information[DELAY, DELAY] + 12.0 / interval_s**2
    return information - np.outer(column, column) / total, gradient - column * (gradient[DELAY] / total)


def stroke_matrices(strokes: Sequence[Stroke]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points (n, 5), gradients (n, 5) and informations (n, 5, 5) of strokes."""
    rows = np.array(strokes, dtype=np.float64).reshape(len(strokes), -1)
    return rows[:, _POINT], rows[:, _GRADIENT], rows[:, _SQUARE]


#: Rows and columns of the upper triangle of the information, in the order in which a stroke holds it.
UPPER = np.triu_indices(PARAMETERS)
_T0 = Stroke._fields.index("t0")
_POINT = slice(_T0, _T0 + PARAMETERS)
_GRADIENT = slice(_T0 + PARAMETERS, _T0 + 2 * PARAMETERS)
_SQUARE = np.empty((PARAMETERS, PARAMETERS), dtype=np.int64)  # where in a stroke each element of it stands
_SQUARE[UPPER] = _SQUARE.T[UPPER] = _T0 + 2 * PARAMETERS + np.arange(UPPER[0].size)


@dataclass(eq=False, frozen=True, slots=True)
class Combined:
    """The joint estimate of many strokes: parameters (5,), covariance (5, 5), strokes that carry each ramp."""

    theta: FloatArray
    covariance: FloatArray
    carriers_up: int
    carriers_down: int
    scatter: float  # root of the reduced chi-square between strokes, at least 1


#: So weak that it only keeps the matrix invertible: lag 20 ms +- 0.5 s, delay 0 +- 0.5 s, ramps +- 1e4 s; and the
#: shape can lie nowhere but between one lag and two equal ones.
_WEAK = np.diag([1e-8, 1e-8, 4.0, 4.0, 12.0])
_WEAK_CENTRE = np.array([0.0, 0.0, 0.02, 0.0, 0.5])
#: Of strokes taken as those of a loop that overshoots: a shape of 3 +- 1.5; and how many tell more than all others.
_WEAK_LOOP, _LOOP_CENTRE = np.diag([1e-8, 1e-8, 4.0, 4.0, 0.44]), np.array([0.0, 0.0, 0.02, 0.0, 3.0])
_FEWEST_LOOPS = 6


#: Strokes taken at a shared guess further off than this, lag (relative) and shape, are left out where others tell
#: enough.
_GUESS_LAG = 0.1
_GUESS_SHAPE = 0.15


def combine(strokes: Sequence[Stroke]) -> Combined | None:
    """Joint least squares of all strokes; None without any. Strokes that misfit count less (done in the fit).

    The first strokes of a log are linearised at a poor guess of lag and shape, and may bias short ramps. They are
    left out when the others carry most of the information on either ramp and give another ramp: two estimates of
    which one is efficient differ with the difference of their variances (Hausman, Econometrica 46, 1978; from
    memory).
    """
    if not strokes:
        return None
    strokes = _of_one_story(strokes)
    all_of_them = _combine(strokes)
    lag, shape = all_of_them.theta[LAG], all_of_them.theta[SHAPE]
    near = [
        s
        for s in strokes
        if s.t2 == s.own_lag_s or (abs(s.t2 - lag) < _GUESS_LAG * lag and abs(s.t4 - shape) < _GUESS_SHAPE)
    ]
    if (
        not near
        or len(near) == len(strokes)
        or any(sum(s[k] for s in near) < 0.5 * sum(s[k] for s in strokes) for k in (_H00, _H11))
    ):
        return all_of_them
    those = _combine(near)
    variance, variance_all = np.diag(those.covariance)[:LAG], np.diag(all_of_them.covariance)[:LAG]
    apart = (those.theta - all_of_them.theta)[:LAG] ** 2
    biased = apart > _APART**2 * np.maximum(variance - variance_all, 0.0) + (0.2**2) * variance_all
    return those if bool(biased.any()) else all_of_them


def _of_one_story(strokes: Sequence[Stroke]) -> Sequence[Stroke]:
    """Without strokes taken before it was known that the current overshoots, where the others tell both ramps too."""
    loops = [s for s in strokes if s.t4 > 1.0]
    if len(loops) in {0, len(strokes)} or any(
        max(s[k] for s in strokes) > 0.0 >= max(s[k] for s in loops) for k in (_H00, _H11)
    ):
        return strokes
    return loops if strokes[-1].t4 > 1.0 and len(loops) >= _FEWEST_LOOPS else strokes


#: Two estimates this many standard deviations apart are not of the same.
_APART = 2.0
_H00, _H11 = Stroke._fields.index("h00"), Stroke._fields.index("h11")


def _combine(strokes: Sequence[Stroke]) -> Combined:
    theta_i, gradient_i, information_i = stroke_matrices(strokes)
    inverse, rank = _pseudo_inverse(information_i)
    lowest = np.einsum("ni,nij,nj->n", gradient_i, inverse, gradient_i)
    weights = np.ones(len(strokes))
    loops = bool(np.all(theta_i[:, SHAPE] > 1.0))
    weak, centre = (_WEAK_LOOP, _LOOP_CENTRE) if loops else (_WEAK, _WEAK_CENTRE)
    for _ in range(3):  # Huber weights between strokes: one odd stroke must not move the rest
        h = np.einsum("n,nij->ij", weights, information_i) + weak
        b = np.einsum("n,ni->i", weights, np.einsum("nij,nj->ni", information_i, theta_i) + gradient_i)
        b = b + weak @ centre
        theta = np.linalg.solve(h, b)
        off = theta - theta_i
        # How much worse each stroke's quadratic form is here than at its own optimum: chi-square of its rank.
        distance = np.einsum("ni,nij,nj->n", off, information_i, off) - 2.0 * np.einsum("ni,ni->n", off, gradient_i)
        distance = np.maximum(distance + lowest, 1e-12)
        weights = np.minimum(1.0, 5.0 / np.sqrt(distance))
    dof = max(float(rank.sum()) - PARAMETERS, 1.0)
    scatter = float(np.sqrt(beyond_chance(float(np.sum(weights * distance)) / dof, dof)))
    covariance = np.linalg.inv(h) * scatter**2
    up = int(np.sum(information_i[:, 0, 0] > 0.02 * information_i[:, 0, 0].max() + 1e-12))
    down = int(np.sum(information_i[:, 1, 1] > 0.02 * information_i[:, 1, 1].max() + 1e-12))
    return Combined(theta, covariance, up, down, scatter)


def _pseudo_inverse(information: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverses (n, 5, 5) of informations in the directions that carry any, and how many those are (n,)."""
    size = np.sqrt(np.maximum(np.einsum("nii->ni", information), 1e-300))
    scale = size[:, :, None] * size[:, None, :]
    value, vector = np.linalg.eigh(information / scale)
    carries = value > 1e-7
    inverse = np.where(carries, 1.0 / np.where(carries, value, 1.0), 0.0)
    out: FloatArray = np.einsum("nik,nk,njk->nij", vector, inverse, vector) / scale
    return out, carries.sum(axis=1).astype(np.float64)


# Which strokes tell a ramp: those whose command the ramp clearly held back (see `strokes`).
#
# A ramp that the command hardly outruns is told from the command's own way by its finest details, which a sampled
# reading does not have. So a stroke counts for a ramp only where the common estimate is slower than what shows in
# that stroke. The common one: near the border a stroke's own noise would choose for the slow side.

#: A ramp known worse than this (s) is not known at all.
_KNOWN_S = 1e3


@dataclass(frozen=True, slots=True)
class Told:
    """What strokes tell of one ramp: value and standard uncertainty (s), by which of them, and a bound.

    No `carriers`: none tells it. `below_s`: if it is not told, it is shorter than this.
    """

    value_s: float
    sd_s: float
    carriers: tuple[Stroke, ...]
    below_s: float


def ramp_estimate(strokes: Sequence[Stroke], moves: Sequence[Stroke], combined: Combined, k: int) -> Told:
    """Ramp up (`k` = 0) or down (1) from strokes that add up to `combined`; `moves`: those that go that way."""
    tell = _telling(moves, _value(combined, k), k)
    shows = [s.identifiable_down_s if k else s.identifiable_up_s for s in moves]
    if tell and len(tell) < len(moves):
        kept = {id(s) for s in tell}
        again = combine([s if id(s) in kept else without_ramp(s, k) for s in strokes])
        combined = again if again is not None else combined
        tell = [s for s in _telling(moves, _value(combined, k), k) if id(s) in kept]
    value_s, sd_s = _value(combined, k), math.sqrt(max(float(combined.covariance[k, k]), 0.0))
    held = any((s.active_up_s, s.active_down_s)[k] > 0.0 for s in moves)
    at_most = value_s + 2.0 * sd_s if held and sd_s < _KNOWN_S else 0.0
    return Told(value_s, sd_s, tuple(tell), max(median_of(shows), at_most))


def _value(combined: Combined, k: int) -> float:
    return float(combined.theta[k])


def _telling(moves: Sequence[Stroke], value_s: float, k: int) -> list[Stroke]:
    return [
        s
        for s in moves
        if (s.active_up_s, s.active_down_s)[k] > 0.0
        and (s.h00, s.h11)[k] > 0.0
        and (s.identifiable_up_s, s.identifiable_down_s)[k] <= max(value_s, 0.0)
    ]


def without_ramp(stroke: Stroke, k: int) -> Stroke:
    """A stroke that says nothing of one ramp."""
    _, gradient, information = (x[0] for x in stroke_matrices([stroke]))
    information, gradient = without(information, gradient, k)
    numbers = [*stroke]
    numbers[_G0:_OWN] = [*gradient.tolist(), *information[UPPER].tolist()]
    return Stroke._make(numbers)


_G0, _OWN = Stroke._fields.index("g0"), Stroke._fields.index("own_up_s")


def without(information: FloatArray, gradient: FloatArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Information and gradient with one parameter marginalised out (Schur complement): nothing is known of it."""
    column, own = information[:, k], float(information[k, k])
    if own <= 0.0:
        return information, gradient
    rest = information - np.outer(column, column) / own
    rest[k, :] = rest[:, k] = 0.0
    slope = gradient - column * (float(gradient[k]) / own)
    slope[k] = 0.0
    return rest, slope


# How far a current swings beyond its level at the end of a ramp, by the lag and shape that strokes have told.
#
# A current loop of natural frequency w and damping z behind a ramp of slope r leaves, once the ramp has ended,
#
#     e(t) = exp(-z w t) (A cos v t + B sin v t),   A = -2 z r / w,   B = r (1 - 2 z^2) / v,   v = w sqrt(1 - z^2)
#
# (a second-order lag from its state at the corner, textbook). In the words of a fit, sum of the lags L = 2 z / w and
# shape 1 / z^2: above 1 it swings. A spool that friction holds stops at the farthest point: what it makes belongs to
# a current as much further on, and the two branches of a loop look as much closer together. A spool too slow for the
# swing does not see it. Which it is no channel tells: anything from none to all of it, evenly.
#
# The reading's own filter, of time constant T, hides some of a swing, or most of it. What is read of a loop
# 1 / (1 + l s + m s^2) behind that filter is fitted as one loop 1 / (1 + L s + M s^2) that answers later. The second
# and third cumulants of an answer to an impulse know of no delay, and those of links in a row add up:
#
#     L^2 - 2 M = l^2 - 2 m + T^2,   2 L^3 - 6 L M = 2 l^3 - 6 l m + 2 T^3,
#
# so that l^3 - (3 L^2 - 3 T^2 - 6 M) l + 2 L^3 - 6 L M - 2 T^3 = 0. Where the sheet does not give the filter, it
# makes up at most three quarters of all lag (as for noise on the wire: half of it, give or take a quarter).

#: Standard uncertainties by which the shape must be beyond that of two equal lags.
_SURE = 2.0
#: Share of the lag that a filter which the sheet does not give makes up at the most.
_FILTERS = 0.75


def overshoot_share(combined: Combined | None, k: int, low_pass_hz: float | None) -> float:
    """Farthest that the current may swing beyond its level behind ramp up (`k` = 0) or down (1), share of full.

    `low_pass_hz`: of the current's reading, None where the sheet does not give it.
    """
    if combined is None:
        return 0.0
    lag_s, shape, ramp_s = (float(combined.theta[n]) for n in (LAG, SHAPE, k))
    if lag_s <= 0.0 or shape <= 1.0 + _SURE * math.sqrt(max(float(combined.covariance[SHAPE, SHAPE]), 0.0)):
        return 0.0
    filter_s = _FILTERS * lag_s if low_pass_hz is None else 1.0 / (2.0 * math.pi * low_pass_hz)
    return max((swing(*loop, ramp_s) for loop in _behind_filter(lag_s, shape, filter_s)), default=0.0)


def _behind_filter(lag_s: float, shape: float, filter_s: float) -> list[tuple[float, float]]:
    """Lag and shape of loops that are read as one of `lag_s` and `shape` behind a filter; itself if none is."""
    m = 0.25 * shape * lag_s**2
    roots = np.roots(
        [1.0, 0.0, 6.0 * m + 3.0 * filter_s**2 - 3.0 * lag_s**2, 2.0 * lag_s**3 - 6.0 * lag_s * m - 2.0 * filter_s**3]
    )
    lags = [float(root.real) for root in roots if abs(root.imag) < 1e-9 * lag_s and root.real > 0.0]
    shapes = [4.0 * (m + 0.5 * (own**2 + filter_s**2 - lag_s**2)) / own**2 for own in lags]
    return [loop for loop in zip(lags, shapes, strict=True) if loop[1] > 1.0] or [(lag_s, shape)]


def swing(lag_s: float, shape: float, ramp_s: float) -> float:
    """The same of known lag, shape (above 1) and ramp; at most what a step would swing."""
    z = 1.0 / math.sqrt(shape)
    w = 2.0 * z / lag_s
    v = w * math.sqrt(1.0 - z * z)
    step = math.exp(-math.pi * z / math.sqrt(1.0 - z * z))
    if ramp_s * w < 1e-3:
        return step
    t = np.linspace(0.0, 2.0 * math.pi / v, 200)
    left = np.exp(-z * w * t) * (-2.0 * z / w * np.cos(v * t) + (1.0 - 2.0 * z * z) / v * np.sin(v * t))
    return min(float(left.max()) / ramp_s, step)
