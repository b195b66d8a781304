"""The history of each quantity as a control chart: as left, tolerance, dead zone, trend, since when, revisions."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import numpy as np
import numpy.typing as npt
from asleft.alarms.states import fold_all
from asleft.catalogue.finding_kinds import quantities_of
from asleft.judge.steps.points import DEAD_ZONE
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.source import Source
from asleft.web.views.spans import extremes
from asleft.web.views.valves import Json, findings_of, tolerance_sides
from asleft.web.when import PlantTime, parse_iso_ns
from asleft.web.words import kind_words, plural

# The trend of a quantity as the judge tells it: a line with its interval, and when it reaches the tolerance.

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class TrendLine:
    """A line through (`at_ns`, `value`); slopes in the quantity's unit per day, None where the judge gives none."""

    from_ns: int
    at_ns: int
    value: float
    per_day: float
    low_per_day: float | None
    high_per_day: float | None
    reaches_ns: int | None  # the tolerance
    earliest_ns: int | None
    latest_ns: int | None  # None with `reaches_ns` known: perhaps not at all

    def value_at(self, at_ns: float, per_day: float | None = None) -> float:
        """On the line, or on one of another slope through the same point."""
        slope = self.per_day if per_day is None else per_day
        return self.value + slope * (at_ns - self.at_ns) / DAY_NS


def trend_line(found: Json, time_ns: Int64Array, values: FloatArray) -> TrendLine | None:
    """From one quantity of a judgement, laid through the points it is drawn with; None where there is no trend.

    The judge gives slope, interval and date, not where the line lies: it is laid through the median of the points.
    """
    per_day = cast("float | None", found.get("trend_per_day"))
    if not per_day or values.size < 2:
        return None
    low, high = cast("list[float]", found.get("trend_interval") or [None, None])
    early, late = cast("list[str | None]", found.get("forecast_interval") or [None, None])
    reaches = parse_iso_ns(cast("str | None", found.get("forecast")))
    middle = int(np.median(time_ns))
    value = float(np.median(values - per_day * (time_ns - middle) / DAY_NS))
    edge = _edge(found, per_day)
    if reaches is not None and edge is not None:
        value = edge - per_day * (reaches - middle) / DAY_NS  # so that the line meets the tolerance on the day told
    return TrendLine(
        int(time_ns[0]), middle, value, per_day, low, high, reaches, parse_iso_ns(early), parse_iso_ns(late)
    )


def _edge(found: Json, per_day: float) -> float | None:
    left = cast("float | None", found.get("as_left"))
    below, above = tolerance_sides(found)
    if left is None:
        return below if per_day < 0 else None  # headroom: its tolerance is the least that is to be left
    side = above if per_day > 0 else below
    return None if side is None else left + (side if per_day > 0 else -side)


def trend_words(trend: TrendLine, moved: str, time: PlantTime) -> str:
    """As in "moves by +0.4 bar a day; reaches its tolerance about 5 Dec". `moved`: the first part."""
    if trend.reaches_ns is None:
        return moved
    told = f"{moved}; at this pace it reaches its tolerance about {time.day(trend.reaches_ns)}"
    if trend.earliest_ns is None:
        return told
    if trend.latest_ns is None:
        return f"{told} (not before {time.day(trend.earliest_ns)}, perhaps not at all)"
    return f"{told} (between {time.day(trend.earliest_ns)} and {time.day(trend.latest_ns)})"


# Since when something was found: by the present findings, and by the log of alarms for what stands no more.

#: Closer together than this share of the stretch, onsets of one kind are told as one.
TOGETHER = 1 / 40


@dataclass(frozen=True, slots=True)
class Onset:
    """Since when a finding stood, and until when where it stands no more; `times`: how many are told as one."""

    at_ns: int
    words: str
    until_ns: int | None = None
    times: int = 1

    @property
    def said(self) -> str:
        """In the picture."""
        return self.words if self.times == 1 else f"{self.words}, {self.times} times"


