"""A settled stretch as one row of numbers; how late the pressure comes in it, and how far it still had to go."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from asleft.judge.features import NAN, Dwell
from asleft.judge.intake.intake import CLOCK, COIL_V, CURRENT, DEMAND, MODE, OIL, PRESSURE, STATE, SUPPLY, TIME, Scale
from asleft.judge.intake.states import PRODUCING
from asleft.judge.medians import level_of, mean_of, median_of
from asleft.judge.types import FloatArray


def dwell_of(data: FloatArray, scale: Scale, arrival: float, *, flat: bool) -> Dwell:
    """Features of one settled stretch, `data` of shape (ROWS, n).

    Pressure is read over the last 40 %, when it has followed; how it changed over them and before, `settling` needs.
    The standard errors allow for autocorrelation as an AR(1) process would have it; a slower disturbance makes them
    too small. That of the pressure is of what its trend leaves. `flat`: whether no trend is left in the current.
    """
    n = data.shape[1]
    mean = np.add.reduce(data, axis=1) / n
    means = mean.tolist()
    last = late_samples(n)
    late, before = data[PRESSURE, n - last :], data[PRESSURE, max(n - 2 * last, 0) : n - last]
    if not math.isfinite(means[PRESSURE]):
        late, before = late[np.isfinite(late)], before[np.isfinite(before)]
    pressure_bar = pressure_se_bar = pressure_sd_bar = moves_bar = moved_bar = NAN
    if late.size >= 4:
        pressure_bar, moves_bar = mean_of(late), _change(late)
        trend = np.linspace(
            -moves_bar, moves_bar, late.size
        )  # over the whole part it moves twice as much as by halves
        _, sd_bar, independent = _scatter(late - trend)
        pressure_se_bar = sd_bar / math.sqrt(independent)
        steps = late[1:] - late[:-1]
        pressure_sd_bar = math.sqrt(float(steps @ steps) / (2.0 * steps.size))
        if before.size >= max(0.8 * last, 4.0):
            moved_bar = _change(before)
    off = data[DEMAND] - mean[DEMAND]
    demand_sd = math.sqrt(float(off @ off) / n)
    current_a, current_sd_a, independent = _scatter(data[CURRENT]) if scale.has_current else (NAN, NAN, 1.0)
    mode = float(data[MODE, -1])
    return Dwell(
        from_s=float(data[TIME, 0]),
        to_s=float(data[TIME, -1]),
        n=float(n),
        demand=level_of(data[DEMAND]),
        demand_se=max(demand_sd, scale.demand_noise) / math.sqrt(n),
        current_a=current_a,
        current_se_a=current_sd_a / math.sqrt(independent),
        current_sd_a=current_sd_a,
        pressure_bar=pressure_bar,
        pressure_se_bar=pressure_se_bar,
        pressure_moves_bar=moves_bar,
        arrival=arrival,
        producing=float(means[STATE] == PRODUCING),  # the least of the codes
        oil_degc=_mean(data[OIL], means[OIL]),
        supply_v=_mean(data[SUPPLY], means[SUPPLY]),
        mode=mode if mode == mode and (data[MODE] == mode).all() else NAN,
        flat=float(flat),
        coil_v=_mean(data[COIL_V], means[COIL_V]),
        clock_s=float(data[CLOCK, -1]),
        pressure_moved_bar=moved_bar,
        pressure_sd_bar=pressure_sd_bar,
    )


def late_samples(n: int) -> int:
    """How many of the samples of a dwell its pressure is read over: the last 40 %, at least ten."""
    return max(int(0.4 * n), min(n, 10))


def late_s(dwell: Dwell) -> float:
    """How long the part of a dwell is over which its pressure is read (s)."""
    return late_samples(round(dwell.n)) / dwell.n * (dwell.to_s - dwell.from_s)


def _change(values: FloatArray) -> float:
    """Mean of the second half less that of the first."""
    half = values.size // 2
    return mean_of(values[half:]) - mean_of(values[:half])


def _scatter(values: FloatArray) -> tuple[float, float, float]:
    """Mean, standard deviation, and number of independent readings that are worth as much (AR(1), lag 1)."""
    n = values.size
    mean = mean_of(values)
    centred = values - mean
    power = float(centred @ centred)
    if power <= 0.0 or n < 3:
        return mean, math.sqrt(power / n), float(n)
    rho = min(max(float(centred[1:] @ centred[:-1]) / power, 0.0), 0.95)
    return mean, math.sqrt(power / n), max(n * (1.0 - rho) / (1.0 + rho), 1.0)


def _mean(values: FloatArray, mean: float) -> float:
    """Mean of the readings there are, NaN without any; `mean`: of all, NaN where one failed."""
    if math.isfinite(mean):
        return mean
    finite = values[np.isfinite(values)]
    return mean_of(finite) if finite.size else NAN


# By how much the pressure comes late as a whole behind the current that makes it: a dead time, told from a lag.
#
# A volume of oil answers at once and then less and less (a lag of first or second order); a spool with friction
# waits for the current to have moved by its loop, and then stops when the current does; an accumulator that fills at
# a limited flow begins at once and ends late. Only a dead time holds every part of a move back alike. The spool of a
# valve and the oil behind it have none beyond some tens of milliseconds, and channels of one logger lie within
# `USUAL_S` of one another; what is later than that is a reading that comes late.
#
# Misses: dead times under `LEAST_S`, moves that a load makes, and a pressure so slow that lag and dead time look
# alike.

#: Dead time that channels of one logger and a valve may have between them, and from which one is late (s).
USUAL_S, LEAST_S = 0.25, 0.4
_LONGEST_S = 2.5
#: Parts of the way at which the pressure must be late by more than `_HELD_S` each.
_PARTS, _HELD_S = (0.1, 0.3, 0.5, 0.7, 0.9), 0.3
#: Least way of the current (share of its span), and of the pressure (standard deviations).
_WAY, _TIMES_NOISE = 0.1, 20.0
#: Change at the end at which a pressure has arrived (share of its way).
_ARRIVED = 0.02
_LEAST_READINGS, _REST_S = 4, 0.2
#: The fit: points, lags of first and second order tried (s), from which part of the current's way on (a loop of the
#: valve spoils the beginning), how well it must explain the way, how much better than without a dead time.
_POINTS, _FROM, _LEFT_OVER, _BETTER = 300, 0.3, 0.02, 4.0
#: Lags that a dead time may be seen beside, in all (times the dead time): beside slower ones it is not known well.
_MOST_LAGS = 2.0
_LAGS_S = tuple(0.04 * 1.35**k for k in range(14))


class Late(NamedTuple):
    """By how much every part of a move came late at least (s), and its dead time (s); None: a lag may do the same."""

    behind_s: float
    dead_s: float | None


def pressure_delay(time_s: FloatArray, current_a: FloatArray, pressure_bar: FloatArray, span_a: float) -> Late | None:
    """How late the pressure is in one move from rest to rest, arrays of shape (n,); None where none is to be seen."""
    good = np.isfinite(pressure_bar) & np.isfinite(current_a)
    t, i, p = time_s[good], current_a[good], pressure_bar[good]
    if t.size < 5 * _LEAST_READINGS:
        return None
    first = max(int(np.searchsorted(t, t[0] + _REST_S)), _LEAST_READINGS)
    last = min(int(np.searchsorted(t, t[-1] - _REST_S)), t.size - _LEAST_READINGS)
    earlier = int(np.searchsorted(t, t[last] - _REST_S))
    if not first < earlier < last - 1:
        return None
    i0, i1, p0, p1 = mean_of(i[:first]), mean_of(i[last:]), mean_of(p[:first]), mean_of(p[last:])
    noise = median_of(np.abs(np.diff(p))) / 0.954  # of a difference of two: 0.954 of one's standard deviation
    if abs(i1 - i0) < _WAY * span_a or p1 == p0 or i1 == i0 or abs(p1 - p0) < _TIMES_NOISE * noise:
        return None
    if (i1 > i0) != (p1 > p0) or abs(p1 - mean_of(p[earlier:last])) > _ARRIVED * abs(p1 - p0):
        return None
    x, y = (i - i0) / (i1 - i0), (p - p0) / (p1 - p0)
    if x.min() < -_WAY or x.max() > 1.0 + _WAY:
        return None
    behind_s = min(_reached(t, y, part) - _reached(t, x, part) for part in _PARTS)
    return Late(behind_s, 0.0 if behind_s < _HELD_S else _dead_time(t, x, y))


def _reached(time_s: FloatArray, share: FloatArray, part: float) -> float:
    return float(time_s[int((share >= part).argmax())])


def _means(even_s: FloatArray, time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Means of a reading over the steps of an even grid, (m,)."""
    area = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time_s))))
    edges = np.clip(even_s[:, None] + np.array([-0.5, 0.5]) * (even_s[1] - even_s[0]), time_s[0], time_s[-1])
    below, above = np.interp(edges, time_s, area).T
    return np.asarray((above - below) / (edges[:, 1] - edges[:, 0]))


