"""Recent ramps laid over one another: how far the current has come against time, as if each crossed the full span."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.types import State
from asleft.sheet.model import Sheet, Tolerance
from asleft.web.source import Source

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

LOOK_BACK_NS = 7 * 86_400 * 10**9
WINDOW_NS = 900 * 10**9
#: Strokes shown either way, the newest that are at least half as long as the longest.
MOST_STROKES = 6
LEAST_STROKE = 0.1  # of the full span
JUMP_S = 0.2  # a command that takes longer to move makes a ramp of its own
REST_S = 0.3  # for so long the current must rest before the command moves, and at the end
REST_SHARE = 0.03  # of the stroke: more movement than this is no rest
BEFORE_S = 0.2  # shown of the rest before
LONGEST_GAP = 0.05  # of the stroke, and three times the usual interval of readings: a longer one hides its way
CELLS = 160  # points that a stroke is thinned to


@dataclass(eq=False, frozen=True)
class Stroke:
    """One ramp. `time_s` since the command moved, scaled to the full span; `way` from 0 to 1, both shape (n,)."""

    at_ns: int
    from_pct: float
    to_pct: float
    time_s: FloatArray
    way: FloatArray

    @property
    def up(self) -> bool:
        """Whether the command rose."""
        return self.to_pct > self.from_pct

    def between_s(self, low: float = 0.1, high: float = 0.9) -> float | None:
        """From first reaching `low` to first reaching `high` of the way, scaled to the full span."""
        reached = [np.flatnonzero(self.way >= level) for level in (low, high)]
        if not all(index.size for index in reached):
            return None
        return float(self.time_s[reached[1][0]] - self.time_s[reached[0][0]])


@dataclass(frozen=True)
class RampsView:
    """Strokes either way, over the ramps of the sheet (s over the full span; None: not in the sheet)."""

    strokes: list[Stroke]
    left_s: dict[str, float]
    tolerance: dict[str, Tolerance]
    seen: str

    def of(self, quantity: str) -> list[Stroke]:
        """Those of "ramp_up" or "ramp_down", oldest first."""
        return [stroke for stroke in self.strokes if stroke.up == (quantity == "ramp_up")]


def ramps_view(source: Source, valve: str) -> RampsView:
    """From raw readings of the last production; `seen` says what was looked at, or why there is nothing."""
    now = source.now_ns()
    sheet = source.sheet(valve, now)
    if sheet is None:
        return RampsView([], {}, {}, "No sheet, so no ramp to compare with.")
    left = {name: sheet.as_left[name] for name in ("ramp_up", "ramp_down") if name in sheet.as_left}
    tolerance = {name: sheet.tolerance[name] for name in left}
    producing = [
        (round(one.from_s * 1e9), round(one.to_s * 1e9))
        for one in source.records.intervals(valve, now - LOOK_BACK_NS, now)
        if one.state is State.PRODUCING
    ]
    if not producing:
        return RampsView([], left, tolerance, "No production in the last week.")
    to_ns = producing[-1][1]
    effective = source.sheet(valve, to_ns) or sheet
    revised = round(effective.revision.at.timestamp() * 1e9) if effective.revision.at is not None else 0
    from_ns = max(to_ns - WINDOW_NS, revised)
    stored = source.samples.samples(valve, from_ns, to_ns + 1)
    if stored.time_ns.size:
        from_ns = max(from_ns, int(stored.time_ns[0]))  # no readings are kept of before
    when = f"from {source.time.moment(from_ns, now)} to {source.time.moment(to_ns, now)}"
    command, current = stored.channels.get("command"), stored.channels.get("current")
    if command is None or current is None:
        missing = "command" if command is None else "current"
        return RampsView([], left, tolerance, f"Not shown: there is no {missing} reading of this valve.")
    found = strokes_in(effective, stored.time_ns, command, current, producing)
    if not found:
        return RampsView(
            [],
            left,
            tolerance,
            f"No settled stroke in the production {when}: the command never jumped and then held still long enough. "
            "Where a controller makes its own ramps, those of the driver do not show.",
        )
    return RampsView(found, left, tolerance, f"Production {when}.")


def strokes_in(
    sheet: Sheet,
    time_ns: Int64Array,
    command: FloatArray,
    current_a: FloatArray,
    inside_ns: Sequence[tuple[int, int]],
) -> list[Stroke]:
    """Settled strokes of a stretch, the newest `MOST_STROKES` either way, oldest first.

    Settled: the current rested before the command jumped, and rested again before it moved on. Readings all of shape
    (n,); only strokes wholly within one of `inside_ns` count.
    """
    known = np.isfinite(command) & np.isfinite(current_a)
    time_ns, current_a = time_ns[known], current_a[known]
    zero, full = sheet.signal.at_zero, sheet.signal.at_full
    demand = (command[known] - zero) / (full - zero)
    jumps = _jumps(time_ns, demand)
    strokes = []
    for place, (start, end) in enumerate(jumps):
        first = jumps[place - 1][1] if place else 0
        last = jumps[place + 1][0] if place + 1 < len(jumps) else time_ns.size
        if any(a <= time_ns[start] and time_ns[last - 1] <= b for a, b in inside_ns):
            stroke = _stroke(time_ns, demand, current_a, (first, start, end, last))
            if stroke is not None:
                strokes.append(stroke)
    chosen = []
    for up in (True, False):
        same = [stroke for stroke in strokes if stroke.up == up]
        longest = max((abs(stroke.to_pct - stroke.from_pct) for stroke in same), default=0.0)
        chosen += [one for one in same if abs(one.to_pct - one.from_pct) >= 0.5 * longest][-MOST_STROKES:]
    return sorted(chosen, key=lambda stroke: stroke.at_ns)


def _jumps(time_ns: Int64Array, demand: FloatArray) -> list[tuple[int, int]]:
    """Where the command moves: index of the last sample before, and of the first after, each movement."""
    if time_ns.size < 3:
        return []
    later = np.searchsorted(time_ns, time_ns + round(JUMP_S * 1e9 / 2))
    later = np.minimum(later, time_ns.size - 1)
    moving = np.abs(demand[later] - demand) > LEAST_STROKE / 4
    edges = np.flatnonzero(np.diff(moving.astype(np.int8), prepend=0, append=0))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(int(later[a]) - 1, int(later[b - 1])) for a, b in pairs]


def _stroke(
    time_ns: Int64Array, demand: FloatArray, current_a: FloatArray, places: tuple[int, int, int, int]
) -> Stroke | None:
    first, start, end, last = places
    if (time_ns[end] - time_ns[start]) / 1e9 > JUMP_S or last - end < 3 or start - first < 3:
        return None
    was, goes = float(np.median(demand[first:start])), float(np.median(demand[end:last]))
    size = abs(goes - was)
    before = _rest(time_ns, current_a, time_ns[start], first, start)
    after = _rest(time_ns, current_a, time_ns[last - 1], end, last)
    if size < LEAST_STROKE or before is None or after is None:
        return None
    (low, moved_before), (high, moved_after) = before, after
    if max(moved_before, moved_after) > REST_SHARE * abs(high - low) or high == low:
        return None
    # The command moved where it was half way; its samples are that far apart.
    crossed = start + int(np.argmax(np.abs(demand[start : end + 1] - was) >= size / 2))
    shown = slice(int(np.searchsorted(time_ns, time_ns[crossed] - round(BEFORE_S * 1e9))), last)
    seconds = (time_ns[shown] - time_ns[crossed]) / 1e9 / size
    way = (current_a[shown] - low) / (high - low)
    there = int(np.argmax(way >= 1 - REST_SHARE))  # it rests at the end, so it arrives
    taken = np.diff(time_ns[crossed : shown.start + there + 1])
    if taken.size and taken.max() > max(LONGEST_GAP * taken.sum(), 3.0 * float(np.median(taken))):
        return None
    stop = min(seconds.size, int(there * 1.3) + 2)
    return Stroke(int(time_ns[crossed]), 100 * was, 100 * goes, *_averaged(seconds[:stop], way[:stop]))


def _rest(
    time_ns: Int64Array, current_a: FloatArray, until_ns: int, first: int, last: int
) -> tuple[float, float] | None:
    """Mean current of the last `REST_S`, and by how much its two halves differ; None if there is less."""
    start = int(np.searchsorted(time_ns, until_ns - round(REST_S * 1e9)))
    if start < first or last - start < 4:
        return None
    part = current_a[start:last]
    middle = part.size // 2
    return float(part.mean()), abs(float(part[:middle].mean() - part[middle:].mean()))


def _averaged(time_s: FloatArray, way: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of neighbours, so that at most `CELLS` points are left."""
    width = -(-time_s.size // CELLS)
    starts = np.arange(0, time_s.size, width)
    counts = np.diff(np.append(starts, time_s.size))
    return np.add.reduceat(time_s, starts) / counts, np.add.reduceat(way, starts) / counts
