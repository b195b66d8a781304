"""A command that climbs in stairs: a controller that renews its ramp every so many milliseconds.

From one reading to the next such a command is as steep as a step, and over a few readings steeper than it is over
many; what a driver's ramp must be compared with is the slope over whole treads.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.types import FloatArray

#: A riser: a change of this much, and of so many times what most readings change.
_RISER = 0.003
_OVER_NOISE = 10.0
_LEAST_RISERS = 3
_LONGEST_TREAD_S = 0.25
_EVEN = 1.6  # longest tread over shortest


def stairs_slope(time_s: FloatArray, demand: FloatArray) -> float | None:
    """Steepest rise (1/s) over at least three whole treads of even length, or a third of all; None without stairs.

    `time_s`, `demand` of shape (n,). It misses stairs whose treads are shorter than two readings (they are as good as
    a slope) and stairs of two risers.
    """
    change = np.diff(demand)
    if change.size < 2 * _LEAST_RISERS:
        return None
    least = max(_RISER, _OVER_NOISE * float(np.quantile(np.abs(change), 0.4)))
    big = change > least
    begins = np.flatnonzero(big & ~np.concatenate(([False], big[:-1])))
    if begins.size < _LEAST_RISERS:
        return None
    at_s = time_s[begins + 1]
    best: float | None = None
    first = 0  # riser the flight begins with
    for last in range(1, begins.size + 1):
        if last < begins.size and _goes_on(at_s[first : last + 1]):
            continue
        if last - first >= _LEAST_RISERS:
            slope = _steepest(at_s[first:last], demand[begins[first:last]])
            best = slope if best is None else max(best, slope)
        first = last
    return best


def _goes_on(at_s: FloatArray) -> bool:
    """Whether risers at these times have treads of even length, none too long."""
    tread = np.diff(at_s)
    return bool(tread[-1] <= _LONGEST_TREAD_S and tread.max() <= _EVEN * tread.min())


def _steepest(at_s: FloatArray, before: FloatArray) -> float:
    """Steepest slope from the level before one riser to that before a later one, a third of the flight on."""
    q = min(max(3, (at_s.size - 1) // 3), at_s.size - 1)
    usual_s = q * float(np.median(np.diff(at_s)))  # the last tread of a move is cut short
    return float(np.max((before[q:] - before[:-q]) / np.maximum(at_s[q:] - at_s[:-q], usual_s)))
