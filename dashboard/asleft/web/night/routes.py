"""The routes of the night at a glance, the page and its table, and the shift that it begins with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from urllib.parse import urlencode

from asleft.web.access.visitor import current
from asleft.web.csv_files import file_of
from asleft.web.csv_text import Cell, Csv, both, utc
from asleft.web.evidence.scene import svg_of
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import valve_href
from asleft.web.markup import Markup
from asleft.web.night.view import MOST_LINES, Entry, Happened, NightView, VerificationRecords, drawing_of, night_view
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.when import BadStretch, PlantTime, Stretch, for_field, last_at, stretch_in, typed_ns
from asleft.web.words import number
from flask import Flask, request
from werkzeug.wrappers import Response

# When shifts begin, by the plant's clock, and the stretch since the last of them.

#: Three shifts of eight hours: common practice. A plant with others says so in the page's address.
USUAL = (time(6), time(14), time(22))
#: A shift that has only just begun has nothing to tell yet: the one before is shown with it.
_JUST_BEGUN_NS = 3600 * 10**9
_MOST = 12


def shifts_in(text: str | None) -> tuple[time, ...]:
    """From "06,14,22" or "05:30,13:30,21:30"; the usual ones for None. Raises `BadStretch`."""
    if text is None:
        return USUAL
    try:
        found = {time.fromisoformat(part.strip()) for part in text.split(",")}
    except ValueError:
        found = set()
    if not 0 < len(found) <= _MOST or any(one.tzinfo is not None for one in found):
        raise BadStretch(f"shifts = {text[:40]!r}: wanted are times of the day, as 06,14,22 or 05:30,17:30.")
    return tuple(sorted(found))


def since_last_shift(time_of: PlantTime, now_ns: int, shifts: tuple[time, ...]) -> Stretch:
    """Up to now, from the beginning of the last shift that began an hour ago or more."""
    then = time_of.local(now_ns - _JUST_BEGUN_NS)
    began = max(last_at(one, then) for one in shifts)
    return Stretch(round(began.timestamp()) * 10**9, now_ns)


LONGEST_S = 14 * 86_400.0
#: Rows of the list on paper: with the picture they fill one sheet.
ON_PAPER = 22
COMMON_FROM = 3
"""From so many valves on, what was not watched on them alike is told once, with their number."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the list as it is written."""

    at: str
    valve: str
    valve_href: str
    words: str
    who: str
    entry: Entry
    late: bool


@dataclass(frozen=True, slots=True)
class NightPages:
    """The night, over what the routes need."""

    source: Source
    records: VerificationRecords

    def page(self) -> Response:
        """The page."""
        frame = Frame(self.source, current())
        try:
            stretch = self._stretch()
        except BadStretch as bad:
            return frame.refused(
                "Night", str(bad), "There is no such stretch.", "/night", "Since the last shift began"
            )
        return frame.page("Night", contents(self.source, night_view(self.source, self.records, stretch)))

    def table(self) -> Response:
        """What happened, as CSV."""
        try:
            stretch = self._stretch()
        except BadStretch as bad:
            return Frame(self.source, current()).missing("No table", str(bad), "/night", "Night", 400)
        return file_of(night_table(self.source, night_view(self.source, self.records, stretch)), self.source.now_ns())

    def _stretch(self) -> Stretch:
        """Of the address: from and to, in UTC or by the plant's clock, else since the last shift began."""
        args, now = request.args, self.source.now_ns()
        typed = {name: args.get(f"plant_{name}", "") for name in ("from", "to")}
        if any(typed.values()):
            ends = [typed_ns(self.source.time, name, text) if text else now for name, text in typed.items()]
            return _checked(Stretch(ends[0], min(ends[1], now)))
        usual = since_last_shift(self.source.time, now, shifts_in(args.get("shifts")))
        if "from" not in args and "to" not in args:
            return usual
        named = {name: args[name] for name in ("from", "to") if name in args}
        return stretch_in(named, now, usual.to_ns - usual.from_ns, most_s=LONGEST_S)


def _checked(stretch: Stretch) -> Stretch:
    if not stretch.from_ns < stretch.to_ns:
        raise BadStretch("from must lie before to, and before now.")
    if stretch.seconds > LONGEST_S:
        raise BadStretch(
            f"from, to: {stretch.seconds / 86_400:.1f} days; at most {LONGEST_S / 86_400:.0f} are shown."
        )
    return stretch


def contents(source: Source, view: NightView) -> Markup:
    """All of the page but its frame."""
    rows = _rows(source, view)
    hidden = len(view.lines) - MOST_LINES
    ends = {"from": utc(view.from_ns), "to": utc(view.to_ns)}
    return filled(
        "night/night.html",
        view=view,
        span=f"{source.time.full(view.from_ns)} to {source.time.full(view.to_ns)}.",
        from_field=for_field(source.time, view.from_ns)[:16].replace("T", " "),
        to_field=for_field(source.time, view.to_ns)[:16].replace("T", " "),
        zone=source.time.name,
        csv=f"/csv/night?{urlencode(ends, safe=':')}",
        drawing=svg_of(drawing_of(source, view), f"{view.headline} {view.subline} The list below has all of it."),
        hidden_lines=f"{hidden} more valves are in the list." if hidden > 0 else "",
        rows=rows,
        on_paper=f"{len(rows) - ON_PAPER} more are on the page." if len(rows) > ON_PAPER else "",
    )


def _rows(source: Source, view: NightView) -> list[Row]:
    """A row for each entry; what was not watched on several valves alike, as when the recorder rested, is one."""
    alike: dict[tuple[str, object], list[Entry]] = {}
    for one in view.entries:
        at = "before" if one.there_before else source.time.moment(one.at_ns, view.to_ns)
        key = (at, one.words) if one.what is Happened.UNWATCHED else one
        alike.setdefault((at, key), []).append(one)
    rows: list[Row] = []
    for (at, _), entries in alike.items():
        one, late = entries[0], len(rows) >= ON_PAPER
        if len(entries) >= COMMON_FROM:
            rows.append(Row(at, f"{number(len(entries))} valves", "/", one.words, "", one, late))
            continue
        rows += [
            Row(at, view.names[one.valve].spoken, valve_href(one.valve), one.words, one.who, one, late)
            for one in entries
        ]
    return rows


def register(server: Flask, source: Source, records: VerificationRecords) -> None:
    """Add the routes."""
    pages = NightPages(source, records)

    answered(server, "/night", pages.page)
    answered(server, "/csv/night", pages.table)


def night_table(source: Source, view: NightView) -> Csv:
    """One row for each entry, in order of time."""
    columns = (
        *("at_utc", "at_plant", "until_utc", "until_plant", "valve", "press", "name", "what", "severity"),
        *("there_before", "words", "who", "follows"),
    )
    rows: list[list[Cell]] = []
    for one in view.entries:
        name = view.names[one.valve]
        rows.append([
            *both(one.at_ns, source.time), *both(one.until_ns, source.time), one.valve, name.press, name.name,
            one.what.value, one.severity or None, "yes" if one.there_before else "no",
            one.words, one.who, one.follows,
        ])  # fmt: skip
    return Csv("night", columns, rows)
