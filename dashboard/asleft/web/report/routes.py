"""The routes of reports: choosing the stretch, the state of a valve as HTML to read, print or keep, and as PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import partial

from asleft.web.access.visitor import current
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import report_href
from asleft.web.paper import SIZES, document
from asleft.web.report.state import WEEK_NS, state_report
from asleft.web.source import Source
from asleft.web.valve.view import ValveView, valve_view
from asleft.web.when import EARLIEST_NS, BadStretch, PlantTime, Stretch, stretch_in
from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

# The page on which a report's stretch is chosen: usual ones as links, others by two days of the plant's calendar.

LONGEST_DAYS = 3660
USUAL: tuple[tuple[str, int], ...] = (("last day", 1), ("last week", 7), ("last month", 30))
KINDS: Mapping[str, str] = {"html": "HTML", "pdf": "PDF"}
_DAY_NS = 86_400 * 10**9


def size_in(text: str) -> str:
    """A size of paper. Raises `BadStretch`."""
    if text not in SIZES:
        raise BadStretch(f"paper = {text[:40]!r}: wanted is {' or '.join(SIZES)}.")
    return text


def days_in(typed: Mapping[str, str], time_of: PlantTime, now_ns: int) -> tuple[Stretch | None, dict[str, str]]:
    """The stretch of a form that was filled in, from the first day's beginning to the last one's end or now.

    Without a stretch, what is wrong, by the form's fields.
    """
    faults: dict[str, str] = {}
    days: dict[str, date] = {}
    for name in ("from", "to"):
        try:
            days[name] = date.fromisoformat(typed.get(name, ""))
        except ValueError:
            faults[name] = f"{typed.get(name, '')[:20]!r} is no day; wanted is one as 2026-11-26."
    if typed.get("paper") not in SIZES:
        faults["paper"] = f"{typed.get('paper', '')[:20]!r}: wanted is A4 or Letter."
    if typed.get("as") not in KINDS:
        faults["as"] = f"{typed.get('as', '')[:20]!r}: a report is HTML or PDF."
    if faults:
        return None, faults
    if days["to"] < days["from"]:
        return None, {"to": "The last day lies before the first."}
    if (days["to"] - days["from"]).days >= LONGEST_DAYS:
        return None, {"from": f"At most {LONGEST_DAYS} days are covered at once."}
    from_ns = _begins_ns(days["from"], time_of)
    if not EARLIEST_NS <= from_ns < now_ns:
        return None, {"from": "That day is not among those from 1970 to today."}
    return Stretch(from_ns, min(_begins_ns(days["to"] + timedelta(days=1), time_of), now_ns)), {}


def chooser(frame: Frame, view: ValveView, typed: Mapping[str, str], faults: Mapping[str, str]) -> AnyResponse:
    """The page, with what was typed and what is wrong with it."""
    time_of, now_ns = frame.source.time, frame.source.now_ns()
    today = time_of.local(now_ns).date()
    usual = []
    for words, days in USUAL:
        stretch = Stretch(now_ns - days * _DAY_NS, now_ns)
        usual.append((words, time_of.full(stretch.from_ns).rsplit(":", 1)[0], stretch))
    return frame.filled(
        f"Report of the {view.name.spoken}",
        "report/choose.html",
        status=400 if faults else 200,
        view=view,
        valve=view.name.id,
        usual=usual,
        kinds=KINDS,
        typed=typed,
        faults=faults,
        today=today.isoformat(),
        week_ago=(today - timedelta(days=7)).isoformat(),
    )


def _begins_ns(day: date, time_of: PlantTime) -> int:
    return round(datetime.combine(day, time(), time_of.zone).timestamp()) * 10**9


LONGEST_S = 3660 * 86_400.0
_KNOWN = ("from", "to", "paper")


@dataclass(frozen=True, slots=True)
class ReportPages:
    """Reports of what the stores hold."""

    source: Source
    version: str

    def one(self, valve: str, kind: str) -> Response:
        """The report as `kind`, "html" or "pdf"; the stretch is the last seven days unless the address says other."""
        try:
            stretch = stretch_in(request.args, self.source.now_ns(), WEEK_NS, known=_KNOWN, most_s=LONGEST_S)
            size = size_in(request.args.get("paper", "a4"))
        except BadStretch as fault:
            return self._said(str(fault), 400)
        text = state_report(self.source, valve, stretch, self.version, size=size)
        if text is None:
            return self._said(f"There is no valve “{valve[:64]}” here.", 404)
        return document(text, kind, valve, Frame(self.source, current()))

    def choose(self, valve: str) -> AnyResponse:
        """The form; filled in, it leads to the report of that stretch."""
        view, now = valve_view(self.source, valve), self.source.now_ns()
        if view is None:
            return self._said(f"There is no valve “{valve[:64]}” here.", 404)
        typed, faults = request.args.to_dict(), dict[str, str]()
        if "as" in typed:
            stretch, faults = days_in(typed, self.source.time, now)
            if stretch is not None:
                return redirect(report_href(valve, typed["as"], stretch, typed["paper"]), 303)
        return chooser(Frame(self.source, current()), view, typed, faults)

    def _said(self, words: str, status: int) -> Response:
        return Frame(self.source, current()).missing("No report", words, status=status)


def register(server: Flask, source: Source, version: str) -> None:
    """Add the routes."""
    pages = ReportPages(source, version)

    answered(server, "/report/<valve>", pages.choose)
    for kind in KINDS:
        answered(server, f"/report/<valve>.{kind}", partial(pages.one, kind=kind))
