"""How the current answers: by one ramp or by several, how late, and whether any setting of the sheet explains it.

Each stroke has a ramp of its own (`Stroke.own_up_s`). A limiter that is no straight line (two slopes, a first-order
lag in its place) gives strokes of other length or place another one, and the same stroke the same again; a ramp that
changes gives the same stroke another one at another time. So strokes are grouped by where they begin and end, in
tenths of the command. Strokes that the model does not explain at all say no ramp either.

Missed: a bend of the ramp where all strokes are alike (nothing then depends on it); changes in fewer than a tenth of
the strokes or fewer than three (two of any number if large, one if known well), or by less than a tolerance. Cries
wolf: a current reading whose delay differs from stroke to stroke by much of a ramp is no straight ramp either.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.intake.holding import BoolArray
from asleft.judge.medians import median_of
from asleft.judge.ramp_fit.descent import DELAY, LAG, SHAPE
from asleft.judge.ramp_fit.ramps import Combined
from asleft.judge.types import FloatArray

#: Reduced chi-square from which a stroke is not explained; of how many strokes at least, and of what share of them.
UNEXPLAINED = 100.0
_FEWEST, _LEAST_EXPLAINED = 3, 2.0 / 3.0
#: Groups further apart than this share of the ramp (and so much of the lag) are of no one ramp.
_APART, _APART_LAGS = 0.2, 0.5
#: ... and than this many times what the strokes of one group scatter by, but for the oddest twentieth.
_TIMES_WITHIN, _MOST_OFF = 3.0, 0.95
#: ... and than this many standard uncertainties of their medians: short strokes scatter more than long ones.
_TIMES_UNSURE = 4.0
#: Standard deviations.
_SURELY = 6.0
#: Shapes of two lags, an overshooting loop's (damping 0.4) included; beyond them they make up for a ramp of another.
_SHAPES, _SURE_SHAPE = (-0.5, 6.5), 4.0
#: Reduced chi-square of a stroke that a ramp explains well: one that a limit or a stray current bends is none. Or so
#: many times what is usual at its place, where a law bends them all.
_WELL, _AS_WELL = 3.0, 1.5
#: Standard uncertainty of a stroke's own ramp up to which it tells one (share of the tolerance).
_TELLS = 0.5
#: Share of strokes from which a change is believed, and how alike they must be (share of the ramp).
_SHARE, _ALIKE = 0.1, 0.1
#: Two strokes are enough where they are off by so many tolerances (on 200 healthy machines of all kinds not one was),
#: and where few are seen in all, each beside one of its own place that is as left.
_TWO, _FAR_OFF = 2, 3.0
#: One is enough where it is known to this share of the tolerance, so far off, beside two of its place as well known.
_KNOWN = 0.05


def own_ramps(strokes: Sequence[Stroke], k: int) -> FloatArray:
    """Ramp up (`k` = 0) or down (1) as each stroke tells it alone (s), shape (n,)."""
    return np.array([(s.own_up_s, s.own_down_s)[k] for s in strokes], dtype=np.float64)


def not_straight(every: Sequence[Stroke], explained: Sequence[Stroke], combined: Combined | None, k: int) -> str:
    """Why these strokes tell no one ramp, empty if they may. `every`: those the model does not explain too."""
    way = ("rises", "falls")[k]
    plain = f"the current {way} along no straight ramp"
    if len(every) >= _FEWEST and len(explained) < _LEAST_EXPLAINED * len(every):
        return plain
    if combined is None:
        return ""
    groups = _grouped(explained)
    few = len(explained) < 2 * _FEWEST
    if few and len(groups) < 2:
        return ""
    lag_sd, shape_sd = np.sqrt(np.maximum(np.diag(combined.covariance)[[LAG, SHAPE]], 0.0)).tolist()
    lag_s, shape = float(combined.theta[LAG]), float(combined.theta[SHAPE])
    odd = max(_SHAPES[0] - shape, shape - _SHAPES[1]) > _SURE_SHAPE * shape_sd or lag_s < -_SURE_SHAPE * lag_sd
    odd = odd and not few
    if len(groups) < 2:
        return plain if odd else ""
    own = [own_ramps(group, k) for group in groups]
    middle = median_of(np.concatenate(own))
    off = np.sort(np.abs(np.concatenate([values - median_of(values) for values in own])))
    within = float(np.sqrt(np.mean(off[: max(int(_MOST_OFF * off.size), 1)] ** 2)))  # but for a few odd ones
    size = median_of([abs(s.to_demand - s.from_demand) for s in explained])
    least = max(_APART * middle, _APART_LAGS * max(lag_s, 0.0) / max(size, 0.05), _TIMES_WITHIN * within)
    pairs = [_at_once(a, b, k) for a, b in itertools.combinations(groups, 2)]
    low_s, high_s = max(pairs, key=lambda ends: ends[1] - ends[0])
    if high_s - low_s > least:
        return f"{plain}: strokes of different size or place take {low_s:.2g} to {high_s:.2g} s"
    return plain if odd else ""


def shape_shows(every: Sequence[Stroke], explained: Sequence[Stroke]) -> bool:
    """Whether strokes of several places are explained, so that what a ramp's shape does to them is seen."""
    return len(explained) >= _LEAST_EXPLAINED * len(every) and len(_grouped(explained)) > 1


