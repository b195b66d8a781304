"""What a verification says, as plain values, with curves of ramps and readings. JSON is in `verify.published`."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from asleft.judge.driver.systematic import stroke_size
from asleft.judge.features import Stroke
from asleft.judge.types import FloatArray, Judgement, Samples, Verdict
from asleft.sheet.model import Sheet

# Ramps as curves, normalised to the full span, so that strokes of any size and valve lie over each other.

MOST_POINTS = 60
#: The command has moved once it is this far from where it rested (share of the range).
_MOVED = 0.02
_BEYOND = 1.35  # of the ramp as left: how much is kept after the command moved


@dataclass(frozen=True, slots=True)
class Trace:
    """One stroke: seconds since the command moved and share of the current span, both over a full stroke, (n,)."""

    way: str
    time_s: tuple[float, ...]
    share: tuple[float, ...]


def traces(sheet: Sheet, samples: Samples, strokes: Sequence[Stroke], most: int = 2) -> tuple[Trace, ...]:
    """The `most` largest strokes each way that a ramp held back, newest first where equal; none without a current."""
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    current, command = samples.channels.get("current"), samples.channels.get("command")
    if zero is None or full is None or current is None or command is None:
        return ()
    out: list[Trace] = []
    for way, name, k in (("up", "ramp_up", 0), ("down", "ramp_down", 1)):
        ramp_s = sheet.as_left.get(name, 0.0)
        sized = [
            (round(stroke_size(s, rising=k == 0), 2), s.from_s, s)
            for s in strokes
            if s.excluded < 0.5 and (s.active_up_s, s.active_down_s)[k] > 0.0
        ]
        for size, _, stroke in sorted(sized, key=lambda row: row[:2], reverse=True)[:most]:
            if size < 0.3:
                continue
            made = _trace(samples, current, command, stroke, sheet, way, max(ramp_s, 0.2), (zero, full))
            out += [made] if made is not None else []
    return tuple(out)


def _trace(samples: Samples, current: FloatArray, command: FloatArray, stroke: Stroke, sheet: Sheet, way: str,
           ramp_s: float, ends: tuple[float, float]) -> Trace | None:  # fmt: skip
    """Of one stroke: share of the way and time, both divided by how much of the range it covers."""
    a, b = (int(k) for k in np.searchsorted(samples.time_s, [stroke.from_s, stroke.to_s + _BEYOND * ramp_s]))
    demand = (command[a:b] - sheet.signal.at_zero) / (sheet.signal.at_full - sheet.signal.at_zero)
    low, high = stroke.low_demand, stroke.high_demand
    size = high - low
    start = low if way == "up" else high
    moved = np.flatnonzero(np.abs(demand - start) > max(_MOVED, 0.05 * size))
    # A stroke that first goes the other way: its part that goes this way begins at the last rest.
    at_start = np.flatnonzero(np.abs(demand - start) <= _MOVED)
    if moved.size == 0 or at_start.size == 0:
        return None
    later = moved[moved > at_start[0]]
    if later.size == 0:
        return None
    time_s = (samples.time_s[a:b] - samples.time_s[a + later[0]]) / size
    share = (current[a:b] - ends[0]) / (ends[1] - ends[0])
    share = (share - low) / size
    kept = (time_s >= -0.1 * ramp_s) & (time_s <= _BEYOND * ramp_s) & np.isfinite(share)
    times, values = time_s[kept], share[kept]
    if times.size < 5:
        return None
    step = math.ceil(times.size / MOST_POINTS)
    return Trace(way, tuple(times[::step].tolist()), tuple(values[::step].tolist()))


# The stretch over time, so that a record shows what its verdicts rest on.

#: Parts of equal length of which a course keeps the smallest and the largest reading.
MOST_PARTS = 150


@dataclass(frozen=True, slots=True)
class Course:
    """A channel over the stretch: seconds since its beginning, and readings in `unit`, (n,) both.

    Of each part of the stretch the smallest and the largest reading at their own times, so none lies beyond the line;
    NaN where a part has none.
    """

    channel: str
    unit: str
    time_s: tuple[float, ...]
    values: tuple[float, ...]


def courses(sheet: Sheet, samples: Samples) -> tuple[Course, ...]:
    """Command, current and pressure over the stretch, of those that were read."""
    units = {"command": sheet.signal.unit, "current": "A", "pressure": "bar"}
    read = {name: samples.channels.get(name, np.empty(0)) for name in units}
    return tuple(_course(name, unit, samples.time_s, read[name]) for name, unit in units.items()
                 if np.isfinite(read[name]).any())  # fmt: skip


def _course(channel: str, unit: str, time_s: FloatArray, readings: FloatArray) -> Course:
    since_s = time_s - time_s[0]
    edges = np.linspace(0.0, float(since_s[-1]), MOST_PARTS + 1)
    rows = np.append(np.searchsorted(since_s, edges[:-1]), since_s.size)
    points: list[tuple[float, float]] = []
    for part, (first, last) in enumerate(itertools.pairwise(rows.tolist())):
        seen = first + np.flatnonzero(np.isfinite(readings[first:last]))
        if seen.size == 0:
            points.append((float(edges[part] + edges[part + 1]) / 2.0, math.nan))
            continue
        ends = {int(seen[np.argmin(readings[seen])]), int(seen[np.argmax(readings[seen])])}
        points += [(float(since_s[row]), float(readings[row])) for row in sorted(ends)]
    return Course(channel, unit, *zip(*points, strict=True))


class Outcome(StrEnum):
    """Of a verification as a whole."""

    AS_LEFT = "as-left"  # complete, and all that was observed is in
    NOT_AS_LEFT = "not-as-left"  # something is out
    UNDECIDED = "undecided"  # complete, none out, something undecided
    INCOMPLETE = "incomplete"  # something is missing


@dataclass(frozen=True, slots=True)
class Graded:
    """One number against what the sheet wants of it. `uncertainty` is expanded, for 95 %."""

    wanted: float | None
    found: float | None
    uncertainty: float | None
    below: float | None  # tolerance
    above: float | None
    verdict: Verdict
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One level of the graded sweep. `way`: "up" or "down"."""

    way: str
    command_pct: float
    at_s: float
    current: Graded  # A
    pressure: Graded  # bar


