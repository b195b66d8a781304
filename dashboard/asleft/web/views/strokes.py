"""Ramps as they were run: the like strokes of the last production laid over one another, with what the sheet expects.

Strokes differ in height, and a ramp's time is of the full span: those of one height are shown, the tallest there is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sheet.model import Sheet
from asleft.store.protocols import StoredSamples
from asleft.web.source import Source
from asleft.web.views.curve import last_production
from asleft.web.views.expected import expected_in, lead_in_ns
from asleft.web.views.revisions import InForce

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

LEAST_SHARE = 0.2  # of the span: what moves less is no stroke
ALIKE_SHARE = 0.04  # of the span: ends as near as this are the same
SLOW_SHARE = 0.3  # of the ramp's slope: slower is no ramp
MOST = 12
_BEFORE, _AFTER = 0.25, 0.8  # of the stroke's own length, shown before and after it
_MOST_POINTS = 160


@dataclass(frozen=True)
class Stroke:
    """One ramp: seconds since it began and the current, measured and expected (A), all of one shape."""

    time_s: FloatArray
    measured_a: FloatArray
    expected_a: FloatArray


@dataclass(frozen=True)
class StrokesView:
    """Strokes one way between the same two currents."""

    rising: bool
    from_a: float
    to_a: float
    strokes: list[Stroke]
    words: str


def strokes_views(source: Source, valve: str) -> list[StrokesView]:
    """Rising, then falling, each only where there are some; from readings of the last ten minutes of production."""
    now = source.now_ns()
    sheet, span = source.sheet(valve, now), last_production(source, valve, now)
    if sheet is None or span is None:
        return []
    pieces = [InForce(span[0], span[1], sheet)]
    stored = source.samples.samples(valve, span[0] - lead_in_ns(pieces), span[1])
    expected = expected_in(pieces, stored)
    if expected is None or "current" not in stored.channels:
        return []
    seen = f"from {source.time.moment(span[0], now)} to {source.time.moment(span[1], now)}"
    views = (_view(sheet, stored, expected.time_ns, expected.values, seen, rising=up) for up in (True, False))
    return [view for view in views if view is not None]


def _view(
    sheet: Sheet, stored: StoredSamples, time_ns: Int64Array, expected_a: FloatArray, seen: str, *, rising: bool
) -> StrokesView | None:
    ramp_s = sheet.as_left.get("ramp_up" if rising else "ramp_down")
    width_a = sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"]
    if not ramp_s:
        return None
    at_s = (time_ns - time_ns[0]) / 1e9
    measured = np.interp(at_s, (stored.time_ns - time_ns[0]) / 1e9, stored.channels["current"])
    found = [
        (a, b)
        for a, b in runs(at_s, expected_a, SLOW_SHARE * width_a / ramp_s, rising=rising)
        if abs(expected_a[b] - expected_a[a]) >= LEAST_SHARE * width_a
    ]
    if not found:
        return None
    tallest = max(found, key=lambda ends: abs(expected_a[ends[1]] - expected_a[ends[0]]))
    from_a, to_a = float(expected_a[tallest[0]]), float(expected_a[tallest[1]])
    near = ALIKE_SHARE * width_a
    alike = [(a, b) for a, b in found if abs(expected_a[a] - from_a) < near and abs(expected_a[b] - to_a) < near]
    strokes = [_stroke(at_s, measured, expected_a, a, b) for a, b in alike[-MOST:]]
    way = "up" if rising else "down"
    words = (
        f"Ramp {way}, {len(strokes)} of {len(alike)} strokes from {from_a:.3f} to {to_a:.3f} A, {seen}, laid over "
        f"one another. Dashed: expected of the measured command and the sheet, {ramp_s:.2f} s over the full span."
    )
    return StrokesView(rising, from_a, to_a, strokes, words)


def runs(time_s: FloatArray, values: FloatArray, least_slope: float, *, rising: bool) -> list[tuple[int, int]]:
    """First and last index of each stretch that moves one way at least so fast (a unit a second), and is whole.

    A stretch that begins or ends at either end of the arrays is left out: nobody saw all of it.
    """
    if values.size < 3:
        return []
    slope = np.diff(values) / np.diff(time_s) * (1.0 if rising else -1.0)
    moving = np.concatenate([[False], slope > least_slope, [False]])
    edges = np.flatnonzero(np.diff(moving.astype(np.int8)))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(a, b) for a, b in pairs if a > 0 and b < values.size - 1]


def _stroke(time_s: FloatArray, measured: FloatArray, expected: FloatArray, first: int, last: int) -> Stroke:
    long_s = time_s[last] - time_s[first]
    low, high = np.searchsorted(time_s, [time_s[first] - _BEFORE * long_s, time_s[last] + _AFTER * long_s])
    step = max(1, int(high - low) // _MOST_POINTS)
    cut = slice(int(low), int(high), step)
    return Stroke(time_s[cut] - time_s[first], measured[cut], expected[cut])
