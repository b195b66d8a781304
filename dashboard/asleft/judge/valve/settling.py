"""How far the pressure still had to go when a dwell was read, from how much less it moved late than before.

A volume fills and empties behind the valve: the pressure comes within e^-1 of its rest in 0.02 to 1.5 s (presses with
hoses, cylinders or an accumulator: common practice), and a dwell may be shorter than that takes. With p(t) = p_rest +
a e^(-t/T), the change over the last part of a dwell is q = e^(-L/T) times that over the part of length L before it.
T is one number for a machine and direction, so it is fitted to all dwells at once, by least absolute deviations,
because a load moves the pressure in some of them as it likes. What is left then follows from the two changes.

Misses: a pressure that creeps on (over 3 s): such a dwell is not settled. A law that is no exponential leaves a share
of the correction, which is counted as systematic.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.segments.dwells import late_s
from asleft.judge.types import FloatArray

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
