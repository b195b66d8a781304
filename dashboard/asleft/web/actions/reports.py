"""The routes of reports: the state of a valve as HTML to read, print or keep, and as PDF."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.web.access.visitor import current
from asleft.web.frame import Frame
from asleft.web.markup import el
from asleft.web.report.paper import PdfUnavailableError, pdf
from asleft.web.report.state import WEEK_NS, state_report
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, stretch_in
from flask import Flask, Response, request

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; frame-ancestors 'none'"


@dataclass(frozen=True, slots=True)
class ReportPages:
    """Reports of what the stores hold."""

    source: Source
    version: str

    def one(self, valve: str, kind: str) -> Response:
        """The report as `kind`, "html" or "pdf"; the stretch is the last seven days unless the address says other."""
        try:
            stretch = stretch_in(request.args, self.source.now_ns(), WEEK_NS)
        except BadStretch as fault:
            return self._said(str(fault), 400)
        text = state_report(self.source, valve, stretch, self.version)
        if text is None:
            return self._said(f"There is no valve “{valve[:64]}” here.", 404)
        if kind == "html":
            answer = Response(text, mimetype="text/html")
            answer.headers["Content-Security-Policy"] = POLICY
            return answer
        try:
            body = pdf(text)
        except PdfUnavailableError as error:
            return self._said(str(error), 501)
        answer = Response(body, mimetype="application/pdf")
        answer.headers["Content-Disposition"] = f'inline; filename="asleft-{valve}.pdf"'
        return answer

    def _said(self, words: str, status: int) -> Response:
        frame = Frame(self.source, current())
        return frame.page("No report", el("h1", words), el("p", el("a", "All presses", href="/")), status=status)


def register(server: Flask, source: Source, version: str) -> None:
    """Add the routes."""
    pages = ReportPages(source, version)

    @server.get("/report/<valve>.html")
    def _html(valve: str) -> Response:
        return pages.one(valve, "html")

    @server.get("/report/<valve>.pdf")
    def _pdf(valve: str) -> Response:
        return pages.one(valve, "pdf")
