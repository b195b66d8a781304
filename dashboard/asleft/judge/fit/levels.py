"""Raw readings by level of the command, kept to be compared with the sheet, and how well they agree with it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.types import FloatArray, Samples
from asleft.judge.valve.curve import curve_of
from asleft.sheet.model import Sheet

# What is kept of the raw readings to compare them with the sheet: means by level of the command column.
#
# One reading in 0.2 s is taken. A table has a row for each interval of the command column; the width of an interval
# is a power of two, so that the table of a part is the same however the samples are cut. A wider range joins
# neighbours.
#
# Two kinds of table: of readings at rest (the sheet's ramps have caught up with the command) and of all. Live, a
# table holds about five minutes; the one before it is kept, so that the latest readings can speak alone.
#
# Misses: logs slower than one reading in 1.5 s are never at rest.

#: Columns of a table: readings, sum of the command; readings, sum and sum of squares of the current; readings, sum
#: and highest sustained value of the pressure.
N, COMMAND, N_CURRENT, CURRENT, CURRENT_2, N_PRESSURE, PRESSURE, HIGH = range(8)
_FIELDS = 8
_HALF = 64  # rows for each sign of the command

_CELL_S = 0.2
_GAP_S = 1.5
_MOVE_SHARE = 0.015  # of the largest command so far: more from one reading to the next is a move
_SETTLE_S = 0.35
_CAUTION = 1.3  # a full step of a signal with a live zero is four fifths of its largest reading
_LEFT_S = 1e-3
_OFF_SHARE = 0.3  # of the current at zero: less is a driver that is off
_PART = 1500  # readings after which a new table begins, live
_CHANNELS = ("command", "current", "pressure")


@dataclass(eq=False, frozen=True, slots=True)
class Table:
    """Sums by interval of the command: width 2 ** `exponent`, row 64 begins at 0. `rows`: shape (128, 8)."""

    exponent: int = -20
    rows: FloatArray = field(default_factory=lambda: _no_rows())

    @property
    def count(self) -> float:
        """Readings in it."""
        return float(self.rows[:, N].sum())

    def with_points(self, command: FloatArray, current: FloatArray, pressure: FloatArray, high: FloatArray) -> Table:
        """The same with further readings, each (n,), command finite, others NaN where not read."""
        if command.size == 0:
            return self
        wanted = int(np.ceil(np.log2(max(float(np.max(np.abs(command))), 1e-9) / _HALF) + 1e-9))
        table = self if wanted <= self.exponent else _widened(self, wanted)
        rows = table.rows.copy()
        at = np.clip(np.floor(command / 2.0**table.exponent).astype(np.int64), -_HALF, _HALF - 1) + _HALF
        np.add.at(rows[:, N], at, 1.0)
        np.add.at(rows[:, COMMAND], at, command)
        read = np.isfinite(current)
        np.add.at(rows[:, N_CURRENT], at[read], 1.0)
        np.add.at(rows[:, CURRENT], at[read], current[read])
        np.add.at(rows[:, CURRENT_2], at[read], current[read] ** 2)
        read = np.isfinite(pressure)
        np.add.at(rows[:, N_PRESSURE], at[read], 1.0)
        np.add.at(rows[:, PRESSURE], at[read], pressure[read])
        read = np.isfinite(high)
        np.maximum.at(rows[:, HIGH], at[read], high[read])
        return Table(table.exponent, rows)

    def and_also(self, other: Table) -> Table:
        """Both together."""
        exponent = max(self.exponent, other.exponent)
        a, b = (_widened(table, exponent).rows for table in (self, other))
        rows = a + b
        rows[:, HIGH] = np.maximum(a[:, HIGH], b[:, HIGH])
        return Table(exponent, rows)


@dataclass(frozen=True, slots=True)
class Whole:
    """Whether a column holds whole numbers only, as a converter's counts are: readings seen, of these whole ones."""

    seen: int = 0
    whole: int = 0


@dataclass(slots=True)
class FitPoints:
    """Tables of the readings and what must be remembered between calls."""

    rest: Table = field(default_factory=Table)
    every: Table = field(default_factory=Table)
    rest_before: Table = field(default_factory=Table)  # of the part before, live
    every_before: Table = field(default_factory=Table)
    whole: dict[str, Whole] = field(default_factory=dict)  # by channel
    last: dict[str, list[float]] = field(default_factory=dict)  # the last two readings taken, by channel
    taken: int = 0  # readings since the latest tables began
    last_s: float | None = None  # of the last sample
    taken_s: float | None = None  # of the last reading taken
    moved_s: float = 0.0  # when the command last moved
    behind_s: float = 0.0  # for how long a ramp of the sheet will still be behind the command
    top: float = 0.0  # largest command so far, either sign, of two readings in a row
    top_current: float = 0.0
    from_s: float | None = None  # of the first reading that is in a table
    part_from_s: float | None = None  # of the first in the latest tables


