"""When a quantity left its place: change points in what single segments and points of history say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.estimates import AsFound, Seen
from asleft.judge.outer.outer import carried
from asleft.judge.types import FloatArray

_LEAST_AFTER = 4
#: Within this share of its tolerance a value has not left its place.
_HOME = 0.25


def best_split(y: FloatArray) -> tuple[int, float, float, float]:
    """Index of the last value before the best single change of mean, both means, and the gain in squared residual.

    Least squares over all splits; `y` shape (n,), n >= 3.
    """
    n = y.size
    total = np.cumsum(y)
    k = np.arange(1, n)
    before, after = total[:-1] / k, (total[-1] - total[:-1]) / (n - k)
    gain = k * (n - k) / n * (after - before) ** 2
    best = int(np.argmax(gain))
    return best, float(before[best]), float(after[best]), float(gain[best])


def step_within(series: Sequence[tuple[float, float]], tolerance: float) -> float | None:
    """Time from which a series stands on a new level, if it stepped by more than half a tolerance; None if not.

    The step must explain 80 % of the scatter and leave at least four values after it, so that what is found rests on
    the machine as it is now and not on a mixture of before and after.
    """
    if len(series) < 2 * _LEAST_AFTER:
        return None
    y = np.array([value for _, value in series])
    best, before, after, gain = best_split(y)
    scatter = float(np.sum((y - y.mean()) ** 2))
    if abs(after - before) <= 0.5 * tolerance or gain < 0.8 * scatter or y.size - best - 1 < _LEAST_AFTER:
        return None
    return series[best + 1][0]


def onset_of(series: Sequence[tuple[float, float]], left: float, tolerance: float) -> float:
    """Time of the first value after the best split, if the values before it were within tolerance; else the first.

    A slow drift has no such split; its onset is the first value from which all stay beyond a quarter of tolerance.
    What came and went before is another story: only what followed the last two values in a row at home counts.
    """
    t = np.array([s[0] for s in series])
    y = np.array([s[1] for s in series]) - left
    home = np.abs(y) <= _HOME * tolerance
    since = np.flatnonzero(home[:-2] & home[1:-1])
    t, y = (t[since[-1] :], y[since[-1] :]) if since.size and not home[-1] else (t, y)
    n = y.size
    if n < 3:
        return float(t[0])
    best, before, after, gain = best_split(y)
    if abs(before) <= tolerance and abs(after) > abs(before):
        left_over = float(np.sum((y - y.mean()) ** 2)) - gain
        slope = np.polyfit(t - t[0], y, 1)
        line = float(np.sum((y - np.polyval(slope, t - t[0])) ** 2))
        if left_over <= line or n < 8:
            return float(t[best + 1])
        inside = np.flatnonzero(np.abs(y) <= _HOME * tolerance)
        return float(t[min(int(inside[-1]) + 1, n - 1)]) if inside.size else float(t[0])
    return float(t[0])


def feature_series(name: str, seen: Seen, found: AsFound) -> list[tuple[float, float]]:
    """What single segments say of a quantity, (unix s, value), oldest first; empty where they say nothing alone."""
    if name in {"ramp_up", "ramp_down"}:
        k = 0 if name == "ramp_up" else 1
        return [
            (s.from_s, (s.own_up_s, s.own_down_s)[k])
            for s in seen.strokes
            if s.aside < 0.5 and (s.active_up_s, s.active_down_s)[k] > 0.03
        ]
    if name in {"current_at_zero", "current_at_full"}:
        end = 0.0 if name.endswith("zero") else 1.0
        if found.slow:
            return carried(seen.dwells, found.line, end)
        return [(d.from_s, d.current_a) for d in seen.dwells if abs(d.demand - end) < 0.02 and d.flat > 0.5]
    if name.startswith("pressure"):
        end, arrival = (0.0, -1.0) if name.endswith("zero") else (1.0, 1.0)
        return [
            (d.from_s, d.pressure_bar)
            for d in found.judged_pressure
            if abs(d.demand - end) < 0.02 and d.arrival == arrival
        ]
    if name == "hysteresis":
        return found.characteristic.series
    if name == "dither_amplitude":
        return [(b.at_s, b.amplitude_a) for b in seen.bursts]
    if name == "supply_voltage":
        return [(d.from_s, d.supply_v) for d in seen.dwells if d.producing > 0.5 and np.isfinite(d.supply_v)]
    return []
