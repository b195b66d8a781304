"""The routes of the night at a glance: the page, and its table."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from asleft.web.access.visitor import current
from asleft.web.csv_files import file_of
from asleft.web.csv_text import Cell, Csv, both, utc
from asleft.web.evidence.paper import svg_of
from asleft.web.frame import Frame
from asleft.web.hrefs import valve_href
from asleft.web.markup import Markup
from asleft.web.night.drawing import MOST_LINES, drawing_of
from asleft.web.night.shifts import shifts_in, since_last_shift
from asleft.web.night.view import Entry, NightView, VerificationRecords, night_view
from asleft.web.plant_times import for_field, typed_ns
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch, stretch_in
from asleft.web.templates import filled
from flask import Flask, request
from werkzeug.wrappers import Response

LONGEST_S = 14 * 86_400.0
#: Rows of the list on paper: with the picture they fill one sheet.
ON_PAPER = 22


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
    rows = [_row(source, view, one, late=place >= ON_PAPER) for place, one in enumerate(view.entries)]
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


def _row(source: Source, view: NightView, one: Entry, *, late: bool) -> Row:
    at = "before" if one.there_before else source.time.moment(one.at_ns, view.to_ns)
    return Row(at, view.names[one.valve].spoken, valve_href(one.valve), one.words, one.who, one, late)


def register(server: Flask, source: Source, records: VerificationRecords) -> None:
    """Add the routes."""
    pages = NightPages(source, records)

    @server.get("/night")
    def _night() -> Response:
        return pages.page()

    @server.get("/csv/night")
    def _csv_night() -> Response:
        return pages.table()


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