def take_points(points: FitPoints, samples: Samples, sheet: Sheet, *, live: bool) -> None:
    """Take further samples in; `points` is changed in place. `live`: old readings are forgotten."""
    time_s, command = samples.time_s, samples.channels.get("command")
    if time_s.size == 0 or command is None:
        return
    cell = np.floor(time_s / _CELL_S)
    before = cell[0] - 1.0 if points.last_s is None else np.floor(points.last_s / _CELL_S)
    points.last_s = float(time_s[-1])
    at = np.flatnonzero(np.diff(cell, prepend=before) != 0.0)
    at = at[np.isfinite(command[at])]
    while at.size:
        room = _PART - points.taken if live else at.size
        _take(points, samples, at[:room], sheet)
        at = at[room:]
        if live and points.taken >= _PART:
            _begin_part(points)


def _begin_part(points: FitPoints) -> None:
    """New tables. What was largest so far is forgotten too: it may have been in another unit."""
    points.rest_before, points.every_before = points.rest, points.every
    points.rest, points.every, points.taken = Table(), Table(), 0
    points.from_s, points.part_from_s = points.part_from_s, None
    points.top = points.top_current = 0.0
    points.whole.clear()


def _take(points: FitPoints, samples: Samples, at: npt.NDArray[np.intp], sheet: Sheet) -> None:
    """The samples at these indices, all into the same tables."""
    time_s = samples.time_s[at]
    points.taken += at.size
    points.part_from_s = float(time_s[0]) if points.part_from_s is None else points.part_from_s
    points.from_s = points.part_from_s if points.from_s is None else points.from_s
    read = {name: samples.channels[name][at] for name in _CHANNELS if name in samples.channels}
    for name, values in read.items():
        _count_whole(points, name, values)
    nothing = np.full(at.size, np.nan)
    current, pressure = read.get("current", nothing), read.get("pressure", nothing)
    rest = _at_rest(points, time_s, read["command"], sheet)
    kept = _working(points, samples, at, current, sheet)
    lined = np.concatenate((np.array(points.last.get("pressure", [np.nan, np.nan])), pressure))
    high = np.minimum(np.minimum(lined[2:], lined[1:-1]), lined[:-2])
    points.last["pressure"] = lined[-2:].tolist()
    taken = (read["command"], current, pressure, high)
    points.every = points.every.with_points(*(v[kept] for v in taken))
    points.rest = points.rest.with_points(*(v[kept & rest] for v in taken))