def _dead_time(time_s: FloatArray, x: FloatArray, y: FloatArray) -> float | None:
    """Dead time of `y` behind `x` by least squares over dead times and lags; None where it is not surely one."""
    even = np.linspace(time_s[0], time_s[-1], _POINTS)
    step_s = float(even[1] - even[0])
    x, y = _means(even, time_s, x), _means(even, time_s, y)
    begin = int(np.argmax(x >= _FROM))
    scatter = float(np.sum((y[begin:] - y[begin:].mean()) ** 2))
    ages_s = np.arange(_POINTS) * step_s
    answers = [(0.0, x)]
    for lag_s in _LAGS_S:
        kernel = np.exp(-ages_s / lag_s)
        kernel /= kernel.sum()
        once = np.convolve(x, kernel)[:_POINTS]
        answers += [(lag_s, once), (2.0 * lag_s, np.convolve(once, kernel)[:_POINTS])]
    usual, best, best_s = np.inf, np.inf, 0.0
    for dead_s in (0.0, 0.5 * USUAL_S, USUAL_S, *np.arange(LEAST_S, _LONGEST_S, 0.1).tolist()):
        bins = round(dead_s / step_s)
        if bins >= _POINTS - begin:
            break
        for lags_s, answer in answers:
            late = np.concatenate((np.zeros(bins), answer[: _POINTS - bins]))[begin:]
            way = late - late.mean()
            power = float(way @ way)
            left = scatter - (float(way @ y[begin:]) ** 2 / power if power > 0.0 else 0.0)
            if dead_s <= USUAL_S:
                usual = min(usual, left)
            elif left < best and lags_s <= _MOST_LAGS * dead_s:
                best, best_s = left, dead_s
    if usual <= best:
        return 0.0
    return best_s if best < _LEFT_OVER * scatter and usual > _BETTER * best else None