@dataclass(frozen=True, slots=True)
class RampStep:
    """One step of the command that a ramp held back; `ramp` is in s over the full span.

    `stayed_s`: how long the command stayed where it went. `seen_pct`: how much of the way 0-100 % the ramp could go
    meanwhile. `readings_pct`: how much of the readings of the current came while it went.
    """

    way: str
    from_pct: float
    to_pct: float
    at_s: float
    ramp: Graded
    stayed_s: float
    seen_pct: float
    readings_pct: float

    @property
    def whole(self) -> bool:
        """Whether the ramp could go all the way that the command went."""
        return self.seen_pct >= abs(self.to_pct - self.from_pct) - 2.0


@dataclass(frozen=True, slots=True)
class Range:
    """Smallest, mean and largest value of a channel over the stretch."""

    channel: str
    unit: str
    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class Sweep:
    """The graded sweep: when, and how fast each way (% of the range per second)."""

    from_s: float
    top_s: float
    to_s: float
    up_pct_s: float
    down_pct_s: float


@dataclass(frozen=True, slots=True)
class Check:
    """A stretch of recorded data as a verification of the sheet."""

    valve: str
    sheet_revision: int
    from_s: float
    to_s: float
    conditioning: int  # full cycles before the graded sweep
    cycles: int  # all full cycles
    sweep: Sweep | None
    progress: str  # of what is under way, a sentence or nothing
    steps: tuple[Step, ...]
    ramps: tuple[RampStep, ...]
    traces: tuple[Trace, ...]
    courses: tuple[Course, ...]
    judgement: Judgement
    missing: tuple[str, ...]
    conditions: tuple[Range, ...]
    outcome: Outcome
