"""When a quantity left its place: change points in what single segments and points of history say."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from asleft.judge.driver.currents import AT_ZERO, usable
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.features import Dwell
from asleft.judge.medians import median_of
from asleft.judge.outer import carried
from asleft.judge.types import FloatArray
from asleft.judge.valve.end_pressure import FARTHEST
from asleft.judge.valve.pressure import BEYOND, LevelKey, ceiling_bar, key_of
from asleft.judge.valve.together import left_together, moved_together
from asleft.sheet.model import Sheet, Tolerance

_LEAST_AFTER = 4
_LEAST_RUN, _APART, _BETWEEN = 3, 0.75, 0.1
#: Share of its squared scatter from which a step or a creep explains a series; values that show a creep, and share
#: where these are few.
_EXPLAINED, _FEW_CREEP, _FEW_EXPLAINED, _FEWEST_EXPLAINED = 0.8, 5, 0.99, 0.995
#: Strokes that are few, and the standard uncertainty (share of the tolerance) of those of them that tell a ramp best.
_FEW_STROKES, _SHARP = 12, 0.05
#: Values up to which a creep may begin between two of them (of more, one lies next to where it does), and parts of
#: the time between two that are tried.
_FEW_BREAKS, _PARTS = 60, 16
#: Quantities that single segments tell well enough to see one come and go, or creep, within the segments at hand.
#: Ramps that come and go are told with the ramp itself (`one_ramp.at_times`).
COMES_AND_GOES = frozenset(
    {"current_at_zero", "current_at_full", "pressure_at_zero", "pressure_at_full", "supply_voltage"}
)
CREEPS = COMES_AND_GOES | {"ramp_up", "ramp_down"}
#: Standard uncertainty of a stroke's own ramp up to which it tells one alone (share of the tolerance).
_TELLS = 0.5
_ONE_LEVEL = 0.02
#: Last visits of a pressure that all levels left, and by how many standard deviations of those before.
_LEAST_LATE, _LEFT = 2, 6.0
#: Visits that are enough where other levels moved with them; the chance that these did so by themselves.
_FEW_VISITS, _CURRENTS_BY_CHANCE = 2, 1e-2
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
    if abs(after - before) <= 0.5 * tolerance or gain < _EXPLAINED * scatter or y.size - best - 1 < _LEAST_AFTER:
        return None
    return series[best + 1][0]


def motion_within(series: Sequence[tuple[float, float]], tolerance: float) -> tuple[float | None, Creep | None]:
    """How the series creeps (`creep_within`), else the time of a step (`step_within`).

    A creep over half of the readings is a step to four fifths, but where it ends is not the mean after that step.
    """
    creep = creep_within(series, tolerance)
    return (step_within(series, tolerance), None) if creep is None else (None, creep)


class Creep(NamedTuple):
    """A series that runs at its end.

    `since_s`: from when on it has moved no further than a quarter of a tolerance; `per_s`: how fast it runs;
    `begins_s`: from when on; `moved`: how far; `end`: where it is.
    """

    since_s: float
    per_s: float
    begins_s: float
    moved: float
    end: float


def creep_within(series: Sequence[tuple[float, float]], tolerance: float) -> Creep | None:
    """How a series runs at its end, if it has moved by more than half a tolerance on its way; None if it has not.

    A level and then a line must explain 80 % of the scatter, and more than a step does, and at least four of eight
    values must lie on the line; or three of six, where it leaves a hundredth of the scatter, or three of five, where
    it leaves half of that.
    """
    if len(series) < _FEW_CREEP or not math.isfinite(tolerance):
        return None
    t, y = np.array([at for at, _ in series]), np.array([value for _, value in series])
    scatter = float(np.sum((y - y.mean()) ** 2))
    breaks = _breaks(t)
    ways = np.maximum(t[None, :] - breaks[:, None], 0.0)
    means = ways.mean(axis=1, keepdims=True)
    ways = ways - means
    across = np.sum(ways * ways, axis=1)
    slopes = ways @ (y - y.mean()) / np.where(across > 0.0, across, np.inf)
    best = int(np.argmax(slopes**2 * across))
    slope, begins_s = float(slopes[best]), float(breaks[best])
    moved = slope * float(t[-1] - begins_s)
    explained, after = float((slopes**2 * across)[best]), min(int(np.sum(t > begins_s)), _LEAST_AFTER)
    least = _FEW_EXPLAINED if after < _LEAST_AFTER or t.size < 2 * _LEAST_AFTER else _EXPLAINED
    least = _FEWEST_EXPLAINED if t.size == _FEW_CREEP else least
    if scatter <= 0.0 or explained < least * scatter or abs(moved) <= 0.5 * tolerance:
        return None
    if best_split(y)[3] >= explained:
        return None
    end = float(y.mean()) + slope * (float(t[-1] - begins_s) - float(means[best, 0]))
    since_s = float(min(t[-1] - _HOME * tolerance / abs(slope), t[-after]))
    return Creep(since_s, slope, begins_s, moved, end)


def _breaks(at_s: FloatArray) -> FloatArray:
    """Where a level may end and a line begin, with three values after it; between few values in parts too."""
    breaks = at_s[: at_s.size - _LEAST_AFTER + 1]
    if at_s.size > _FEW_BREAKS:
        return breaks
    parts = np.arange(_PARTS * breaks.size) / _PARTS
    return np.asarray(np.interp(parts, np.arange(at_s.size), at_s))


class Times(NamedTuple):
    """When a value was beyond its tolerance, and since when it stands as it does now (None: only just)."""

    at_s: frozenset[float]
    since_s: float | None


def times_beyond(
    series: Sequence[tuple[float, float]],
    left: float,
    below: float,
    above: float,
    *,
    loaded: bool = False,
    least: int = _LEAST_RUN,
) -> Times | None:
    """When a value that comes and goes was beyond its tolerance; None where it does not.

    Three values (`least`) or more must lie beyond, close together, and off those inside by most of a tolerance and by
    clearly more than these scatter. `loaded`: a load may make lower values at every other visit, so below its
    tolerance a value counts only in runs of three or more.
    """
    if len(series) < least + _LEAST_RUN:
        return None
    off = np.array([value for _, value in series]) - left
    inside = off[(off >= -below) & (off <= above)]
    if inside.size < _LEAST_RUN:
        return None
    scatter = 1.4826 * median_of(np.abs(inside - median_of(inside)))
    sides = [off > above + 3.0 * scatter, off < -below - 3.0 * scatter]
    beyond = max(sides, key=np.count_nonzero)
    if np.count_nonzero(beyond) < least:
        return None
    there = off[beyond]
    apart = abs(median_of(there) - median_of(inside))
    spread = 1.4826 * median_of(np.abs(there - median_of(there)))
    near = 0.25 * apart
    if apart <= _APART * min(below, above) or max(spread, scatter) > near:
        return None
    if _between(off, median_of(inside), median_of(there), near) > _BETWEEN * np.count_nonzero(beyond):
        return None  # no two places: it is the tail of what scatters
    cuts = [0, *(np.flatnonzero(np.diff(beyond)) + 1).tolist(), beyond.size]
    lengths = np.diff(cuts)
    if loaded and median_of(there) < 0.0 and int(lengths[1:-1].min(initial=_LEAST_RUN)) < _LEAST_RUN:
        return None
    since_s = series[cuts[-2]][0] if lengths[-1] >= 2 else None
    return Times(frozenset(series[k][0] for k in np.flatnonzero(beyond).tolist()), since_s)


def _between(values: FloatArray, one: float, other: float, near: float) -> int:
    """How many values (n,) lie near neither of two places, but for those over which it changed from one to the other.

    A segment in which it changes is the mean of before and after, and stands alone between the two.
    """
    place = np.where(np.abs(values - one) <= near, 1, np.where(np.abs(values - other) <= near, -1, 0))
    changes = np.zeros(values.size, dtype=bool)
    changes[1:-1] = (place[1:-1] == 0) & (place[:-2] * place[2:] < 0)
    return int(np.count_nonzero((place == 0) & ~changes))


def times_of(
    name: str, series: Sequence[tuple[float, float]], sheet: Sheet, seen: Seen, found: AsFound
) -> Times | None:
    """When a quantity that comes and goes was beyond its tolerance (`times_beyond`); None where it does not.

    A pressure that is low at single visits is a load's, but for one that takes the other levels with it. So may two
    visits of a pressure or a current be enough.
    """
    left, tolerance = sheet.as_left.get(name), sheet.tolerance.get(name)
    if name not in COMES_AND_GOES or left is None or tolerance is None:
        return None
    loaded = name.startswith("pressure")
    times = times_beyond(series, left, tolerance.below, tolerance.above, loaded=loaded)
    if times is None and name != "supply_voltage":
        times = times_beyond(series, left, tolerance.below, tolerance.above, least=_FEW_VISITS)
        if times is None:
            return None
        together = (
            _others_moved(series, times.at_s, sheet, found)
            if loaded
            else _currents_moved(series, times.at_s, sheet, seen, found)
        )
        times = times if together else None
    return times


def left_lately(name: str, series: Sequence[tuple[float, float]], sheet: Sheet, found: AsFound) -> float | None:
    """Since when a pressure stands on another place than at all visits before, and every other level with it.

    Two visits are enough, where a step by itself takes four: what takes all levels with it is no load. So are two
    before it that are as left. None where it has not left, by most of a tolerance and by clearly more than the visits
    before scatter.
    """
    tolerance, left = sheet.tolerance.get(name), sheet.as_left.get(name)
    if not name.startswith("pressure") or tolerance is None or left is None:
        return None
    y = np.array([value for _, value in series])
    for last in range(_LEAST_LATE, y.size - _LEAST_LATE + 1):
        before, after = y[:-last], y[-last:]
        if before.size < _LEAST_AFTER and np.any(
            np.abs(before - left) > _HOME * min(tolerance.below, tolerance.above)
        ):
            continue
        place = median_of(before)
        spread = 1.4826 * median_of(np.abs(before - place))
        limit = max(_APART * min(tolerance.below, tolerance.above), _LEFT * spread)
        side = np.sign(after[-1] - place)
        if np.all(side * (after - place) > limit) and np.all(np.abs(before - place) <= limit):
            off_s = {at for at, _ in series[-last:]}
            return left_together(found.judged_pressure, _visits(series, found), off_s, sheet)
    return None


def _others_moved(
    series: Sequence[tuple[float, float]], off_s: Collection[float], sheet: Sheet, found: AsFound
) -> bool:
    """Whether other pressures moved with those of a series (`together`) whose segments at `off_s` were off."""
    return moved_together(found.judged_pressure, _visits(series, found), off_s, sheet)


def _currents_moved(
    series: Sequence[tuple[float, float]], off_s: Collection[float], sheet: Sheet, seen: Seen, found: AsFound
) -> bool:
    """The same of currents, above that at zero: no load holds one down, so less is asked of chance."""
    if found.line is None:
        return False
    line, of_series = found.line, {at for at, _ in series}
    span_a = line.at_full_a - line.at_zero_a
    straight = replace(sheet, as_left={**sheet.as_left, "pressure_at_zero": 0.0, "pressure_at_full": span_a})
    own_a = _scatter_a([d for d in seen.dwells if usable(d, sheet)])
    rows = [
        d._replace(pressure_bar=d.current_a - line.at_zero_a, pressure_se_bar=own_a, current_a=math.nan)
        for d in seen.dwells
        if usable(d, sheet)
    ]
    visits = [d for d in rows if d.from_s in of_series]
    return moved_together(rows, visits, off_s, straight, by_chance=_CURRENTS_BY_CHANCE)


def _scatter_a(dwells: Sequence[Dwell]) -> float:
    """Robust standard deviation of currents at one command and arrival (A), all levels together."""
    levels: dict[LevelKey, list[float]] = {}
    for dwell in dwells:
        levels.setdefault(key_of(dwell), []).append(dwell.current_a)
    off = np.concatenate([np.abs(np.array(group) - median_of(group)) for group in levels.values()])
    return 1.4826 * median_of(off)


def _visits(series: Sequence[tuple[float, float]], found: AsFound) -> list[Dwell]:
    of_series = {at for at, _ in series}
    return [d for d in found.judged_pressure if d.from_s in of_series]


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


def _nearest(dwells: Sequence[Dwell], end: float) -> list[Dwell]:
    """Dwells at the level that lies nearest to an end of the command, as far as it tells that end."""
    near = [d for d in dwells if abs(d.demand - end) <= FARTHEST]
    at_zero = [d for d in near if d.demand <= 2.0 * AT_ZERO] if end == 0.0 else []
    if len(at_zero) >= 2 * _LEAST_AFTER:  # what lies just above may lie beyond a jump of the driver
        return at_zero
    nearest = min((abs(d.demand - end) for d in near), default=0.0)
    return [d for d in near if abs(d.demand - end) <= nearest + _ONE_LEVEL]


def _carry_bar(sheet: Sheet, demand: float, end: float) -> float:
    """What the pressure changes by along the as-left curve from a level to an end (bar); 0 where it is not known."""
    within = -BEYOND <= demand <= 1.0 + BEYOND
    there, here = (ceiling_bar(sheet, min(max(at, 0.0), 1.0) if within else at, 0.0) for at in (end, demand))
    return 0.0 if there is None or here is None else there - here


def _ramp_series(k: int, tolerance: Tolerance | None, seen: Seen) -> list[tuple[float, float]]:
    """Ramp up (`k` = 0) or down (1) of single strokes; only of those that tell one well, where these are enough.

    Of few strokes those that tell one to a twentieth of the tolerance do, for a creep shows in no others.
    """
    strokes = [s for s in seen.strokes if s.excluded < 0.5 and (s.active_up_s, s.active_down_s)[k] > 0.03]
    if tolerance is not None:
        least = 1.0 / (_TELLS * min(tolerance.below, tolerance.above)) ** 2
        well = [s for s in strokes if (s.h00, s.h11)[k] > least]
        sharp = [s for s in strokes if (s.h00, s.h11)[k] > least * (_TELLS / _SHARP) ** 2]
        if len(strokes) < _FEW_STROKES and len(sharp) >= _FEW_CREEP and sharp[-1].from_s >= strokes[-1].from_s:
            strokes = sharp
        strokes = well if len(well) >= 2 * _LEAST_AFTER and strokes is not sharp else strokes
    return [(s.from_s, (s.own_up_s, s.own_down_s)[k]) for s in strokes]


def feature_series(name: str, sheet: Sheet, seen: Seen, found: AsFound) -> list[tuple[float, float]]:
    """What single segments say of a quantity, (unix s, value), oldest first; empty where they say nothing alone."""
    if name in {"ramp_up", "ramp_down"}:
        return _ramp_series(0 if name == "ramp_up" else 1, sheet.tolerance.get(name), seen)
    if name in {"current_at_zero", "current_at_full"}:
        end = 0.0 if name.endswith("zero") else 1.0
        if found.slow:
            return carried(seen.dwells, found.line, end)
        settled = [d for d in seen.dwells if usable(d, sheet)]
        slope = found.line.at_full_a - found.line.at_zero_a if found.line is not None else 0.0
        return [(d.from_s, d.current_a + slope * (end - d.demand)) for d in _nearest(settled, end)]
    if name.startswith("pressure"):
        end, arrival = (0.0, -1.0) if name.endswith("zero") else (1.0, 1.0)
        arrived = [d for d in found.judged_pressure if d.arrival == arrival]
        return [(d.from_s, d.pressure_bar + _carry_bar(sheet, d.demand, end)) for d in _nearest(arrived, end)]
    if name == "hysteresis":
        return found.characteristic.series
    if name == "dither_amplitude":
        return [(b.at_s, b.amplitude_a) for b in seen.bursts]
    if name == "supply_voltage":
        return [(d.from_s, d.supply_v) for d in seen.dwells if d.producing > 0.5 and np.isfinite(d.supply_v)]
    return []