def _at_once(a: Sequence[Stroke], b: Sequence[Stroke], k: int) -> tuple[float, float]:
    """Ramps of two groups, the shorter first, while both were made; twice zero if never, or if not surely two.

    A ramp that changed may have changed what the machine does: its strokes are then others, and no less straight.
    """
    from_s, to_s = max(a[0].from_s, b[0].from_s), min(a[-1].from_s, b[-1].from_s)
    groups = [_meanwhile(group, from_s - 1.0, to_s + 1.0) for group in (a, b)]
    if min(len(group) for group in groups) < 2:
        return 0.0, 0.0
    first, second = (median_of(own_ramps(group, k)) for group in groups)
    if abs(first - second) < _TIMES_UNSURE * math.hypot(*(_unsure_s(group, k) for group in groups)):
        return 0.0, 0.0
    return min(first, second), max(first, second)


def _median_u(values: FloatArray) -> float:
    """Standard uncertainty of the median of values (n,), from their own scatter."""
    return 1.2533 * float(values.std(ddof=1)) / math.sqrt(values.size)


def _meanwhile(group: Sequence[Stroke], from_s: float, to_s: float) -> Sequence[Stroke]:
    """Strokes that begin in [from_s, to_s], with the one before and the one after; none where none does."""
    within = [k for k, s in enumerate(group) if from_s <= s.from_s <= to_s]
    return group[max(within[0] - 1, 0) : within[-1] + 2] if within else []


def _unsure_s(group: Sequence[Stroke], k: int) -> float:
    """Of the median of their ramps: by how they scatter, and no less than each knows its own, as two may agree."""
    own = median_of([max((s.h00, s.h11)[k], 1e-12) ** -0.5 for s in group]) / math.sqrt(len(group))
    return max(_median_u(own_ramps(group, k)), own)


def _grouped(strokes: Sequence[Stroke]) -> list[list[Stroke]]:
    """Strokes by tenths of the command where they begin and end, those of which there are two."""
    groups: dict[tuple[int, int], list[Stroke]] = {}
    for s in strokes:
        groups.setdefault(_place(s), []).append(s)
    return [group for group in groups.values() if len(group) > 1]


def _place(stroke: Stroke) -> tuple[int, int]:
    """Between which demands it lies: a slow one that has turned before it arrived is of the same place."""
    return round(10.0 * stroke.low_demand), round(10.0 * stroke.high_demand)