def _at_rest(points: FitPoints, time_s: FloatArray, command: FloatArray, sheet: Sheet) -> npt.NDArray[np.bool_]:
    """Where the command has stood long enough for a ramp of the sheet to have caught up with it, shape (n,).

    A move adds the time that the slower ramp needs for it; time passing takes from that. With s the running sum of
    needs less time, what is left is s less the lowest s so far (Lindley's recursion).
    """
    slowest_s = max(sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0))
    last = points.last.get("command", [float("nan")])[-1]
    before = np.concatenate(([last], command[:-1]))
    sustained = np.where(np.isfinite(before), np.minimum(np.abs(command), np.abs(before)), 0.0)
    top = np.maximum.accumulate(np.maximum(sustained, points.top))
    step_s = np.diff(time_s, prepend=np.nan if points.taken_s is None else points.taken_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.minimum(np.abs(command - before) / top, 1.0)
    anew = ~(step_s <= _GAP_S) | ~np.isfinite(share)
    moved = anew | (share > _MOVE_SHARE)
    need_s = np.where(anew, slowest_s, np.where(moved, _CAUTION * share * slowest_s, 0.0))
    passed_s = np.where(anew, 0.0, step_s)
    total = np.cumsum(need_s - passed_s)
    # What is left after each reading: of what was left before, and of each move since.
    left_s = np.maximum(points.behind_s + total, total - np.minimum.accumulate(total - need_s))
    moved_s = np.maximum.accumulate(np.where(moved, time_s, points.moved_s))
    points.last["command"] = [float(command[-1])]
    points.top, points.taken_s, points.moved_s = float(top[-1]), float(time_s[-1]), float(moved_s[-1])
    points.behind_s = max(float(left_s[-1]), 0.0)
    return np.asarray((left_s <= _LEFT_S) & (time_s - moved_s >= _SETTLE_S))


def _working(
    points: FitPoints, samples: Samples, at: npt.NDArray[np.intp], current: FloatArray, sheet: Sheet
) -> npt.NDArray[np.bool_]:
    """Where nothing says that driver or pump is off, shape (n,)."""
    kept = np.ones(at.size, dtype=bool)
    for name in ("enable", "pump_running"):
        if name in samples.channels:
            kept &= ~(samples.channels[name][at] < 0.5)
    last = points.last.get("current", [np.nan])[-1]
    before = np.concatenate(([last], current[:-1]))
    sustained = np.fmax(np.minimum(np.abs(current), np.abs(before)), 0.0)
    sustained[~np.isfinite(sustained)] = 0.0
    top = np.maximum.accumulate(np.maximum(sustained, points.top_current))
    points.last["current"], points.top_current = [float(current[-1])], float(top[-1])
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is not None and full is not None and zero > 0.15 * full:
        kept &= ~(np.abs(current) < _OFF_SHARE * zero / full * top)
    return kept


def _count_whole(points: FitPoints, name: str, values: FloatArray) -> None:
    finite = values[np.isfinite(values)]
    known = points.whole.get(name, Whole())
    points.whole[name] = Whole(known.seen + finite.size, known.whole + int(np.sum(finite == np.round(finite))))


def _no_rows() -> FloatArray:
    rows = np.zeros((2 * _HALF, _FIELDS))
    rows[:, HIGH] = -np.inf
    return rows


def _widened(table: Table, exponent: int) -> Table:
    """The same readings in intervals of width 2 ** `exponent`, which is no narrower."""
    if exponent == table.exponent or not table.rows[:, N].any():
        return Table(exponent, table.rows)
    rows = _no_rows()
    held = np.flatnonzero(table.rows[:, N])
    at = np.floor((held - _HALF) / 2.0 ** (exponent - table.exponent)).astype(np.int64) + _HALF
    np.add.at(rows, at, np.where(np.arange(_FIELDS) == HIGH, 0.0, table.rows[held]))
    np.maximum.at(rows[:, HIGH], at, table.rows[held, HIGH])
    return Table(exponent, rows)


_LEAST_READINGS = 3.0
_STILL = 1e-6  # of the largest current: no noise, as far as sums can tell
_MOST_WEIGHT = 50.0  # readings at one level count up to so many: a machine that idles is not judged by that alone
#: Shares of the weight: what agrees must agree nearly everywhere, what does not must be off in a quarter at least.
_AGREES, _OFF = 0.9, 0.75
#: A command may go beyond the ends of its range by this share before it speaks against the reading of it.
_BEYOND = 0.06


@dataclass(eq=False, frozen=True, slots=True)
class Levels:
    """Means at each level, shape (m,): command, current and pressure as read, NaN where not read.

    `current_sd`: spread of the current within a level. `high`: highest pressure sustained there. `at_rest`: whether
    only readings after a rest of the command are in it.
    """

    weight: FloatArray
    command: FloatArray
    current: FloatArray
    current_sd: FloatArray
    pressure: FloatArray
    high: FloatArray
    at_rest: bool

    @property
    def spread(self) -> float:
        """Distance of the highest from the lowest level (command as read); 0 without levels."""
        return float(np.ptp(self.command)) if self.command.size else 0.0

    def swapped(self, one: str, other: str) -> Levels:
        """The same with two columns taken for each other."""
        values = {"command": self.command, "current": self.current, "pressure": self.pressure}
        taken = {**values, one: values[other], other: values[one]}
        high = self.high if "pressure" not in (one, other) else taken["pressure"]
        command, current, pressure = taken["command"], taken["current"], taken["pressure"]
        return replace(self, command=command, current=current, pressure=pressure, high=high)


def levels_of(table: Table, *, at_rest: bool) -> Levels:
    """From a table; levels with fewer than three readings are left out."""
    rows = table.rows[table.rows[:, N] >= _LEAST_READINGS]
    n = rows[:, N]
    with np.errstate(divide="ignore", invalid="ignore"):
        current = rows[:, CURRENT] / rows[:, N_CURRENT]
        variance = rows[:, CURRENT_2] / rows[:, N_CURRENT] - current**2
        pressure = rows[:, PRESSURE] / rows[:, N_PRESSURE]
        high = np.where(np.isfinite(rows[:, HIGH]), rows[:, HIGH], pressure)
        command = rows[:, COMMAND] / n
    spread = np.sqrt(np.maximum(variance, 0.0))
    current = np.where(_saturated(current, spread), np.nan, current)
    return Levels(np.minimum(n, _MOST_WEIGHT), command, current, spread, pressure, high, at_rest)


def _saturated(current: FloatArray, spread: FloatArray) -> npt.NDArray[np.bool_]:
    """Levels at which the current's reading stands at its highest value without any noise, where others have some."""
    read = np.isfinite(current)
    none = np.zeros(current.size, dtype=bool)
    if read.sum() < 4:
        return none
    top = float(np.max(np.abs(current[read])))
    still = read & (spread <= _STILL * top)
    stands = still & (np.abs(current) >= (1.0 - _STILL) * top)
    return stands if (read & ~still).sum() >= 3 else none


def share_at(values: FloatArray, weight: FloatArray, share: float) -> float:
    """Weighted quantile; infinite without values."""
    if values.size == 0:
        return float("inf")
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][int(np.searchsorted(total, share * total[-1]))])


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far readings lie from the sheet, as shares of the span.

    `most`: nine tenths of the weight lie within it. `off`: a quarter of the weight lies beyond it. `spread`: of the
    demand that was seen, in its range.
    """

    most: float
    off: float
    spread: float
    levels: int


NO_AGREEMENT = Agreement(float("inf"), 0.0, 0.0, 0)


def current_agreement(sheet: Sheet, demand: FloatArray, current: FloatArray, weight: FloatArray) -> Agreement:
    """Of a current (A) with the straight line between the sheet's ends; demand outside its range counts as far."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    known = np.isfinite(demand) & np.isfinite(current)
    if zero is None or full is None or known.sum() < 2:
        return NO_AGREEMENT
    u, i, w = demand[known], current[known], weight[known]
    inside = np.clip(u, 0.0, 1.0)
    beyond = np.maximum(np.abs(u - inside) - _BEYOND, 0.0)
    far = np.abs(i - zero - inside * (full - zero)) / (full - zero) + beyond
    return Agreement(share_at(far, w, _AGREES), share_at(far, w, _OFF), float(np.ptp(inside)), int(known.sum()))


