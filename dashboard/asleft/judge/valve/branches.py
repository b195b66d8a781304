"""Rising and falling branch of pressure against current, from settled dwells, with what the loop was before them.

A valve remembers: at equal current its pressure depends on the last turning points. A level therefore counts for a
branch only once both turning points before it are known, and with them the loop it lies on. After an interruption
(gap, stop, disable) that takes one whole cycle, so a conditioning cycle is never counted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from asleft.judge.features import NAN, Dwell
from asleft.judge.medians import median_of
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Dwells closer than this in demand are one level.
SAME_LEVEL = 0.02
#: Turning points that agree to this share of the command are the same end point of a loop.
SAME_END = 0.03
#: Share of the span from a turning point at which the spool surely follows (no wider loop is a valve).
WELL_AWAY = 0.15
#: Turns after an interruption from which on the way since the last of them counts: one whole cycle.
_CONDITIONED = 2
#: A visit farther from its level's median than this many robust standard deviations is no sight of the level.
_OUTLIER = 6.0
#: Pairs of visits that tell the slope of a level, the share of its width they must lie apart, and visits of which
#: pairs are made.
_LEAST_PAIRS, _APART, _MOST_PAIRED = 6, 0.3, 120
#: A valve is nowhere so many times as steep as from zero to full.
_STEEPEST = 4.0


class Visit(NamedTuple):
    """One stay at a level: pieces of it that follow each other are one sight, because friction holds the spool."""

    at_s: float
    to_s: float
    demand: float
    share: float  # current as a share of the as-left span: where on the loop's input axis the visit lies
    current_a: float  # measured, or from the demand where no current is recorded
    current_se_a: float
    pressure_bar: float  # of the pieces that can be judged; NaN if there are none
    pressure_se_bar: float
    arrival: float
    low: float  # share at the loop's lower turning point; NaN: not known
    high: float
    oil_degc: float
    travel: float = 0.0  # share of the span since the last turning point that is surely behind it


@dataclass(frozen=True, slots=True)
class BranchLevel:
    """One level of one branch: means over visits with standard uncertainties (repeatability)."""

    arrival: float  # +1 rising, -1 falling
    demand: float
    share: float
    current_a: float
    current_se_a: float
    pressure_bar: float
    pressure_se_bar: float
    scatter_bar: float  # between visits
    visits: int
    from_s: float
    to_s: float
    oil_degc: float
    carried: float = 0.0  # how far noise carries the spool past the mean current (share of the span), and how far
    carried_u: float = 0.0  # that is open by what the driver does at an end of its range


class Axis(NamedTuple):
    """The loop's input: coil current between the as-left ends (A), or the command where that is all there is."""

    zero: float
    full: float
    by_command: bool  # no current is read, or the sheet gives none: the demand stands for it

    @property
    def span(self) -> float:
        """Full minus zero; 1 where the sheet gives no currents."""
        return self.full - self.zero


def axis_of(sheet: Sheet, dwells: Sequence[Dwell]) -> Axis:
    """Current where sheet and readings have it, else the command."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        return Axis(0.0, 1.0, by_command=True)
    return Axis(zero, full, by_command=not any(d.current_a == d.current_a for d in dwells))


def visits_of(dwells: Sequence[Dwell], judged: Collection[float], axis: Axis) -> list[Visit]:
    """Stays in order of time. `judged`: beginnings (unix s) of dwells whose pressure is steady and the valve's."""
    out: list[Visit] = []
    stay: list[Dwell] = []
    history = _History()
    for dwell in dwells:
        if stay and _same_stay(stay[-1], dwell):
            stay.append(dwell)
            continue
        if stay:
            out.append(_visit(stay, judged, history, axis))
        stay = [dwell]
    if stay:
        out.append(_visit(stay, judged, history, axis))
    return out


def _same_stay(last: Dwell, now: Dwell) -> bool:
    return (
        now.arrival == last.arrival
        and abs(now.demand - last.demand) < 0.5 * SAME_LEVEL
        and now.from_s - last.to_s < 1.0
        and now.producing == last.producing
    )


