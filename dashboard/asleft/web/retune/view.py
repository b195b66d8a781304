"""A retune: two stretches of production, before and after, compared quantity by quantity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from asleft.judge.compare import Change, compare_points
from asleft.judge.decide import verdict
from asleft.judge.judge import state_of_log
from asleft.judge.types import State
from asleft.judge.verify.published import traces_json
from asleft.judge.verify.result import traces
from asleft.sheet.model import QUANTITY_UNITS, Sheet, Tolerance
from asleft.sheet.names import LABELS
from asleft.store.protocols import SheetRecord
from asleft.web.hrefs import RETUNE_ENDS
from asleft.web.source import Source
from asleft.web.views.checks import samples_in
from asleft.web.views.valves import ValveName, onset_ns, valve_name
from asleft.web.when import BadStretch, Stretch, time_in

S = 10**9
DAY_NS = 86_400 * S
#: Raw production looked at for ramps, at the end of before and at the beginning of after.
LOOK_NS = 600 * S
LONGEST_NS = 92 * DAY_NS
#: Production compared on either side by itself (s), and how far from the revision it is looked for.
USUAL_S = 24 * 3600.0
REACH_NS = 14 * DAY_NS
#: Equivalence is asked within this share of the tolerance, as for drift.
MARGIN_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity: its change, or why none; and whether it is inside the tolerance of the sheet after."""

    quantity: str
    label: str
    change: Change | None
    basis: str
    word: str  # "changed", "the same", "changed, but by little", "cannot be told", or "not compared"
    as_left: float | None  # of the sheet after
    tolerance: Tolerance | None
    verdict: str  # of the mean after
    uncertainty: float | None  # that the verdict rests on


@dataclass(frozen=True)
class RetuneView:
    """All that is shown of a retune."""

    valve: str
    name: ValveName
    sheet: Sheet  # in force after
    record: SheetRecord
    before: Stretch
    after: Stretch
    lines: list[Line]
    steps_before: list[Mapping[str, Any]]
    steps_after: list[Mapping[str, Any]]
    traces_before: list[Mapping[str, Any]]
    traces_after: list[Mapping[str, Any]]
    sentence: str
    hours: tuple[float, float]  # of production, before and after


def proposed(source: Source, valve: str, number: int | None) -> tuple[Stretch, Stretch] | None:
    """The nearest `USUAL_S` of production round when a revision came in force; the newest where `number` is None.

    Calendar hours would be those of a Sunday. Neither side reaches past another revision or further than `REACH_NS`;
    where nothing at all was produced on a side, a day of it.
    """
    now = source.now_ns()
    records = [one for one in source.records.sheets(valve) if one.at_ns < now]
    chosen = [one for one in records if number is None or one.number == number]
    if not chosen:
        return None
    at_ns = chosen[-1].at_ns
    following = [one.at_ns for one in records if one.at_ns > at_ns]
    earlier = [one.at_ns for one in records if one.at_ns < at_ns]
    return _nearest(source, valve, at_ns, max([at_ns - REACH_NS, *earlier]), min([now, at_ns + REACH_NS, *following]))


def _nearest(source: Source, valve: str, at_ns: int, first_ns: int, last_ns: int) -> tuple[Stretch, Stretch]:
    """Either side of a time, so much of it as holds `USUAL_S` of production, between `first_ns` and `last_ns`."""
    made = [
        (max(round(one.from_s * S), first_ns), min(round(one.to_s * S), last_ns))
        for one in source.records.intervals(valve, first_ns, last_ns)
        if one.state is State.PRODUCING
    ]
    before = [(a, min(b, at_ns)) for a, b in made if a < at_ns]
    after = [(max(a, at_ns), b) for a, b in made if b > at_ns]
    since_ns = _reached([(at_ns - b, at_ns - a) for a, b in reversed(before)])
    until_ns = _reached([(a - at_ns, b - at_ns) for a, b in after])
    return (
        Stretch(max(at_ns - (since_ns or DAY_NS), first_ns), at_ns),
        Stretch(at_ns, max(min(at_ns + (until_ns or DAY_NS), last_ns), at_ns + S)),
    )


def _reached(made: list[tuple[int, int]]) -> int:
    """How far one has to go to have seen `USUAL_S` of stretches given by their distances (ns); 0 for none at all."""
    left_ns, far = round(USUAL_S * S), 0
    for a, b in made:
        if left_ns <= 0:
            break
        far = min(b, a + left_ns)
        left_ns -= b - a
    return far


def around_onset(source: Source, valve: str) -> tuple[Stretch, Stretch] | None:
    """The nearest production either side of the leading finding's onset; None without one, or nothing after it."""
    at_ns, now = onset_ns(source.records.judgement(valve)), source.now_ns()
    if at_ns is None or not at_ns < now:
        return None
    return _nearest(source, valve, at_ns, at_ns - REACH_NS, min(now, at_ns + REACH_NS))


def has_production(source: Source, valve: str, both: tuple[Stretch, Stretch]) -> bool:
    """Whether anything was produced on both sides."""
    return all(_hours(source, valve, one) > 0.0 for one in both)


def stretches_in(args: Mapping[str, str]) -> tuple[Stretch, Stretch] | None:
    """Both stretches of an address; None where it names none. Raises `BadStretch`."""
    if not any(key in args for key in RETUNE_ENDS):
        return None
    return checked_stretches(*(time_in(key, args.get(key, "")) for key in RETUNE_ENDS))


