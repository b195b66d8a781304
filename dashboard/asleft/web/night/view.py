"""All that happened on all valves in a stretch, what of it was not watched, and its time axis as a scene."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol
from urllib.parse import quote

import numpy as np
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.figures import called
from asleft.alarms.states import AlarmView, fold
from asleft.store.work import fold_work
from asleft.web import palette
from asleft.web.evidence.picture import Axis, marks_of
from asleft.web.evidence.scene import Path, Point, Scene, Text
from asleft.web.evidence.style import CHAR_PX
from asleft.web.hrefs import alarm_href, sheet_href, valve_href, work_href
from asleft.web.source import Source
from asleft.web.views.alarms import found_words
from asleft.web.views.valves import ValveName, findings_of, valve_name
from asleft.web.when import Stretch, age
from asleft.web.words import kind_words, number, part_words, plural, sentence_case

S = 10**9
#: Without judged readings for so long a valve was not watched.
LEAST_GAP_NS = 300 * S
KEPT_NS = 20 * S


class Happened(StrEnum):
    """Kinds of what is on the time axis."""

    CHANGED = "changed"  # the measurement found a departure
    GONE = "gone"
    SAID = "said"  # somebody did something with an alarm
    REVISED = "revised"
    WORKED = "worked"
    RECORDED = "recorded"
    UNWATCHED = "unwatched"


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened. `until_ns`: of what lasts, cut to the stretch; `who`: empty for the measurement."""

    at_ns: int
    until_ns: int | None
    what: Happened
    valve: str
    words: str
    short: str  # beside its mark
    who: str
    href: str
    severity: int = 0
    there_before: bool = False
    follows: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One valve on the time axis, its entries by time."""

    name: ValveName
    href: str
    severity: int
    entries: list[Entry]


@dataclass(frozen=True, slots=True)
class NightView:
    """The page: lines of valves worst first, everything in order of time, and what is said of the quiet ones."""

    from_ns: int
    to_ns: int
    headline: str
    subline: str
    lines: list[Line]
    entries: list[Entry]
    names: Mapping[str, ValveName]
    quiet: str


class VerificationRecords(Protocol):
    """What is read of filed verification records."""

    def newest(self) -> dict[str, tuple[int, int, bool]]:
        """Of each valve that has one: number, time and whether accepted, of its newest record."""
        ...


class NoRecords:
    """Where none are kept."""

    def newest(self) -> dict[str, tuple[int, int, bool]]:
        """None."""
        return {}


def night_view(source: Source, records: VerificationRecords, stretch: Stretch) -> NightView:
    """All valves over a stretch; some seconds old at most."""
    # Stretches that end now move on with every second: what is kept is told by where they begin.
    moving = stretch.to_ns // KEPT_NS
    return source.kept(("night", stretch.from_ns, moving), KEPT_NS, lambda: _made(source, records, stretch))


def _made(source: Source, records: VerificationRecords, stretch: Stretch) -> NightView:
    from_ns, to_ns, now = stretch.from_ns, min(stretch.to_ns, source.now_ns()), source.now_ns()
    sheets = source.records.effective_sheets(now)
    known = {valve: valve_name(valve, source.parsed(record)) for valve, record in sheets.items()}
    entries = _alarms(source, from_ns, to_ns)
    entries += _revisions(source, from_ns, to_ns)
    entries += _work(source, from_ns, to_ns)
    for valve, (count, at_ns, accepted) in records.newest().items():
        if from_ns <= at_ns <= to_ns:
            words = f"verification record {count} filed, {'accepted' if accepted else 'not accepted'}"
            href = f"/verification/{quote(valve, safe='')}/{count}"
            entries.append(Entry(at_ns, None, Happened.RECORDED, valve, words, f"record {count}", "", href))
    for valve in known:
        entries += _unwatched(source, valve, from_ns, to_ns)
    entries.sort(key=lambda one: (one.at_ns, -one.severity, one.valve))
    names = {one.valve: known.get(one.valve) or valve_name(one.valve, None) for one in entries} | known
    lines = _lines(entries, names)
    silent = len(known) - len({one.name.id for one in lines} & set(known))
    return NightView(
        from_ns, to_ns, _headline(source, entries, names, from_ns, to_ns), _subline(entries, to_ns), lines, entries,
        names, _quiet(silent, len(known)),
    )  # fmt: skip


def _alarms(source: Source, from_ns: int, to_ns: int) -> list[Entry]:
    """What began, what stood already, what went, and what people did with it."""
    by_alarm: dict[str, list[AlarmEvent]] = {}
    for event in source.records.alarm_events_lately(from_ns):
        if event.at_ns <= to_ns:
            by_alarm.setdefault(event.alarm, []).append(event)
    follows: dict[str, dict[str, str]] = {}
    out: list[Entry] = []
    for alarm, events in by_alarm.items():
        view = fold(events, to_ns)
        gone = view.returned_ns if not view.active else None
        if not called(view, to_ns) or (gone is not None and gone < from_ns):
            continue
        if view.valve not in follows:
            found = findings_of(source.records.judgement(view.valve))
            follows[view.valve] = {str(f["kind"]): str(f["consequence_of"]) for f in found if f.get("consequence_of")}
        cause = follows[view.valve].get(view.kind, "") if view.active else ""
        out.append(_change(view, from_ns, to_ns, gone, cause))
        if gone is not None:
            words = f"{kind_words(view.kind)}: gone after {age((gone - view.raised_ns) / S)}"
            out.append(Entry(gone, None, Happened.GONE, view.valve, words, "gone", "", alarm_href(alarm)))
        out += [_worse(one) for one in events if one.event is EventKind.ESCALATED and one.at_ns >= from_ns]
        out += [_act(one, view) for one in events if one.who != "judge" and one.at_ns >= from_ns]
    return out


def _change(view: AlarmView, from_ns: int, to_ns: int, gone_ns: int | None, cause: str) -> Entry:
    words = f"{sentence_case(kind_words(view.kind))}: {view.evidence}"
    if view.part:
        words += f" Likely {part_words(view.part)}."
    began = min(view.onset_ns, view.raised_ns)
    return Entry(
        max(began, from_ns), to_ns if gone_ns is None else gone_ns, Happened.CHANGED, view.valve, words,
        kind_words(view.kind), "", alarm_href(view.alarm), view.severity, began < from_ns,
        f"follows from {kind_words(cause)}" if cause else "",
    )  # fmt: skip


def _worse(event: AlarmEvent) -> Entry:
    words = f"{sentence_case(kind_words(event.kind))} got worse: {event.evidence}"
    return Entry(event.at_ns, None, Happened.CHANGED, event.valve, words, f"{kind_words(event.kind)}, worse", "",
                 alarm_href(event.alarm), event.severity)  # fmt: skip


_ACTS: Mapping[EventKind, str] = {
    EventKind.ACKNOWLEDGED: "acknowledged",
    EventKind.SHELVED: "shelved",
    EventKind.UNSHELVED: "taken off the shelf",
    EventKind.OUT_OF_SERVICE: "taken out of service",
    EventKind.IN_SERVICE: "put back into service",
    EventKind.FOUND: "closed",
}


def _act(event: AlarmEvent, view: AlarmView) -> Entry:
    done = _ACTS.get(event.event, event.event.value)
    words = f"{kind_words(view.kind)} {done}"
    if event.event is EventKind.FOUND and event.part:
        words += f": it was {found_words(event.part)}"
    if event.comment:
        words += f" (“{event.comment}”)"
    return Entry(event.at_ns, None, Happened.SAID, event.valve, words, done, event.who, alarm_href(event.alarm))


def _revisions(source: Source, from_ns: int, to_ns: int) -> list[Entry]:
    """By when a revision came in force; only valves whose newest one did so in the stretch are looked into."""
    out = []
    for valve, newest in source.records.effective_sheets(to_ns).items():
        if newest.at_ns < from_ns:
            continue
        for one in source.records.sheets(valve):
            if from_ns <= one.at_ns <= to_ns:
                words = f"sheet {one.number} in force" + (f": {one.why}" if one.why else "")
                out.append(Entry(one.at_ns, None, Happened.REVISED, valve, words, f"sheet {one.number}", one.by,
                                 sheet_href(valve)))  # fmt: skip
    return out


def _work(source: Source, from_ns: int, to_ns: int) -> list[Entry]:
    out = []
    for one in fold_work(source.work.work_events()):
        if one.until_ns > from_ns and one.from_ns < to_ns:
            begins, ends = max(one.from_ns, from_ns), min(one.until_ns, to_ns)
            words, before = f"work in progress: {one.why}", one.from_ns < from_ns
            href = work_href(one.valve)
            out.append(Entry(begins, ends, Happened.WORKED, one.valve, words, one.why, one.who, href, 0, before))
    return out


def _unwatched(source: Source, valve: str, from_ns: int, to_ns: int) -> list[Entry]:
    """Where no readings were judged for some minutes."""
    seen_ns, out = from_ns, []
    edges = [(round(one.from_s * S), round(one.to_s * S)) for one in source.records.intervals(valve, from_ns, to_ns)]
    for begins, ends in [*edges, (to_ns, to_ns)]:
        if begins - seen_ns >= LEAST_GAP_NS:
            words = f"not watched for {age((begins - seen_ns) / S)}: no readings were judged"
            out.append(Entry(seen_ns, begins, Happened.UNWATCHED, valve, words, "not watched", "", "/health"))
        seen_ns = max(seen_ns, ends)
    return out


def _lines(entries: Sequence[Entry], names: Mapping[str, ValveName]) -> list[Line]:
    """Valves of which there is something to tell: the gravest first, of like ones what began first."""
    of: dict[str, list[Entry]] = {}
    for one in entries:
        of.setdefault(one.valve, []).append(one)
    lines = [
        Line(names[valve], valve_href(valve), max(one.severity for one in own), own) for valve, own in of.items()
    ]
    return sorted(lines, key=lambda line: (-line.severity, _fresh(line), line.entries[0].at_ns, line.name.id))


def _fresh(line: Line) -> bool:
    """Whether nothing changed there in the stretch itself."""
    return not any(one.what is Happened.CHANGED and not one.there_before for one in line.entries)


def _never_watched(entries: Sequence[Entry], from_ns: int, to_ns: int) -> set[str]:
    """Valves that were not watched for the whole stretch."""
    unwatched = [one for one in entries if one.what is Happened.UNWATCHED]
    return {one.valve for one in unwatched if one.at_ns <= from_ns and (one.until_ns or to_ns) >= to_ns}


def _headline(
    source: Source, entries: Sequence[Entry], names: Mapping[str, ValveName], from_ns: int, to_ns: int
) -> str:
    since = source.time.moment(from_ns, source.now_ns())
    fresh = [one for one in entries if one.what is Happened.CHANGED and not one.there_before]
    if not fresh:
        blind = {one.valve for one in entries if one.what is Happened.UNWATCHED}
        if not blind:
            return f"Nothing changed since {since}."
        if not (set(names) - _never_watched(entries, from_ns, to_ns)):
            return f"Nothing was watched since {since}: whether anything changed is not known."
        return f"Nothing was seen to change since {since}; not all of the time was watched."
    first, valves = fresh[0], len({one.valve for one in fresh})
    count = f"{number(len(fresh), first=True)} {plural(len(fresh), 'thing')} changed since {since}"
    where = f" on {number(valves)} {plural(valves, 'valve')}" if len(fresh) > 1 else ""
    lead = "" if len(fresh) == 1 else "First: "
    at = source.time.moment(first.at_ns, source.now_ns())
    name = names[first.valve]
    return f"{count}{where}. {lead}{sentence_case(name.spoken) if not lead else name.spoken}, {first.short}, {at}."


def _subline(entries: Sequence[Entry], to_ns: int) -> str:
    before = sum(one.what is Happened.CHANGED and one.there_before for one in entries)
    still = sum(one.what is Happened.CHANGED and one.until_ns == to_ns for one in entries)
    people = sum(one.what in (Happened.SAID, Happened.REVISED, Happened.WORKED, Happened.RECORDED) for one in entries)
    blind = {one.valve for one in entries if one.what is Happened.UNWATCHED}
    parts = [
        f"{number(before, first=True)} stood already." if before else "",
        f"{number(still, first=True)} {plural(still, 'is', 'are')} still there." if still else "",
        f"People did {number(people)} {plural(people, 'thing')}." if people else "Nobody entered anything.",
        f"{number(len(blind), first=True)} {plural(len(blind), 'valve was', 'valves were')} not watched all the time."
        if blind else "Every valve was watched all the time.",
    ]  # fmt: skip
    return " ".join(one for one in parts if one)


def _quiet(silent: int, count: int) -> str:
    if silent == 0:
        return ""
    if silent == count:
        return "Of no valve there is anything to tell."
    return f"Of {number(silent)} other {plural(silent, 'valve')} there is nothing to tell."


# The time axis of all valves as a scene: for the page, for paper and for a mail.

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 1000.0, 206.0, 14.0, 22.0, 40.0
ROW = 34.0
#: Valves drawn at the most: so many fit on one sheet of paper with their list.
MOST_LINES = 14
_COLORS = {3: palette.NOW, 2: palette.SHIFT, 1: palette.DIGEST}


def drawing_of(source: Source, view: NightView) -> Scene:
    """Bars of what changed, marks of what people did, grey where nothing was watched; a row for each valve."""
    lines = view.lines[:MOST_LINES]
    height = TOP + ROW * max(len(lines), 1) + BOTTOM
    axis = Axis("plant time", source.time.name, source.time.plot_ms_one(view.from_ns),
                source.time.plot_ms_one(view.to_ns), clock=True)  # fmt: skip

    def x(at_ns: int) -> float:
        share = (source.time.plot_ms_one(at_ns) - axis.low) / ((axis.high - axis.low) or 1.0)
        return round(LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT), 1)

    pieces: list[Path | Text] = []
    foot = height - BOTTOM
    for value, words in marks_of(axis, 9):
        at = round(LEFT + (value - axis.low) / (axis.high - axis.low) * (WIDTH - LEFT - RIGHT), 1)
        pieces.append(Path(((at, TOP), (at, foot)), palette.RULE, 0.7))
        pieces.append(Text((at, foot + 16.0), words, palette.MUTED, "middle"))
    for place, line in enumerate(lines):
        pieces += _row(line, TOP + ROW * place, x)
    pieces.append(Path(((LEFT, foot), (WIDTH - RIGHT, foot)), palette.RULE, 1.0))
    pieces.append(Text(((LEFT + WIDTH - RIGHT) / 2, height - 6.0), axis.words, palette.MUTED, "middle"))
    return Scene(WIDTH, height, tuple(pieces))


def _row(line: Line, top: float, x: Callable[[int], float]) -> list[Path | Text]:
    middle = top + ROW * 0.66
    unwatched = [one for one in line.entries if one.what is Happened.UNWATCHED]
    pieces: list[Path | Text] = [Path(((0.0, top), (WIDTH, top)), palette.RULE, 0.6)]
    name, press = line.name.name, line.name.press
    pieces.append(Text((0.0, top + 14.0), _cut(name, 30), palette.TEXT, bold=True))
    pieces.append(Text((0.0, top + 28.0), _cut(press or line.name.id, 30), palette.MUTED))
    pieces += [_bar(x(one.at_ns), x(one.until_ns or one.at_ns), top + 2.0, ROW - 4.0, palette.BAND)
               for one in unwatched]  # fmt: skip
    taken: list[tuple[float, float]] = []
    for one in sorted(line.entries, key=lambda one: one.severity):  # the gravest over the others
        start = x(one.at_ns)
        if one.what is Happened.WORKED:
            end = x(one.until_ns or one.at_ns)
            edge = ((start, middle - 6.0), (end, middle - 6.0), (end, middle + 6.0), (start, middle + 6.0),
                    (start, middle - 6.0))  # fmt: skip
            pieces.append(Path(edge, palette.MEASURED, 1.2, (4, 2)))
        elif one.what is Happened.CHANGED:
            color = _COLORS.get(one.severity, palette.DIGEST)
            pieces.append(_bar(start, x(one.until_ns or one.at_ns), middle - 2.0, 4.0, color))
            if not one.there_before:
                pieces.append(Path(((start, middle - 7.0), (start + 6.0, middle + 4.0), (start - 6.0, middle + 4.0)),
                                   fill=color))  # fmt: skip
        elif one.what is not Happened.UNWATCHED:
            pieces.append(_mark(one, start, middle))
    for one in sorted(line.entries, key=lambda one: -one.severity):
        pieces += _label(one, x(one.at_ns), top, taken)
    return pieces


def _label(one: Entry, start: float, top: float, taken: list[tuple[float, float]]) -> list[Text]:
    """The words of an entry above its mark, where there is room: the list under the picture has all of them."""
    text = _cut(one.short if one.what is not Happened.SAID else f"{one.short}, {one.who}", 60)
    width = CHAR_PX * len(text)
    begin = min(start, WIDTH - RIGHT - width)
    if one.what is Happened.GONE or any(begin < b and begin + width > a for a, b in taken):
        return []
    taken.append((begin - 6.0, begin + width + 6.0))
    color = _COLORS.get(one.severity, palette.MUTED) if one.what is Happened.CHANGED else palette.MUTED
    return [Text((begin, top + 12.0), text, color)]


def _mark(one: Entry, at: float, middle: float) -> Path:
    """Told apart by shape: a dot somebody said something, a square a sheet, a diamond a record, open what went."""
    if one.what is Happened.REVISED:
        points = [(at - 4, middle - 4), (at + 4, middle - 4), (at + 4, middle + 4), (at - 4, middle + 4)]
    elif one.what is Happened.RECORDED:
        points = [(at, middle - 6), (at + 6, middle), (at, middle + 6), (at - 6, middle)]
    else:
        turns = np.arange(12) * np.pi / 6
        points = [(at + 4.6 * float(np.cos(t)), middle + 4.6 * float(np.sin(t))) for t in turns]
    corners: tuple[Point, ...] = tuple((round(a, 1), round(b, 1)) for a, b in points)
    if one.what is Happened.GONE:
        return Path((*corners, corners[0]), palette.TEXT, 1.3, fill="#FFFFFF")
    return Path(corners, fill=palette.TEXT)


def _bar(start: float, end: float, top: float, height: float, fill: str) -> Path:
    end = max(end, start + 1.5)
    return Path(((start, top), (end, top), (end, top + height), (start, top + height)), fill=fill)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