class _History:
    """Turning points of the loop's input, as shares of its span, as far as they are known."""

    __slots__ = ("before", "high", "low", "travel", "turns", "way")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        self.way, self.before = 0.0, NAN
        self.low, self.high = NAN, NAN
        self.turns, self.travel = 0, 0.0

    def take(self, share: float, arrival: float, *, known: bool) -> tuple[float, float]:
        """Lower and upper turning point of the loop on which a level lies that was reached by `arrival`."""
        if arrival == 0.0 or not known:
            self.forget()
            self.before = share
            return NAN, NAN
        swung = arrival * (share - self.before) < 0.0  # beyond the level and back: nobody saw where it turned
        if swung and self.way == arrival:
            self._turned(-arrival, self.before)  # and before that it turned at the level it came from
        if swung or arrival != self.way:
            self._turned(arrival, NAN if swung or self.way == 0.0 else self.before)
            self.turns += self.way != 0.0
            self.way, self.travel = arrival, 0.0
        self.travel += 0.0 if swung else abs(share - self.before)
        self.before = share
        return self.low, self.high

    def travelled(self) -> float:
        """Share of the span since the last turning point; none before one whole cycle after an interruption."""
        return self.travel if self.turns >= _CONDITIONED else 0.0

    def _turned(self, onward: float, share: float) -> None:
        if onward > 0.0:
            self.low = share
        else:
            self.high = share


def _visit(stay: Sequence[Dwell], judged: Collection[float], history: _History, axis: Axis) -> Visit:
    first = stay[0]
    if len(stay) == 1:
        demand, current, current_se = first.demand, first.current_a, first.current_se_a
    else:
        weight = sum(d.n for d in stay)
        demand = sum(d.n * d.demand for d in stay) / weight
        current = sum(d.n * d.current_a for d in stay) / weight
        current_se = sum((d.n * d.current_se_a) ** 2 for d in stay) ** 0.5 / weight
    if axis.by_command or current != current:
        current = axis.zero + min(max(demand, 0.0), 1.0) * axis.span
        current_se = axis.span * max(d.demand_se for d in stay)
    share = (current - axis.zero) / axis.span
    low, high = history.take(share, first.arrival, known=first.producing > 0.5)
    pressure, pressure_se = _pressure_of([d for d in stay if d.from_s in judged])
    oil = first.oil_degc
    if len(stay) > 1:
        oils = [d.oil_degc for d in stay if d.oil_degc == d.oil_degc]
        oil = sum(oils) / len(oils) if oils else NAN
    return Visit(
        first.from_s,
        stay[-1].to_s,
        demand,
        share,
        current,
        current_se,
        pressure,
        pressure_se,
        first.arrival,
        low,
        high,
        oil,
        history.travelled(),
    )


def _pressure_of(steady: Sequence[Dwell]) -> tuple[float, float]:
    """Mean pressure (bar) of pieces of a stay and its standard error, NaN without any."""
    if not steady:
        return NAN, NAN
    if len(steady) == 1:
        return steady[0].pressure_bar, steady[0].pressure_se_bar
    weight = sum(d.n for d in steady)
    pressure = sum(d.n * d.pressure_bar for d in steady) / weight
    return pressure, sum((d.n * d.pressure_se_bar) ** 2 for d in steady) ** 0.5 / weight


def on_loop(visits: Sequence[Visit], low: float, high: float, *, inner: bool = False) -> list[Visit]:
    """Visits that say something of a branch of the loop between shares `low` and `high`, or of one beyond it.

    A way up that began at the loop's lower end is its rising branch, wherever it had turned before, and a way down
    from its upper end the falling one: what reaches an end wipes out what was before (friction as a play, magnetic
    hysteresis as Preisach has it, from memory). Both turning points must be known all the same: after a pause one
    whole cycle conditions the valve. So is any way of more than `WELL_AWAY` from a turning point between them
    (`inner`): no element of the loop (a play, a relay of Preisach) is wider than the loop, and each has turned over
    by then.
    """
    return [
        v
        for v in visits
        if v.pressure_bar == v.pressure_bar
        and (
            (inner and v.travel > WELL_AWAY)
            or (
                v.low == v.low
                and v.high == v.high
                and (v.low <= low + SAME_END if v.arrival > 0.0 else v.high >= high - SAME_END)
            )
        )
    ]


def levels_of(visits: Sequence[Visit]) -> list[BranchLevel]:
    """Levels of both branches, by branch (rising first) and current; visits must carry a pressure."""
    out = []
    for arrival in (1.0, -1.0):
        groups: list[list[Visit]] = []
        for visit in sorted((v for v in visits if v.arrival == arrival), key=lambda v: v.share):
            if groups and visit.share - groups[-1][0].share <= SAME_LEVEL:
                groups[-1].append(visit)
            else:
                groups.append([visit])
        usual = _usual_slope(groups)
        cleaned = [_without_outliers(group, usual) for group in groups]
        out += [_level(group, _pooled_bar(cleaned, usual), usual) for group in cleaned]
    return out


def _usual_slope(groups: Sequence[Sequence[Visit]]) -> float:
    """Pressure per share of the span from level to level of one branch (bar), for levels with too few visits."""
    means = [(float(np.mean([v.share for v in g])), float(np.mean([v.pressure_bar for v in g]))) for g in groups]
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in itertools.pairwise(means)]
    return max(median_of(slopes), 0.0) if slopes else 0.0


