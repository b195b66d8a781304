"""Ramp times from strokes: a least-squares fit of the driver's model to each, added up by information.

One stroke: measured current = a + b y(t; ramp_up, ramp_down, lag, delay, shape), y the limited and lagged demand
(path.py). The lag is that of driver and measuring filter together; its shape (0: one lag, 1: two equal ones) is an
unknown of its own, because a single lag in place of two makes a ramp of a few lags' length look 1 to 5 % too long.
a and b are linear and projected out (variable projection), so a changed span or a gain is no second finding. The
instant of a sampled step is known only to a sample interval dt, which acts like a delay of variance dt^2/12 of each
stroke's own: it is marginalised out of the information (Schur complement), else short strokes would be overrated.

Many strokes: near its optimum each is a quadratic form in the parameters, taken at the common guess where the stroke
agrees with that. (At each stroke's own optimum the form would depend on the stroke's noise, and the sum of many short
strokes would be biased by it.) The sum of the forms is the joint
least-squares problem; its inverse curvature the covariance (Fisher information of Gaussian noise). Short strokes that
cannot tell lag from ramp by themselves contribute exactly what they know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.path import MIN_RAMP_S, MOST_EQUAL, Limited, joined, lags, limit, time_constants
from asleft.judge.types import FloatArray

_MAX_ROUNDS = 12
#: A stroke agrees with a guess whose cost is less than this above its optimum (chi-square of five, one in 5,000).
_AGREES = 24.0
#: Gain in chi-square under which a fit stops: a third of a standard deviation. What is left is a Newton step that the
#: sum of strokes takes anyway, as gradient and information of each are kept.
_ENOUGH = 0.1
#: Parameters of a fit, in this order.
UP, DOWN, LAG, DELAY, SHAPE = range(5)
PARAMETERS = 5


@dataclass(frozen=True, slots=True)
class Prior:
    """What earlier strokes say of lag and delay (s) and shape, with variances. Ramp times get none: they may jump."""

    lag_s: float
    lag_var: float
    delay_s: float
    delay_var: float
    shape: float = 0.5
    shape_var: float = 0.25


@dataclass(frozen=True, slots=True)
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


class _Model:
    """One stroke's data and its projected residuals."""

    def __init__(
        self, path_t: Sequence[float], path_u: Sequence[float], time_s: FloatArray, current_a: FloatArray
    ) -> None:
        self.path_t, self.path_u = path_t, path_u
        self.time_s, self.current_a = time_s, current_a
        self.limited = Limited([], [], 0.0, 0.0)

    def answer(self, theta: FloatArray) -> FloatArray:
        self.limited = limit(self.path_t, self.path_u, self.path_u[0], theta[UP], theta[DOWN])
        tau = time_constants(theta[LAG], theta[SHAPE])
        both = lags(self.limited, tau, self.time_s - theta[DELAY])
        return joined(both[0], both[1], tau)

    def project(self, y: FloatArray) -> tuple[FloatArray, float, FloatArray]:
        """Residual of the best a + b y, b, and an orthonormal basis of (1, y), shape (n, 2)."""
        n = y.size
        centred = y - y.mean()
        norm = float(np.sqrt(centred @ centred))
        basis = np.empty((n, 2))
        basis[:, 0] = 1.0 / np.sqrt(n)
        basis[:, 1] = centred / norm if norm > 0 else 0.0
        gain = float(basis[:, 1] @ self.current_a) / norm if norm > 0 else 0.0
        return self.current_a - basis @ (basis.T @ self.current_a), gain, basis


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
        interval_s: sample interval, s.
        shared: whether `start` is a guess from other strokes; if so, and if this stroke agrees with it, that is the
            point of linearisation.
    """
    model = _Model(path_t, path_u, time_s, current_a)
    precision = np.diag([0.0, 0.0, 1.0 / prior.lag_var, 1.0 / prior.delay_var, 1.0 / prior.shape_var])
    centre = np.array([0.0, 0.0, prior.lag_s, prior.delay_s, prior.shape])
    floor = np.array([MIN_RAMP_S, MIN_RAMP_S, 5e-4, -0.2, 0.0])
    top = np.array([np.inf, np.inf, np.inf, np.inf, MOST_EQUAL])
    theta = np.clip(start.astype(np.float64), floor, top)
    weight = 1.0 / noise_a**2

    def cost(residual: FloatArray, at: FloatArray) -> float:
        off = at - centre
        return float(weight * (residual @ residual) + off @ precision @ off)

    y = model.answer(theta)
    residual, gain, basis = model.project(y)
    best = cost(residual, theta)
    damping = 1e-3
    jacobian = _jacobian(model, theta, y, gain, basis)
    common = (theta, residual, jacobian, best)
    for _ in range(_MAX_ROUNDS):
        hessian = weight * jacobian.T @ jacobian + precision
        gradient = weight * jacobian.T @ residual - precision @ (theta - centre)
        scale = np.diag(np.maximum(np.diag(hessian), 1e-9))
        step = np.linalg.solve(hessian + damping * scale, gradient)
        if float(gradient @ step) < _ENOUGH:
            break
        trial = np.clip(theta + step, floor, top)
        y_trial = model.answer(trial)
        residual_trial, gain_trial, basis_trial = model.project(y_trial)
        value = cost(residual_trial, trial)
        if value < best:
            small = bool(np.all(np.abs(trial - theta) <= 1e-6 + 1e-5 * np.abs(trial)))
            gained = best - value
            theta, y, residual, gain, basis, best = trial, y_trial, residual_trial, gain_trial, basis_trial, value
            damping = max(damping * 0.2, 1e-9)
            jacobian = _jacobian(model, theta, y, gain, basis)
            if small or gained < _ENOUGH:
                break
        else:
            damping *= 8.0
            if damping > 1e6:
                break
    model.answer(theta)
    variance = max(float(residual @ residual) / max(residual.size - PARAMETERS, 1), 1e-18)
    chi2 = variance * weight
    used = weight / max(chi2, 1.0)
    own = theta
    if shared and common[3] - best < _AGREES * max(chi2, 1.0):
        theta, residual, jacobian, _ = common
    information, slope = _marginal(used * jacobian.T @ jacobian, used * jacobian.T @ residual, interval_s)
    return StrokeFit(theta, information, slope, own, chi2, model.limited.limited_up_s, model.limited.limited_down_s)


def _jacobian(model: _Model, theta: FloatArray, y: FloatArray, gain: float, basis: FloatArray) -> FloatArray:
    """Derivative of the fitted current by each parameter, projected off (1, y) (Kaufman 1975), shape (n, 5).

    A ramp that never held the demand back has none; the delay's is exact: two lags in a row have the slope
    (y2 - y1) / (tau1 - tau2) of their answers alone.
    """
    out = np.zeros((y.size, PARAMETERS))
    here = model.limited
    for k, held_s in ((UP, here.limited_up_s), (DOWN, here.limited_down_s)):
        if held_s > 0.0:
            moved = theta.copy()
            moved[k] += 1e-3 * max(theta[k], 0.05)
            out[:, k] = (model.answer(moved) - y) / (moved[k] - theta[k])
    model.limited = here
    bend = -0.01 if theta[SHAPE] > 0.5 else 0.01
    now = time_constants(theta[LAG], theta[SHAPE])
    longer = time_constants(theta[LAG] + 1e-4, theta[SHAPE])
    bent = time_constants(theta[LAG], theta[SHAPE] + bend)
    alone = lags(here, (*now, *longer, *bent), model.time_s - theta[DELAY])
    out[:, LAG] = (joined(alone[2], alone[3], longer) - y) / 1e-4
    out[:, DELAY] = (alone[0] - alone[1]) / (now[0] - now[1])
    out[:, SHAPE] = (joined(alone[4], alone[5], bent) - y) / bend
    out *= gain
    projected: FloatArray = out - basis @ (basis.T @ out)
    return projected


def _marginal(information: FloatArray, gradient: FloatArray, interval_s: float) -> tuple[FloatArray, FloatArray]:
    """Take the stroke's own timing error (variance dt^2/12, acting as a delay) out of information and gradient."""
    column = information[:, DELAY]
    total = information[DELAY, DELAY] + 12.0 / interval_s**2
    return information - np.outer(column, column) / total, gradient - column * (gradient[DELAY] / total)