# How far the pressure still had to go when a dwell was read, from how much less it moved late than before.
#
# A volume fills and empties behind the valve: the pressure comes within e^-1 of its rest in 0.02 to 1.5 s (presses
# with hoses, cylinders or an accumulator: common practice), and a dwell may be shorter than that takes. With p(t) =
# p_rest + a e^(-t/T), the change over the last part of a dwell is q = e^(-L/T) times that over the part of length L
# before it. T is one number for a machine and direction, so it is fitted to all dwells at once, by least absolute
# deviations, because a load moves the pressure in some of them as it likes. What is left then follows from the two
# changes.
#
# Misses: a pressure that creeps on (over 3 s): such a dwell is not settled. A law that is no exponential leaves a
# share of the correction, which is counted as systematic.

#: Time constants tried (s), and the share of the changes that one must explain to be believed.
_TIMES_S = np.geomspace(0.02, 3.0, 61)
_EXPLAINS = 0.3
_LEAST_DWELLS = 6
#: A change shows from so many of its standard errors on.
_SHOWS = 3.0
#: Share of a correction that a law other than the exponential may leave (standard uncertainty).
_LAW_U = 0.15
#: How many times the change over the last part of a dwell, and from one piece of a stay to the next, a creeping
#: pressure may still have to go (standard uncertainty): as one with a time constant of 10 to 15 s, where a dwell is
#: cut after 5 s.
_CREEP_WITHIN, _CREEP_BETWEEN = 5.0, 2.5
_SAME_STAY_S, _SAME_LEVEL = 1.0, 0.005


@dataclass(frozen=True, slots=True)
class Settling:
    """Time constants (s) of the pressure by arrival, (rising, falling); 0: settled as far as can be seen."""

    rising_s: float = 0.0
    falling_s: float = 0.0

    def of(self, arrival: float) -> float:
        """The time constant for an arrival (+1 from below, -1 from above, 0 not known)."""
        if arrival == 0.0:
            return max(self.rising_s, self.falling_s)
        return self.rising_s if arrival > 0.0 else self.falling_s