def at_times(strokes: Sequence[Stroke], k: int, left_s: float, tolerance_s: float) -> list[Stroke]:
    """Strokes whose ramp is out of tolerance while others are as left, alike among themselves; none if too few.

    They may be the more: a ramp that comes and goes may be away for most of the time. Strokes too short to tell half
    a tolerance say nothing. A stroke is held against those of its place that are as left, its chi-square too: a bent
    law gives every stroke of a place the same ramp and leaves the same of it.
    """
    own = own_ramps(strokes, k)
    sd = np.array([1.0 / math.sqrt(max((s.h00, s.h11)[k], 1e-12)) for s in strokes])
    tell = sd < _TELLS * tolerance_s
    home = tell & (np.abs(own - left_s) <= tolerance_s)
    if np.count_nonzero(home) < _TWO:
        return []
    few = np.count_nonzero(tell) < 2 * _FEWEST or np.count_nonzero(home) < _FEWEST
    usual, fits = _usual_of_places(strokes, own, home)
    scatter = 1.4826 * median_of(np.abs(own - usual)[home])
    well = np.array([s.chi2 for s in strokes]) < np.maximum(_WELL, _AS_WELL * fits)
    home &= well
    far = tell & well & (np.abs(own - usual) > np.maximum(tolerance_s, _SURELY * np.hypot(sd, scatter)))
    far &= np.abs(own - left_s) > tolerance_s
    if far.sum() < _TWO:
        single = far & (sd < _KNOWN * tolerance_s) & (np.abs(own - left_s) > _FAR_OFF * tolerance_s)
        return _beside_its_like(strokes, single, home & (sd < _KNOWN * tolerance_s))
    odd = median_of(own[far])
    far_off = abs(odd - left_s) > _FAR_OFF * tolerance_s
    least = _TWO if far_off else max(_FEWEST, _SHARE * own.size)
    alike = far & (np.abs(own - odd) < _ALIKE * odd)
    if (few and not far_off) or far.sum() < least or alike.sum() < max(least, 0.7 * far.sum()):
        return []
    odd_ones = [s for s, takes in zip(strokes, alike.tolist(), strict=True) if takes]
    usual_places = {_place(s) for s, so in zip(strokes, home.tolist(), strict=True) if so}
    of_another_place = sum(_place(s) not in usual_places for s in odd_ones)
    return odd_ones if of_another_place <= (0.0 if few else 0.5 * len(odd_ones)) else []


def _beside_its_like(strokes: Sequence[Stroke], single: BoolArray, home: BoolArray) -> list[Stroke]:
    """The one stroke that is off (`single`, (n,)) beside two of its place that are as left (`home`); else none."""
    odd = [s for s, so in zip(strokes, single.tolist(), strict=True) if so]
    like = [s for s, so in zip(strokes, home.tolist(), strict=True) if so and odd and _place(s) == _place(odd[0])]
    return odd if len(like) >= _TWO else []