def stroke_matrices(strokes: Sequence[Stroke]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points (n, 5), gradients (n, 5) and informations (n, 5, 5) of strokes."""
    rows = np.asarray(strokes, dtype=np.float64).reshape(len(strokes), -1)
    first = Stroke._fields.index("t0")
    theta = rows[:, first : first + PARAMETERS]
    gradient = rows[:, first + PARAMETERS : first + 2 * PARAMETERS]
    i, j = np.triu_indices(PARAMETERS)
    upper = rows[:, first + 2 * PARAMETERS : first + 2 * PARAMETERS + i.size]
    information = np.empty((len(strokes), PARAMETERS, PARAMETERS))
    information[:, i, j] = upper
    information[:, j, i] = upper
    return theta, gradient, information


@dataclass(frozen=True, slots=True)
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


def combine(strokes: Sequence[Stroke]) -> Combined | None:
    """Joint least squares of all strokes; None without any. Strokes that misfit count less (done in the fit)."""
    if not strokes:
        return None
    theta_i, gradient_i, information_i = stroke_matrices(strokes)
    weights = np.ones(len(strokes))
    for _ in range(3):  # Huber weights between strokes: one odd stroke must not move the rest
        h = np.einsum("n,nij->ij", weights, information_i) + _WEAK
        b = np.einsum("n,ni->i", weights, np.einsum("nij,nj->ni", information_i, theta_i) + gradient_i)
        b = b + _WEAK @ _WEAK_CENTRE
        theta = np.linalg.solve(h, b)
        off = theta - theta_i
        distance = np.einsum("ni,nij,nj->n", off, information_i, off)
        weights = np.minimum(1.0, 5.0 / np.sqrt(np.maximum(distance, 1e-12)))
    dof = max(len(strokes) * 2 - PARAMETERS, 1)
    scatter = max(1.0, float(np.sqrt(np.sum(weights * distance) / dof)))
    covariance = np.linalg.inv(h) * scatter**2
    up = int(np.sum(information_i[:, 0, 0] > 0.02 * information_i[:, 0, 0].max() + 1e-12))
    down = int(np.sum(information_i[:, 1, 1] > 0.02 * information_i[:, 1, 1].max() + 1e-12))
    return Combined(theta, covariance, up, down, scatter)
