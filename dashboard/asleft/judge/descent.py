"""Damped least squares of one stroke: the model on its data, the prior, the way down to the optimum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.path import MIN_RAMP_S, MOST_EQUAL, Limited, joined, lags, limit, time_constants
from asleft.judge.types import FloatArray

#: Parameters of a fit, in this order.
UP, DOWN, LAG, DELAY, SHAPE = range(5)
PARAMETERS = 5
_MAX_ROUNDS = 12
#: Gain in chi-square under which a fit stops: a third of a standard deviation. What is left is a Newton step that the
#: sum of strokes takes anyway, as gradient and information of each are kept.
_ENOUGH = 0.1


@dataclass(frozen=True, slots=True)
class Prior:
    """What earlier strokes say of lag and delay (s) and shape, with variances. Ramp times get none: they may jump."""

    lag_s: float
    lag_var: float
    delay_s: float
    delay_var: float
    shape: float = 0.5
    shape_var: float = 0.25


class Model:
    """One stroke's data and its projected residuals."""

    def __init__(
        self, path_t: Sequence[float], path_u: Sequence[float], time_s: FloatArray, current_a: FloatArray
    ) -> None:
        self.path_t, self.path_u = path_t, path_u
        self.time_s, self.current_a = time_s, current_a
        self.limited = Limited([], [], 0.0, 0.0)

    def answer(self, theta: FloatArray) -> FloatArray:
        """Limited and lagged demand at the sample times, shape (n,); keeps what the limiter made in `limited`."""
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


@dataclass(frozen=True, slots=True)
class Point:
    """Parameters and what the data say there."""

    theta: FloatArray
    residual: FloatArray
    jacobian: FloatArray
    cost: float
    limited: Limited


_FLOOR = np.array([MIN_RAMP_S, MIN_RAMP_S, 5e-4, -0.2, 0.0])
_TOP = np.array([np.inf, np.inf, np.inf, np.inf, MOST_EQUAL])


class Problem:
    """Damped least squares (Levenberg, Marquardt) of one stroke with a prior, within the range of the parameters."""

    def __init__(self, model: Model, prior: Prior, noise_a: float) -> None:
        self.model = model
        self.precision = np.diag([0.0, 0.0, 1.0 / prior.lag_var, 1.0 / prior.delay_var, 1.0 / prior.shape_var])
        self.centre = np.array([0.0, 0.0, prior.lag_s, prior.delay_s, prior.shape])
        self.weight = 1.0 / noise_a**2

    def reduced_chi2(self, point: Point) -> float:
        """Of the residual alone, without the prior."""
        residual = point.residual
        variance = max(float(residual @ residual) / max(residual.size - PARAMETERS, 1), 1e-18)
        return variance * self.weight

    def _cost(self, residual: FloatArray, theta: FloatArray) -> float:
        off = theta - self.centre
        return float(self.weight * (residual @ residual) + off @ self.precision @ off)

    def at(self, theta: FloatArray) -> Point:
        """The point at `theta`, brought into range."""
        inside = np.clip(theta.astype(np.float64), _FLOOR, _TOP)
        y = self.model.answer(inside)
        residual, gain, basis = self.model.project(y)
        limited = self.model.limited
        jacobian = _jacobian(self.model, inside, y, gain, basis)
        return Point(inside, residual, jacobian, self._cost(residual, inside), limited)

    def descend(self, here: Point) -> Point:
        """The optimum reached from `here`, near enough (see `_ENOUGH`)."""
        damping = 1e-3
        for _ in range(_MAX_ROUNDS):
            hessian = self.weight * here.jacobian.T @ here.jacobian + self.precision
            gradient = self.weight * here.jacobian.T @ here.residual - self.precision @ (here.theta - self.centre)
            held = ((here.theta <= _FLOOR) & (gradient < 0.0)) | ((here.theta >= _TOP) & (gradient > 0.0))
            if held.any():  # at the end of its range and pulled beyond it: the others move without it
                hessian[held, :], hessian[:, held], gradient[held] = 0.0, 0.0, 0.0
                hessian[held, held] = 1.0
            scale = np.diag(np.maximum(np.diag(hessian), 1e-9))
            step = np.linalg.solve(hessian + damping * scale, gradient)
            if float(gradient @ step) < _ENOUGH:
                break
            trial = np.clip(here.theta + step, _FLOOR, _TOP)
            y = self.model.answer(trial)
            residual, gain, basis = self.model.project(y)
            cost = self._cost(residual, trial)
            if cost < here.cost:
                gained = here.cost - cost
                limited = self.model.limited
                here = Point(trial, residual, _jacobian(self.model, trial, y, gain, basis), cost, limited)
                damping = max(damping * 0.2, 1e-9)
                if gained < _ENOUGH:
                    break
            else:
                damping *= 8.0
                if damping > 1e6:
                    break
        return here


def _jacobian(model: Model, theta: FloatArray, y: FloatArray, gain: float, basis: FloatArray) -> FloatArray:
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