def expected_bar(sheet: Sheet, demand: FloatArray) -> FloatArray | None:
    """Pressure by the sheet at these demands; None where it gives none or the valve does not control pressure."""
    top = sheet.as_left.get("pressure_at_full")
    if sheet.controls != "pressure" or top is None:
        return None
    curve = curve_of(sheet)
    if curve is None:  # without a pressure at zero: a line through nothing, which is near enough here
        return np.clip(demand, 0.0, 1.0) * top
    zero, full = sheet.as_left.get("current_at_zero", 0.0), sheet.as_left.get("current_at_full", 1.0)
    return curve.pressure_at(zero + np.clip(demand, 0.0, 1.0) * (full - zero))


@dataclass(frozen=True, slots=True)
class PressureAgreement:
    """Of a pressure with the sheet's characteristic, where a load may hold it lower than the valve would.

    `above`: share of the weight that lies above it. `on`: share that lies on it. `off`: median distance of what lies
    on it, share of full. `spread`: of the demand of what lies on it. `ratio`: median of highest pressure over that of
    the sheet, where the sheet has at least a quarter of full; NaN where not seen.
    """

    above: float
    on: float
    off: float
    spread: float
    ratio: float
    levels: int


def pressure_agreement(
    sheet: Sheet, demand: FloatArray, levels: Levels, scale: float = 1.0, offset: float = 0.0, *, near: float = 0.12
) -> PressureAgreement | None:
    """Of pressure = offset + scale * reading; `near` is what counts as on the characteristic, share of full."""
    expected = expected_bar(sheet, demand)
    known = np.isfinite(levels.pressure) & np.isfinite(demand)
    if expected is None or known.sum() < 2:
        return None
    full = sheet.as_left["pressure_at_full"]
    mean, high = (offset + scale * values[known] for values in (levels.pressure, levels.high))
    wanted, weight, u = expected[known], levels.weight[known], np.clip(demand[known], 0.0, 1.0)
    total = float(weight.sum())
    above = mean > wanted + near * full
    on = ~above & ((high if levels.at_rest else mean + near * full) >= wanted - near * full)
    tall = wanted >= 0.25 * full
    best = np.clip(wanted, np.minimum(mean, high), np.maximum(mean, high))
    return PressureAgreement(
        float(weight[above].sum()) / total,
        float(weight[on].sum()) / total,
        float(np.median(np.abs(best[on] - wanted[on]))) / full if on.any() else float("inf"),
        float(np.ptp(u[on])) if on.any() else 0.0,
        float(np.median(high[tall] / wanted[tall])) if tall.any() else float("nan"),
        int(on.sum()),
    )