def settling_of(dwells: Sequence[Dwell]) -> Settling:
    """Time constants from dwells whose current rests."""
    rows = np.array(
        [
            (d.arrival, d.pressure_moved_bar, d.pressure_moves_bar, d.pressure_se_bar, late_s(d))
            for d in dwells
            if d.flat > 0.5 and d.producing > 0.5 and d.arrival != 0.0 and math.isfinite(d.pressure_moved_bar)
        ]
    ).reshape(-1, 5)
    return Settling(*(_time_s(rows[rows[:, 0] == way, 1:]) for way in (1.0, -1.0)))


def _time_s(rows: FloatArray) -> float:
    """One time constant from rows of (change before, change late, standard error, length of either part in s)."""
    moved, moves, se, late_s = rows.T
    shows = np.hypot(moved, moves) > _SHOWS * 2.0 * se
    if np.count_nonzero(shows) < _LEAST_DWELLS:
        return 0.0
    moved, moves, late_s = moved[shows], moves[shows], late_s[shows]
    left = np.abs(moves - np.exp(-late_s / _TIMES_S[:, None]) * moved).sum(axis=1)
    best = int(np.argmin(left))
    return float(_TIMES_S[best]) if left[best] < (1.0 - _EXPLAINS) * float(np.abs(moves).sum()) else 0.0


def at_rest(dwell: Dwell, time_s: float) -> Dwell:
    """The dwell with the pressure it was on its way to, and what is unsure of that."""
    if time_s <= 0.0 or not math.isfinite(dwell.pressure_bar):
        return dwell
    half = math.exp(-0.5 * late_s(dwell) / time_s)
    whole = half * half
    per_change = (1.0 + half) / (2.0 * (1.0 - half))  # of the change over the last part
    if math.isfinite(dwell.pressure_moved_bar):
        late = whole * (dwell.pressure_moved_bar + whole * dwell.pressure_moves_bar) / (1.0 + whole**2)
        noise = whole / math.sqrt(1.0 + whole**2)
    else:
        late, noise = dwell.pressure_moves_bar, 1.0
    left = per_change * late
    return dwell._replace(
        pressure_bar=dwell.pressure_bar + left,
        pressure_se_bar=dwell.pressure_se_bar * math.hypot(1.0, 2.0 * noise * per_change),
        pressure_moves_bar=dwell.pressure_moves_bar - late,
        pressure_left_bar=left,
    )


def settling_u_bar(dwells: Sequence[Dwell]) -> float:
    """Standard uncertainty (bar) that settling leaves in the mean of dwells of one arrival, however many there are.

    Of the law of what was reckoned with; and of what goes on more slowly beside what `creep` explains (oil that warms
    in the valve): where the pressures still move one way on average, several times as far as they moved.
    """
    if not dwells:
        return 0.0
    within = [d.pressure_moves_bar for d in dwells if math.isfinite(d.pressure_moves_bar)]
    between = [b.pressure_bar - a.pressure_bar for a, b in itertools.pairwise(dwells) if _same_stay(a, b)]
    creep = max(_CREEP_WITHIN * _mean_that_shows(within), _CREEP_BETWEEN * _mean_that_shows(between))
    return math.hypot(_LAW_U * sum(d.pressure_left_bar for d in dwells) / len(dwells), creep)


def _same_stay(before: Dwell, after: Dwell) -> bool:
    return after.from_s - before.to_s < _SAME_STAY_S and abs(after.demand - before.demand) < _SAME_LEVEL


def _mean_that_shows(changes: Sequence[float]) -> float:
    """Size of the mean of some changes; 0 where it is within twice its standard error."""
    if len(changes) < 3:
        return 0.0
    values = np.array(changes)
    mean = abs(float(values.mean()))
    return mean if mean > 2.0 * float(values.std(ddof=1)) / math.sqrt(values.size) else 0.0


def loop_u_bar(dwells: Sequence[Dwell]) -> float:
    """The same in the distance of the two branches, which it moves apart or together."""
    return sum(settling_u_bar([d for d in dwells if d.arrival == way]) for way in (1.0, -1.0))