def _levelled(group: Sequence[Visit], usual: float) -> FloatArray:
    return levelled(np.array([v.share for v in group]), np.array([v.pressure_bar for v in group]), usual)


def _without_outliers(group: list[Visit], usual: float) -> list[Visit]:
    if len(group) < 5:
        return group
    values = _levelled(group, usual)
    off = np.abs(values - median_of(values))
    spread = 1.4826 * median_of(off)
    own = median_of(v.pressure_se_bar for v in group)
    return [v for v, away in zip(group, off.tolist(), strict=True) if away <= _OUTLIER * max(spread, own)]


def _pooled_bar(groups: Sequence[Sequence[Visit]], usual: float) -> float:
    """Standard deviation between visits of one level, all levels of a branch together; 0 if none was seen twice."""
    squares, freedom = 0.0, 0
    for group in groups:
        values = _levelled(group, usual)
        squares += (len(group) - 1) * _spread(values) ** 2
        freedom += len(group) - 1
    return (squares / freedom) ** 0.5 if freedom else 0.0


def _level(group: Sequence[Visit], pooled_bar: float, usual: float) -> BranchLevel:
    n = len(group)
    rows = np.array(
        [(v.demand, v.share, v.current_a, v.current_se_a, v.pressure_bar, v.pressure_se_bar) for v in group]
    )
    demand, share, current, _, pressure, _ = (np.add.reduce(rows, axis=0) / n).tolist()
    _, _, _, own_a, _, own = np.sqrt(np.add.reduce(rows**2, axis=0) / n).tolist()
    scatter = _spread(levelled(rows[:, 1], rows[:, 4], usual))
    # With few visits their own scatter says little: what all levels show together is the steadier figure.
    spread = max(scatter if n >= 6 else pooled_bar, own)
    oils = [v.oil_degc for v in group if v.oil_degc == v.oil_degc]
    return BranchLevel(
        arrival=group[0].arrival,
        demand=demand,
        share=share,
        current_a=current,
        current_se_a=own_a / n**0.5,
        pressure_bar=pressure,
        pressure_se_bar=spread / n**0.5,
        scatter_bar=scatter,
        visits=n,
        from_s=min(v.at_s for v in group),
        to_s=max(v.to_s for v in group),
        oil_degc=sum(oils) / len(oils) if oils else NAN,
    )


def _spread(values: FloatArray) -> float:
    """Standard deviation of values, (n,), about their mean; 0 for one."""
    off = values - values.mean()
    return float(np.sqrt(off @ off / max(values.size - 1, 1)))


@cache
def _pairs(n: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Each pair of n places, once."""
    return np.triu_indices(n, 1)


def levelled(place: FloatArray, values: FloatArray, usual: float = 0.0) -> FloatArray:
    """Values at the mean of their places, (n,), for a level that is not the same each time.

    The slope is the visits' own (Theil and Sen): a median over pairs, so that a load in some does not tilt it. It is
    taken not to fall, and is the `usual` one where there are too few pairs to tell, or where it is many times that:
    places that differ by noise alone make any slope of a load at one visit.
    """
    i, j = _pairs(min(place.size, _MOST_PAIRED))
    apart = place[j] - place[i]
    far = np.abs(apart) > _APART * float(np.ptp(place))
    slope = usual
    if np.count_nonzero(far) >= _LEAST_PAIRS:
        own = max(median_of((values[j] - values[i])[far] / apart[far]), 0.0)
        slope = own if own <= _STEEPEST * usual or usual <= 0.0 else usual
    return np.asarray(values - slope * (place - place.mean()))


def stick_slip_bar(visits: Sequence[Visit]) -> float | None:
    """How much the pressure differs from one arrival at a level to the next beyond what reading it explains (bar).

    Median of absolute differences of successive visits of one level and branch, as a standard deviation; a slow drift
    cancels in it. A spool that sticks and jumps stops at another place each time. None for fewer than four
    differences. It misses a spool that always sticks at the same place; load that varies at a level which the valve
    controls reads as stick-slip.
    """
    levels: dict[tuple[int, float], list[Visit]] = {}
    for visit in visits:
        if visit.pressure_bar == visit.pressure_bar and visit.low == visit.low and visit.high == visit.high:
            levels.setdefault((round(visit.share / (2.0 * SAME_LEVEL)), visit.arrival), []).append(visit)
    steps: list[float] = []
    for group in levels.values():
        values = _levelled(group, 0.0)
        steps += np.abs(np.diff(values)).tolist()
    if len(steps) < 4:
        return None
    own = median_of([v.pressure_se_bar for group in levels.values() for v in group])
    spread = 1.4826 * median_of(steps) / 2.0**0.5
    return math.sqrt(max(spread**2 - own**2, 0.0))
