"""Damped least squares of one stroke: the model on its data, the prior, the way down to the optimum."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.ramp_fit.response import MIN_RAMP_S, MOST_EQUAL, Limited, answer, derivatives, limit, pieces_of
from asleft.judge.types import FloatArray

#: Parameters of a fit, in this order.
UP, DOWN, LAG, DELAY, SHAPE = range(5)
PARAMETERS = 5
_MAX_ROUNDS = 12
#: Instants evenly within a reach of 1.
EVENLY = (np.arange(8) + 0.5) / 4.0 - 1.0
#: Gain in chi-square under which a fit stops: a third of a standard deviation. What is left is a Newton step that the
#: sum of strokes takes anyway, as gradient and information of each are kept.
_ENOUGH = 0.1


@dataclass(frozen=True, slots=True)
class Prior:
    """What earlier strokes say of lag and delay (s) and shape, with variances. Ramp times get none: they may jump.

    `most_shape`: what overshoots is tried only where that is known; a ramp that is none would be taken for it.
    """

    lag_s: float
    lag_var: float
    delay_s: float
    delay_var: float
    shape: float = 0.5
    shape_var: float = 0.25
    most_shape: float = MOST_EQUAL


class Model:
    """One stroke's data, and what they say of parameters.

    `root_weight`: root of the number of readings that each sample stands for, shape (n,); one each if not given.
    `beside`: what else may be in the current, shape (n, m), in unknown amounts (a tone's cosine and sine).
    `reach_s`: each sample was taken at some instant within so much of its time; the mean over those is fitted.
    """

    def __init__(
        self,
        path_t: Sequence[float],
        path_u: Sequence[float],
        time_s: FloatArray,
        current_a: FloatArray,
        root_weight: FloatArray | None = None,
        beside: FloatArray | None = None,
        reach_s: float = 0.0,
    ) -> None:
        self.offsets_s = (reach_s * EVENLY).tolist() if reach_s > 0.0 else [0.0]
        self.path_t, self.path_u = path_t, path_u
        self.time_s = time_s
        self.weight = np.ones(time_s.size) if root_weight is None else root_weight**2
        self.share = self.weight / self.weight.sum()
        centred = current_a - float(self.share @ current_a)
        self.beside: FloatArray | None = None
        if beside is not None and beside.shape[1] > 0:
            self.beside = self._orthonormal(beside.T - (beside.T @ self.share)[:, None])
            centred = centred - (self.beside @ (self.weight * centred)) @ self.beside
        self.centred_a = centred
        self.current_a = self.weight * centred
        self.power = float(self.current_a @ centred)

    def _orthonormal(self, rows: FloatArray) -> FloatArray:
        """Rows (m, n) made orthogonal to each other and of length 1, under the weights (Gram, Schmidt)."""
        for k, row in enumerate(rows):
            for earlier in rows[:k]:
                row -= float((self.weight * row) @ earlier) * earlier
            row /= math.sqrt(float((self.weight * row) @ row))
        return rows

    def limited(self, theta: FloatArray) -> Limited:
        """What the limiter makes of the demand."""
        up_s, down_s = theta[:LAG].tolist()
        return limit(self.path_t, self.path_u, self.path_u[0], up_s, down_s)

    def at(self, theta: FloatArray) -> Point:
        """What the best a + b y leaves of the current (variable projection)."""
        limited = self.limited(theta)
        y = self._beside_the_rest(self.read_at(theta, limited).mean(axis=0))
        along = float((self.weight * y) @ y)
        explained = float(y @ self.current_a) ** 2 / along if along > 0.0 else 0.0
        return Point(theta, self.power - explained, limited)

    def read_at(self, theta: FloatArray, limited: Limited) -> FloatArray:
        """The answer at each instant within reach, shape (instants, n)."""
        pieces, at_s = pieces_of(limited), self.time_s - theta[DELAY]
        return np.array([answer(pieces, float(theta[LAG]), float(theta[SHAPE]), at_s + e) for e in self.offsets_s])

    def _beside_the_rest(self, y: FloatArray) -> FloatArray:
        """An answer (n,) without its mean and what is beside it."""
        y = y - float(self.share @ y)
        if self.beside is not None:
            y -= (self.beside @ (self.weight * y)) @ self.beside
        return y

    def fitted_a(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The best a + b y (A): what it leaves of the current, and itself at the samples' own times, each (n,)."""
        limited = self.limited(theta)
        y = self._beside_the_rest(self.read_at(theta, limited).mean(axis=0))
        along = float((self.weight * y) @ y)
        gain = float(y @ self.current_a) / along if along > 0.0 else 0.0
        own = answer(pieces_of(limited), float(theta[LAG]), float(theta[SHAPE]), self.time_s - theta[DELAY])
        return self.centred_a - gain * y, gain * own

    def tangent_at(self, theta: FloatArray) -> Tangent:
        """The same with the derivatives of the fitted current, projected off (1, y) (Kaufman 1975).

        From second moments of the centred columns (y, derivatives, current), which is all that is needed of them. A
        ramp that never held the demand back has no derivative.
        """
        limited = self.limited(theta)
        up_s, down_s, lag_s, delay_s, shape = theta.tolist()
        pieces, at_s = pieces_of(limited), self.time_s - delay_s
        each = [derivatives(pieces, (up_s, down_s), lag_s, shape, at_s + e) for e in self.offsets_s]
        columns = each[0] if len(each) == 1 else np.mean(each, axis=0)
        columns -= (columns @ self.share)[:, None]
        if self.beside is not None:
            columns -= ((columns * self.weight) @ self.beside.T) @ self.beside
        moments = (columns * self.weight) @ columns.T
        with_current = columns @ self.current_a
        along = float(moments[0, 0])
        if along <= 0.0:
            nothing = np.zeros(PARAMETERS)
            return Tangent(Point(theta, self.power, limited), np.outer(nothing, nothing), nothing)
        gain = float(with_current[0]) / along
        with_y = moments[1:, 0]
        information = gain**2 * (moments[1:, 1:] - np.outer(with_y, with_y / along))
        slope = gain * (with_current[1:] - gain * with_y)
        return Tangent(Point(theta, self.power - gain * float(with_current[0]), limited), information, slope)


@dataclass(eq=False, frozen=True, slots=True)
class Point:
    """Parameters (5,), the squares they leave of the current (A^2), and what the limiter made of the demand."""

    theta: FloatArray
    squares: float
    limited: Limited


@dataclass(eq=False, frozen=True, slots=True)
class Tangent:
    """A point with information (5, 5) and slope (5,) of half the squares there, for a noise of 1 A."""

    point: Point
    information: FloatArray
    slope: FloatArray


_FLOOR = np.array([MIN_RAMP_S, MIN_RAMP_S, 5e-4, -0.2, 0.0])


class Problem:
    """Damped least squares (Levenberg, Marquardt) of one stroke with a prior, within the range of the parameters."""

    def __init__(self, model: Model, prior: Prior, noise_a: float) -> None:
        self.model = model
        self.precision = np.array([0.0, 0.0, 1.0 / prior.lag_var, 1.0 / prior.delay_var, 1.0 / prior.shape_var])
        self.centre = np.array([0.0, 0.0, prior.lag_s, prior.delay_s, prior.shape])
        self.top = np.array([np.inf, np.inf, np.inf, np.inf, prior.most_shape])
        self.weight = 1.0 / noise_a**2

    def reduced_chi2(self, point: Point) -> float:
        """Of the residual alone, without the prior."""
        variance = max(point.squares / max(self.model.time_s.size - PARAMETERS, 1), 1e-18)
        return variance * self.weight

    def cost_of(self, point: Point) -> float:
        """Chi-square of data and prior."""
        off = point.theta - self.centre
        return self.weight * point.squares + float(off @ (self.precision * off))

    def at(self, theta: FloatArray) -> Tangent:
        """The problem at `theta`, brought into range."""
        return self.model.tangent_at(self._inside(theta))

    def descend(self, start: Tangent) -> Point:
        """The optimum reached from `start`, near enough: a further step would gain less than `_ENOUGH`.

        That is so when a step gained as much as its quadratic form had promised.
        """
        damping = 1e-3
        here, tangent = start.point, start
        cost = self.cost_of(here)
        for _ in range(_MAX_ROUNDS):
            hessian = self.weight * tangent.information
            hessian.flat[:: PARAMETERS + 1] += self.precision
            gradient = self.weight * tangent.slope - self.precision * (here.theta - self.centre)
            held = ((here.theta <= _FLOOR) & (gradient < 0.0)) | ((here.theta >= self.top) & (gradient > 0.0))
            if held.any():  # at the end of its range and pulled beyond it: the others move without it
                hessian[held, :], hessian[:, held], gradient[held] = 0.0, 0.0, 0.0
                hessian[held, held] = 1.0
            damped = hessian.copy()
            damped.flat[:: PARAMETERS + 1] += damping * np.maximum(hessian.flat[:: PARAMETERS + 1], 1e-9)
            step = np.linalg.solve(damped, gradient)
            if float(gradient @ step) < _ENOUGH:
                break
            trial = self._inside(here.theta + step)
            there = self.model.at(trial)
            gained = cost - self.cost_of(there)
            if gained > 0.0:
                step = trial - here.theta
                promised = float(step @ (2.0 * gradient - hessian @ step))
                here, cost = there, cost - gained
                damping = max(damping * 0.2, 1e-9)
                if gained < _ENOUGH or abs(gained - promised) < _ENOUGH:
                    break
                tangent = self.model.tangent_at(trial)
            else:
                damping *= 8.0
                if damping > 1e6:
                    break
        return here

    def _inside(self, theta: FloatArray) -> FloatArray:
        """Brought into range, shape (5,)."""
        out: FloatArray = np.minimum(np.maximum(theta, _FLOOR), self.top)
        return out