def checked_stretches(before_from: int, before_to: int, after_from: int, after_to: int) -> tuple[Stretch, Stretch]:
    """Both, in order. Raises `BadStretch`."""
    for name, a, b in (("before", before_from, before_to), ("after", after_from, after_to)):
        if not a < b:
            raise BadStretch(f"{name}: its beginning must lie before its end.")
        if b - a > LONGEST_NS:
            raise BadStretch(f"{name}: {(b - a) / DAY_NS:.0f} days; at most {LONGEST_NS // DAY_NS} are compared.")
    if before_to > after_from:
        raise BadStretch("before must end before after begins.")
    return Stretch(before_from, before_to), Stretch(after_from, after_to)


def retune_view(source: Source, valve: str, before: Stretch, after: Stretch) -> RetuneView | None:
    """Compared by the sheet in force at the end of `after`; None where there is none."""
    record = source.records.effective_sheet(valve, min(after.to_ns, source.now_ns()))
    if record is None:
        return None
    sheet = source.parsed(record)
    judged = [source.records.judgement_at(valve, stretch.to_ns) for stretch in (before, after)]
    lines = [_line(source, valve, sheet, name, before, after, judged[1]) for name in QUANTITY_UNITS
             if name in sheet.as_left]  # fmt: skip
    raw = [_traces(source, valve, stretch, first=first) for stretch, first in ((before, False), (after, True))]
    return RetuneView(
        valve=valve,
        name=valve_name(valve, sheet),
        sheet=sheet,
        record=record,
        before=before,
        after=after,
        lines=lines,
        steps_before=_steps(judged[0]),
        steps_after=_steps(judged[1]),
        traces_before=raw[0],
        traces_after=raw[1],
        sentence=_sentence(lines),
        hours=(_hours(source, valve, before), _hours(source, valve, after)),
    )


def _line(
    source: Source,
    valve: str,
    sheet: Sheet,
    name: str,
    before: Stretch,
    after: Stretch,
    judged: Mapping[str, Any] | None,
) -> Line:
    left, tolerance = sheet.as_left[name], sheet.tolerance[name]
    width = min(tolerance.below, tolerance.above)
    points = [source.records.points(valve, name, one.from_ns, one.to_ns) for one in (before, after)]
    found = compare_points(
        points[0], points[1], MARGIN_SHARE * width, lambda at_s: source.time.local(round(at_s * 1e9)).hour
    )
    change = found.change
    if change is None:
        return Line(name, LABELS[name], None, found.basis, "not compared", left, tolerance, "not-observed", None)
    # What calibration leaves unsure is of the value, not of the change: as the judge stated it.
    expanded = max(_uncertainty(judged, name) or 0.0, found.after_u)
    decided = verdict(change.after - left, expanded, tolerance).value
    word = {
        (True, False): "changed",
        (False, True): "the same",
        (True, True): "changed, but by little",
        (False, False): "cannot be told",
    }[change.different, change.same]
    return Line(name, LABELS[name], change, found.basis, word, left, tolerance, decided, expanded)


def _uncertainty(judged: Mapping[str, Any] | None, name: str) -> float | None:
    for one in (judged or {}).get("quantities", ()):
        if one["id"] == name and one.get("uncertainty") is not None:
            return float(one["uncertainty"])
    return None


def _sentence(lines: list[Line]) -> str:
    changed = [one.label for one in lines if one.word == "changed"]
    out = [one.label for one in lines if one.verdict == "out"]
    seen = [one for one in lines if one.change is not None]
    if not seen:
        return "Nothing can be compared: no setting was measured often enough in both stretches."
    moved = (
        f"{_list(changed).capitalize()} changed" if changed else "Nothing changed beyond a quarter of its tolerance"
    )
    undecided = [one.label for one in seen if one.verdict == "undecided"]
    if out:
        return f"{moved}; {_list(out)} {'is' if len(out) == 1 else 'are'} out of tolerance afterwards."
    if undecided:
        return f"{moved}; nothing is out afterwards, {_list(undecided)} cannot be decided."
    return f"{moved}; all that was compared is inside its tolerance afterwards."


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _steps(judged: Mapping[str, Any] | None) -> list[Mapping[str, Any]]:
    """The judged characteristic as steps, as a picture takes them."""
    curve = (judged or {}).get("characteristic") or {}
    return [
        {"way": way, "current_a": {"found": level["current"]}, "pressure_bar": {"found": level["pressure"]}}
        for way, branch in (("up", "rising"), ("down", "falling"))
        for level in (curve.get(branch) or {}).get("levels", ())
    ]


def _hours(source: Source, valve: str, stretch: Stretch) -> float:
    total = 0.0
    for one in source.records.intervals(valve, stretch.from_ns, stretch.to_ns):
        if one.state is State.PRODUCING:
            total += max(min(one.to_s, stretch.to_ns / 1e9) - max(one.from_s, stretch.from_ns / 1e9), 0.0)
    return total / 3600.0


def _traces(source: Source, valve: str, stretch: Stretch, *, first: bool) -> list[Mapping[str, Any]]:
    """Strokes of ten minutes of production: the first ones, or the last; none where nothing raw is kept any more."""
    made = [one for one in source.records.intervals(valve, stretch.from_ns, stretch.to_ns)
            if one.state is State.PRODUCING]  # fmt: skip
    if not made:
        return []
    if first:
        from_ns = max(round(made[0].from_s * 1e9), stretch.from_ns)
        looked = Stretch(from_ns, min(from_ns + LOOK_NS, stretch.to_ns))
    else:
        to_ns = min(round(made[-1].to_s * 1e9), stretch.to_ns)
        looked = Stretch(max(to_ns - LOOK_NS, stretch.from_ns), to_ns)
    sheet = source.sheet(valve, min(looked.to_ns - 1, source.now_ns()))
    if sheet is None or not looked.from_ns < looked.to_ns:
        return []
    samples = samples_in(source, valve, looked)
    if samples.time_s.size == 0:
        return []
    return traces_json(traces(sheet, samples, state_of_log(sheet, samples).strokes, most=3))
