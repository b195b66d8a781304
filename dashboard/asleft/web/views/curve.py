"""Pressure against current: steady stretches of production, rising and falling, over the curve of commissioning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.types import State, StateInterval
from asleft.sheet.model import Sheet
from asleft.web.source import Source

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LOOK_BACK_NS = 7 * 86_400 * 10**9
WINDOW_NS = 600 * 10**9
STEADY_NS = 250_000_000
STEADY_SPAN = 0.02  # of the current span, and of full pressure: more movement than this is not steady
MOVED_SPAN = 0.03  # of the current span: less is no change of direction
MOST_DOTS = 300


@dataclass(eq=False, frozen=True)
class CurveView:
    """Dots of production over the commissioned curve. All arrays in A and bar."""

    rising_a: FloatArray
    rising_bar: FloatArray
    falling_a: FloatArray
    falling_bar: FloatArray
    left_a: FloatArray
    left_rising_bar: FloatArray
    left_falling_bar: FloatArray
    tolerance_bar: tuple[float, float] | None  # below and above
    basis: str  # of the curve
    seen: str  # of the dots

    @property
    def band_bar(self) -> tuple[FloatArray, FloatArray] | None:
        """Lowest and highest pressure within tolerance at each current of the curve; None without a tolerance."""
        if self.tolerance_bar is None or not self.left_a.size:
            return None
        below, above = self.tolerance_bar
        lower = np.minimum(self.left_rising_bar, self.left_falling_bar) - below
        return lower, np.maximum(self.left_rising_bar, self.left_falling_bar) + above

    @property
    def empty(self) -> bool:
        """Neither dots nor a curve."""
        return not (self.rising_a.size or self.falling_a.size or self.left_a.size)


def curve_view(source: Source, valve: str) -> CurveView | None:
    """From raw readings of the last ten minutes of production; None where the valve has no current or pressure."""
    now = source.now_ns()
    producing = last_production(source, valve, now)
    # What was produced is held against the sheet of its time, and not mixed with what came before a revision.
    sheet = source.sheet(valve, now if producing is None else producing[1])
    if producing is not None and sheet is not None and sheet.revision.at is not None:
        producing = (max(producing[0], round(sheet.revision.at.timestamp() * 1e9)), producing[1])
    left_a, rising, falling, basis = as_left_curve(sheet)
    sides = sheet.tolerance.get("pressure_at_full") if sheet is not None else None
    tolerance = (
        (sides.below, sides.above) if sides is not None and np.isfinite([sides.below, sides.above]).all() else None
    )
    none = np.empty(0)
    if producing is None:
        if not left_a.size:
            return None
        return CurveView(
            none, none, none, none, left_a, rising, falling, tolerance, basis, "No production in the last week."
        )
    from_ns, to_ns = producing
    stored = source.samples.samples(valve, from_ns, to_ns)
    current, pressure = stored.channels.get("current"), stored.channels.get("pressure")
    if current is None or pressure is None:
        return None
    # Stops and set-ups inside the window say nothing of the characteristic.
    current = np.where(_within(stored.time_ns, source.records.intervals(valve, from_ns, to_ns)), current, np.nan)
    if stored.time_ns.size:
        from_ns = max(from_ns, int(stored.time_ns[0]))  # no readings are kept of before
    at_a, at_bar, up = steady_dots(stored.time_ns, current, pressure)
    seen = (
        f"Production from {source.time.moment(from_ns, now)} to {source.time.moment(to_ns, now)}, steady stretches."
    )
    return CurveView(at_a[up], at_bar[up], at_a[~up], at_bar[~up], left_a, rising, falling, tolerance, basis, seen)


def _within(time_ns: npt.NDArray[np.int64], intervals: Sequence[StateInterval]) -> BoolArray:
    """Which instants lie in a producing interval, shape (n,)."""
    inside = np.zeros(time_ns.size, dtype=bool)
    for one in intervals:
        if one.state is State.PRODUCING:
            inside |= (time_ns >= round(one.from_s * 1e9)) & (time_ns <= round(one.to_s * 1e9))
    return inside


def steady_dots(
    time_ns: npt.NDArray[np.int64], current_a: FloatArray, pressure_bar: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Mean current and pressure of quarter seconds in which neither moves, and whether the current last rose.

    Those before the first movement belong to no branch and are left out.

    Returns three arrays of one shape (k,), k <= `MOST_DOTS`, evenly chosen.
    """
    ok = np.isfinite(current_a) & np.isfinite(pressure_bar)
    time_ns, current_a, pressure_bar = time_ns[ok], current_a[ok], pressure_bar[ok]
    if time_ns.size < 2:
        return np.empty(0), np.empty(0), np.empty(0, bool)
    starts = np.flatnonzero(np.diff(time_ns // STEADY_NS, prepend=-1))
    counts = np.diff(np.append(starts, time_ns.size))
    mean_a = np.add.reduceat(current_a, starts) / counts
    mean_bar = np.add.reduceat(pressure_bar, starts) / counts
    range_a = np.maximum.reduceat(current_a, starts) - np.minimum.reduceat(current_a, starts)
    range_bar = np.maximum.reduceat(pressure_bar, starts) - np.minimum.reduceat(pressure_bar, starts)
    span_a = max(float(np.ptp(mean_a)), 1e-6)
    most_bar = max(float(np.max(np.abs(mean_bar))), 1e-6)
    way = _direction(mean_a, MOVED_SPAN * span_a)
    # Neighbours must agree too: a quarter second may fall wholly within a slow approach.
    slope = np.abs(np.gradient(mean_bar)) if mean_bar.size > 1 else np.zeros(1)
    steady = (counts >= 3) & (range_bar < STEADY_SPAN * most_bar) & (slope < STEADY_SPAN / 4 * most_bar)
    steady &= range_a < max(STEADY_SPAN * span_a * 2, 3 * float(np.median(range_a)))
    steady &= np.abs(np.gradient(mean_a)) < STEADY_SPAN * span_a if mean_a.size > 1 else True
    index = np.flatnonzero(steady & (way != 0))
    if index.size > MOST_DOTS:
        index = index[np.linspace(0, index.size - 1, MOST_DOTS).round().astype(int)]
    return mean_a[index], mean_bar[index], way[index] > 0


def _direction(mean_a: FloatArray, least_a: float) -> npt.NDArray[np.int8]:
    """1 where the last movement of at least `least_a` went up, -1 where down, 0 before the first.

    A pointer dragged along with play on either side: it moves only when the current has crossed the play.
    """
    way = np.zeros(mean_a.size, dtype=np.int8)
    pointer, now = float(mean_a[0]), 0
    for index, value in enumerate(mean_a.tolist()):
        dragged = min(max(pointer, value - least_a / 2), value + least_a / 2)
        if dragged != pointer:
            now = 1 if dragged > pointer else -1
        pointer = dragged
        way[index] = now
    return way


def last_production(source: Source, valve: str, now_ns: int) -> tuple[int, int] | None:
    """The ten minutes before production was last seen, unix ns; None where there was none in a week."""
    intervals = source.records.intervals(valve, now_ns - LOOK_BACK_NS, now_ns)
    producing = [i for i in intervals if i.state is State.PRODUCING]
    if not producing:
        return None
    to_ns = round(producing[-1].to_s * 1e9)
    return to_ns - WINDOW_NS, to_ns + 1


def as_left_curve(sheet: Sheet | None) -> tuple[FloatArray, FloatArray, FloatArray, str]:
    """Current (A), pressure rising and falling (bar), shapes (n,), of the sheet, and its basis in words."""
    none = np.empty(0)
    if sheet is None:
        return none, none, none, "No sheet, so no curve to compare with."
    if sheet.characteristic is not None:
        c = sheet.characteristic
        basis = "Curve recorded at commissioning."
        return np.array(c.current_a), np.array(c.rising_bar), np.array(c.falling_bar), basis
    ends = ("current_at_zero", "current_at_full", "pressure_at_zero", "pressure_at_full")
    if all(name in sheet.as_left for name in ends):
        i0, i1, p0, p1 = (sheet.as_left[name] for name in ends)
        line = np.array([p0, p1])
        return np.array([i0, i1]), line, line, "No curve in the sheet: a straight line between its two pressures."
    return none, none, none, "The sheet holds no curve."