def cut_stretches(source: Source, valve: str, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """Within the stretch, since when and until when the current stopped short of what was asked (unix ns)."""
    found = onsets_in(source, valve, 0, to_ns, kinds=("current-clipped",), bunch=False)
    stretches = [(one.at_ns, to_ns if one.until_ns is None else one.until_ns) for one in found]
    return [(max(a, from_ns), min(b, to_ns)) for a, b in stretches if b > from_ns]


def onsets_in(
    source: Source, valve: str, from_ns: int, to_ns: int, *, kinds: Collection[str] = (), bunch: bool = True
) -> list[Onset]:
    """Onsets that lie in the stretch, oldest first, whether or not what they began still stands.

    `kinds`: of these kinds of findings alone, all where it is empty; `bunch`: tell those close together as one.
    """
    standing: dict[tuple[str, int], int | None] = {}
    for alarm in fold_all(source.records.alarm_events(valve), source.now_ns()):
        standing[(alarm.kind, alarm.onset_ns)] = None if alarm.active else alarm.returned_ns
    for finding in findings_of(source.records.judgement(valve)):
        onset = parse_iso_ns(finding.get("onset"))
        kind = str(finding["kind"])
        # Written by the judge to the millisecond, in the alarm's name to the nanosecond.
        known = onset is not None and any(k == kind and abs(at - onset) < 10**6 for k, at in standing)
        if onset is not None and not known:
            standing[(kind, onset)] = None
    found = [
        Onset(at, kind_words(kind), until)
        for (kind, at), until in sorted(standing.items(), key=lambda item: item[0][1])
        if from_ns <= at <= to_ns and (not kinds or kind in kinds)
    ]
    return found if not bunch else _together(found, round((to_ns - from_ns) * TOGETHER))


def _together(found: Sequence[Onset], within_ns: int) -> list[Onset]:
    """What begins and ends again and again would be a fence of marks: one for each bunch."""
    told: list[Onset] = []
    last: dict[str, int] = {}  # place in `told` by words
    newest: dict[str, int] = {}
    for onset in found:
        place = last.get(onset.words)
        if place is not None and onset.at_ns - newest[onset.words] <= within_ns:
            first = told[place]
            told[place] = Onset(first.at_ns, first.words, onset.until_ns, first.times + 1)
        else:
            last[onset.words] = len(told)
            told.append(onset)
        newest[onset.words] = onset.at_ns
    return told


# Which revision of the sheet was in force when, over a stretch of time.


@dataclass(frozen=True, slots=True)
class InForce:
    """One revision while it was in force within a stretch; `sheet` is None where there was none."""

    from_ns: int
    to_ns: int
    sheet: Sheet | None


@dataclass(frozen=True, slots=True)
class RevisionMark:
    """A revision that came into force."""

    at_ns: int
    words: str


def sheets_in(source: Source, valve: str, from_ns: int, to_ns: int) -> list[InForce]:
    """The stretch cut where another revision came into force, oldest first, without gaps."""
    cuts = sorted({record.at_ns for record in source.records.sheets(valve) if from_ns < record.at_ns < to_ns})
    edges = [from_ns, *cuts, to_ns]
    return [InForce(a, b, source.sheet(valve, a)) for a, b in pairwise(edges)]


def revision_marks(source: Source, valve: str, from_ns: int, to_ns: int) -> list[RevisionMark]:
    """The revisions that came into force within the stretch."""
    return [
        RevisionMark(record.at_ns, f"sheet {record.number}")
        for record in source.records.sheets(valve)
        if from_ns < record.at_ns < to_ns
    ]


SPAN_NS = 21 * 86_400 * 10**9
#: A current that is cut never reaches this: the points are where the levels below the cut lead to.
CUT_WORDS = "The current was cut short: points are what the levels below the cut point at, not what flowed."
#: Bins across a picture; each keeps its smallest and its largest point, so that no outlier is lost.
BINS = 200


@dataclass(frozen=True, slots=True)
class LeftStep:
    """What a revision of the sheet says while it is in force; ends of tolerance None where a side is not judged."""

    from_ns: int
    to_ns: int
    as_left: float | None
    low: float | None
    high: float | None


@dataclass(eq=False, frozen=True)
class HistoryView:
    """One chart. `as_left`, `low` and `high` are those in force now, `steps` those of the whole stretch."""

    quantity: str
    label: str
    verdict: str
    from_ns: int
    to_ns: int
    time_ns: Int64Array
    values: FloatArray
    spread: FloatArray  # standard uncertainty of each point
    beyond: npt.NDArray[np.bool_]  # whether a point lies outside the tolerance of its time
    as_left: float | None
    low: float | None
    high: float | None
    steps: list[LeftStep]
    zone: tuple[float, float] | None  # of the chart: within it, a change is no drift
    trend: TrendLine | None
    onset_ns: int | None
    words: str
    outlook: str  # what the trend leads to, empty where there is none
    note: str = ""  # what the points are not


def history_views(source: Source, valve: str, stretch: tuple[int, int] | None = None) -> list[HistoryView]:
    """One per quantity of the sheet that has a history, in the order every screen uses; three weeks by themselves."""
    now = source.now_ns()
    from_ns, to_ns = stretch or (now - SPAN_NS, now)
    judgement = source.records.judgement(valve)
    pieces = sheets_in(source, valve, from_ns, to_ns)
    views = [
        history_view(source, valve, quantity, (from_ns, to_ns), judgement, pieces) for quantity in QUANTITY_UNITS
    ]
    return [view for view in views if view is not None]


def history_view(
    source: Source,
    valve: str,
    quantity: str,
    stretch: tuple[int, int],
    judgement: Json | None,
    pieces: list[InForce],
) -> HistoryView | None:
    """One quantity over a stretch (unix ns) cut in `pieces`; None where it is not judged or has no points in it."""
    now, (from_ns, to_ns) = source.now_ns(), stretch
    found = next((q for q in (judgement or {}).get("quantities", ()) if q["id"] == quantity), None)
    points = source.records.points(valve, quantity, from_ns, to_ns + 1) if found is not None else []
    if found is None or not points:
        return None
    time_ns = np.array([round(p.at_s * 1e9) for p in points], dtype=np.int64)
    values = np.array([p.value for p in points])
    steps = _steps(quantity, pieces, found)
    onset = onset_of_quantity(judgement, quantity)
    trend = _trend(found, time_ns, values, steps) if to_ns >= now else None
    kept = extremes(time_ns, values, max(1, (to_ns - from_ns) // BINS), 0)
    beyond = _beyond(time_ns, values, steps)
    words = _words(source, quantity, values, int(beyond.sum()), steps, onset)
    cut = quantity == "current_at_full" and bool(cut_stretches(source, valve, from_ns, to_ns))
    return HistoryView(
        quantity=quantity,
        label=LABELS[quantity],
        verdict=str(found.get("verdict", "")),
        from_ns=from_ns,
        to_ns=to_ns,
        time_ns=time_ns[kept],
        values=values[kept],
        spread=np.array([p.standard_uncertainty for p in points])[kept],
        beyond=beyond[kept],
        as_left=steps[-1].as_left,
        low=steps[-1].low,
        high=steps[-1].high,
        steps=steps,
        zone=_zone(found) if to_ns >= now else None,
        trend=trend,
        onset_ns=onset,
        words=f"{words} {CUT_WORDS}" if cut else words,
        outlook=_outlook(source, quantity, trend),
        note=CUT_WORDS if cut else "",
    )


def _steps(quantity: str, pieces: list[InForce], found: Json) -> list[LeftStep]:
    """By the revisions' sheets; what the sheet does not carry (dither left out, headroom) by the judgement."""
    left = cast("float | None", found.get("as_left"))
    below, above = tolerance_sides(found)
    steps = []
    for piece in pieces:
        sheet = piece.sheet
        if sheet is not None and quantity in sheet.as_left:
            value, sides = sheet.as_left[quantity], sheet.tolerance[quantity]
            low = value - sides.below if np.isfinite(sides.below) else None
            high = value + sides.above if np.isfinite(sides.above) else None
            steps.append(LeftStep(piece.from_ns, piece.to_ns, value, low, high))
        elif left is None:  # headroom: its tolerance is the least that is to be left
            steps.append(LeftStep(piece.from_ns, piece.to_ns, None, below if quantity == "headroom" else None, None))
        else:
            low = left - below if below is not None else None
            steps.append(LeftStep(piece.from_ns, piece.to_ns, left, low, left + above if above is not None else None))
    return steps


def _beyond(time_ns: Int64Array, values: FloatArray, steps: list[LeftStep]) -> npt.NDArray[np.bool_]:
    out = np.zeros(values.size, dtype=bool)
    for step in steps:
        inside = (time_ns >= step.from_ns) & (time_ns <= step.to_ns)
        low = -np.inf if step.low is None else step.low
        high = np.inf if step.high is None else step.high
        out[inside] = (values[inside] < low) | (values[inside] > high)
    return out


def _zone(found: Json) -> tuple[float, float] | None:
    """Round the measured as-left, by the judge's own rule; None where that is still to come."""
    left = cast("float | None", found.get("as_left_measured"))
    sides = [side for side in tolerance_sides(found) if side is not None]
    if left is None or not sides or found.get("as_left") is None:
        return None
    return left - DEAD_ZONE * min(sides), left + DEAD_ZONE * min(sides)


def _trend(found: Json, time_ns: Int64Array, values: FloatArray, steps: list[LeftStep]) -> TrendLine | None:
    since = time_ns >= steps[-1].from_ns
    return trend_line(found, time_ns[since], values[since])


def onset_of_quantity(judgement: Json | None, quantity: str) -> int | None:
    """When a quantity departed; None for one that stayed, though its kind of finding is there by its pair."""
    used = {str(q["id"]): q for q in (judgement or {}).get("quantities", ())}
    for finding in findings_of(judgement):
        pair = quantities_of(str(finding["kind"]))
        if quantity in pair and not _stayed(quantity, [used[name] for name in pair if name in used]):
            return parse_iso_ns(cast("str | None", finding.get("onset")))
    return None


def _stayed(quantity: str, pair: list[Json]) -> bool:
    """Whether a quantity is inside its tolerance while another of the same kind of finding has used more of it."""

    def share(found: Json) -> float:
        return abs(float(found.get("tolerance_used") or 0.0))

    mine = next((found for found in pair if found["id"] == quantity), None)
    return mine is not None and mine.get("verdict") == "in" and any(share(other) > share(mine) for other in pair)


def _words(
    source: Source,
    quantity: str,
    values: FloatArray,
    beyond: int,
    steps: list[LeftStep],
    onset_ns: int | None,
) -> str:
    count, shown, now = values.size, units.current(), source.now_ns()
    text = (
        f"{LABELS[quantity]}, {source.time.day(steps[0].from_ns)} to {source.time.day(steps[-1].to_ns)}, "
        f"{count} {plural(count, 'point')}: from {shown.quantity(quantity, float(values.min()))} to "
        f"{shown.quantity(quantity, float(values.max()))}, last {shown.quantity(quantity, float(values[-1]))}"
    )
    if steps[-1].as_left is not None:
        text += f", left at {shown.quantity(quantity, steps[-1].as_left)}"
    if beyond:
        text += f"; {beyond} outside the tolerance"
    if onset_ns is not None:
        text += f"; departed {source.time.moment(onset_ns, now)}"
    return text + "."


def _outlook(source: Source, quantity: str, trend: TrendLine | None) -> str:
    if trend is None:
        return ""
    shown = units.current()
    return trend_words(trend, f"Moves by {shown.rate(quantity, trend.per_day)} a day", source.time) + "."
