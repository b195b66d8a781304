"""By how much the pressure comes late as a whole behind the current that makes it: a dead time, told from a lag.

A volume of oil answers at once and then less and less (a lag of first or second order); a spool with friction waits
for the current to have moved by its loop, and then stops when the current does; an accumulator that fills at a
limited flow begins at once and ends late. Only a dead time holds every part of a move back alike. The spool of a
valve and the oil behind it have none beyond some tens of milliseconds, and channels of one logger lie within
`USUAL_S` of one another; what is later than that is a reading that comes late.

Misses: dead times under `LEAST_S`, moves that a load makes, and a pressure so slow that lag and dead time look alike.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.types import FloatArray

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


def pressure_delay(
    time_s: FloatArray, current_a: FloatArray, pressure_bar: FloatArray, span_a: float
) -> float | None:
    """Dead time (s) of one move from rest to rest, arrays of shape (n,); 0: not late, None: it cannot be told."""
    good = np.isfinite(pressure_bar) & np.isfinite(current_a)
    t, i, p = time_s[good], current_a[good], pressure_bar[good]
    if t.size < 5 * _LEAST_READINGS:
        return None
    first = max(int(np.searchsorted(t, t[0] + _REST_S)), _LEAST_READINGS)
    last = min(int(np.searchsorted(t, t[-1] - _REST_S)), t.size - _LEAST_READINGS)
    earlier = int(np.searchsorted(t, t[last] - _REST_S))
    if not first < earlier < last - 1:
        return None
    i0, i1, p0, p1 = i[:first].mean(), i[last:].mean(), p[:first].mean(), p[last:].mean()
    noise = float(np.median(np.abs(np.diff(p)))) / 0.954  # of a difference of two: 0.954 of one's standard deviation
    if abs(i1 - i0) < _WAY * span_a or p1 == p0 or i1 == i0 or abs(p1 - p0) < _TIMES_NOISE * noise:
        return None
    if (i1 > i0) != (p1 > p0) or abs(p1 - p[earlier:last].mean()) > _ARRIVED * abs(p1 - p0):
        return None
    x, y = (i - i0) / (i1 - i0), (p - p0) / (p1 - p0)
    if x.min() < -_WAY or x.max() > 1.0 + _WAY:
        return None
    behind = [_reached(t, y, part) - _reached(t, x, part) for part in _PARTS]
    return 0.0 if min(behind) < _HELD_S else _dead_time(t, x, y)


def _reached(time_s: FloatArray, share: FloatArray, part: float) -> float:
    return float(time_s[int(np.argmax(share >= part))])


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
