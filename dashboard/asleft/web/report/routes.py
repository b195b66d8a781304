"""The routes of reports: choosing the stretch, the state of a valve as HTML to read, print or keep, and as PDF."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.web.access.visitor import current
from asleft.web.frame import Frame
from asleft.web.hrefs import report_href
from asleft.web.paper import document
from asleft.web.report.parts import chooser, days_in, size_in
from asleft.web.report.state import WEEK_NS, state_report
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, stretch_in
from asleft.web.valve.view import valve_view
from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

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

    @server.get("/report/<valve>")
    def _report(valve: str) -> AnyResponse:
        return pages.choose(valve)

    @server.get("/report/<valve>.html")
    def _html(valve: str) -> Response:
        return pages.one(valve, "html")

    @server.get("/report/<valve>.pdf")
    def _pdf(valve: str) -> Response:
        return pages.one(valve, "pdf")