def _usual_of_places(strokes: Sequence[Stroke], own: FloatArray, home: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Ramp (s) and chi-square that strokes of each stroke's place have which are at `home`, (n,) both.

    Where none of the place is at home, those of all that are.
    """
    places = np.array([_place(s) for s in strokes])
    chi2 = np.array([s.chi2 for s in strokes])
    usual, fits = np.full(own.size, median_of(own[home])), np.full(own.size, median_of(chi2[home]))
    for place in np.unique(places[home], axis=0):
        here = (places == place).all(axis=1)
        usual[here], fits[here] = median_of(own[here & home]), median_of(chi2[here & home])
    return usual, fits


# How long the current takes to follow, beside the ramps: measured as left once, and whether it has moved since.
#
# The mean response time is lag plus delay of the strokes' common fit, the first moment of the answer to a step. It
# is known far better than either of the two (their errors cancel in the sum: some hundredths of a millisecond from
# ten minutes), and it does not depend on ramps, span or the shape of the lag. As left is the mean of the first five
# adequate points of production after a revision. `response-changed` when the change, less its expanded uncertainty,
# is more than a quarter of the lag as left and 5 ms; lag and delay by themselves then say whether the driver and
# coil follow more slowly or a reading comes late.
#
# Misses: less than that; production without strokes that can be fitted; a lag that belongs to the first five points
# already. Cries wolf: a recording whose channels are read at another instant of their interval after a restart (its
# delay changes by up to that interval, which is why the limit is never under one interval). On simulated healthy
# valves the response time of ten minutes scatters by 0.1 ms, a fiftieth of the smallest limit.

_POINTS = 5
LEAST_S = 0.005
SHARE = 0.25
#: A point whose response time is known worse than this (k = 1) is not adequate.
_ADEQUATE_S = 0.002


class Answer(NamedTuple):
    """Lag and delay of one set of strokes, and the standard uncertainty of their sum (s)."""

    lag_s: float
    delay_s: float
    u_s: float

    @property
    def response_s(self) -> float:
        """Mean response time."""
        return self.lag_s + self.delay_s


@dataclass(frozen=True, slots=True)
class Reaction:
    """The first adequate points; five of them are as left (measured) and stay so."""

    first: tuple[Answer, ...] = ()

    def seen(self, combined: Combined | None) -> Reaction:
        """With the point that these strokes make, if as left is still open and they are adequate."""
        answer = answer_of(combined)
        if answer is None or len(self.first) >= _POINTS or answer.u_s > _ADEQUATE_S:
            return self
        return Reaction((*self.first, answer))

    @property
    def left(self) -> Answer | None:
        """As left (measured), with the uncertainty of a mean that scatters as the points did; None while open."""
        if len(self.first) < _POINTS:
            return None
        rows = np.array(self.first)
        each = float(np.sqrt((rows[:, 2] ** 2).mean()))
        scatter = float((rows[:, 0] + rows[:, 1]).std(ddof=1))
        return Answer(float(rows[:, 0].mean()), float(rows[:, 1].mean()), max(each, scatter) / math.sqrt(_POINTS))


def answer_of(combined: Combined | None) -> Answer | None:
    """Lag, delay and the uncertainty of their sum from a joint fit, None without one."""
    if combined is None:
        return None
    variance = float(combined.covariance[np.ix_([LAG, DELAY], [LAG, DELAY])].sum())
    if not (math.isfinite(variance) and variance >= 0.0):
        return None
    return Answer(float(combined.theta[LAG]), float(combined.theta[DELAY]), math.sqrt(variance))


# Strokes that no setting of the sheet explains: their misfit as left, measured once, against that of today.
#
# A stroke's reduced chi-square compares what its fit leaves over with the noise of settled dwells: near 1 where
# limiter, lag and delay describe the driver (0.93 to 1.07 in the median of ten simulated minutes). A driver whose
# ramp is no straight line, an output that hunts or a second limiter make it larger, and ramps and currents may look
# fine all the same. As left is the median of the first five points of production after a revision; `model-misfit`
# when three points in a row and the present strokes have a median over 2 and over twice that as left.
#
# Misses: what misfits in fewer than half of the strokes (one odd stroke is not the driver); misfits smaller than the
# noise; the first half hour. Silent where a cause is known: clipping, lost, unwanted or pinned readings explain
# misfits and are findings of their own. Cries wolf: noise that is larger in motion than at rest (a loose sensor
# cable).

IN_A_ROW = 3
_FEWEST_MISFITS = 10
_LEAST, _TIMES_LEFT = 2.0, 2.0


@dataclass(frozen=True, slots=True)
class Misfit:
    """Median reduced chi-square of the first five points after a revision, and of the latest three."""

    first: tuple[float, ...] = ()
    latest: tuple[float, ...] = ()

    def seen(self, strokes: Sequence[Stroke]) -> Misfit:
        """With the point that these strokes make, if they are enough."""
        median = median_chi2(strokes)
        if median is None:
            return self
        first = self.first if len(self.first) >= _POINTS else (*self.first, median)
        return Misfit(first, (*self.latest[1 - IN_A_ROW :], median))

    @property
    def limit(self) -> float | None:
        """Misfit from which it is a finding; None while as left is open."""
        if len(self.first) < _POINTS:
            return None
        return max(_LEAST, _TIMES_LEFT * median_of(self.first))


def median_chi2(strokes: Sequence[Stroke]) -> float | None:
    """Median reduced chi-square of the strokes that count; None if fewer than ten do."""
    values = [s.chi2 for s in strokes if s.excluded < 0.5 and np.isfinite(s.chi2)]
    return median_of(values) if len(values) >= _FEWEST_MISFITS else None
