"""The routes of a retune: before against after, adjusted, as a page and on paper."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.actions.papers import document
from asleft.web.actions.tables import file_of
from asleft.web.fragments import retune as fragments
from asleft.web.frame import Frame, said
from asleft.web.markup import details, el
from asleft.web.plant_times import typed_ns
from asleft.web.report.retune import retune_report
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch
from asleft.web.tables.checked import retune_table
from asleft.web.views.checks import check_href
from asleft.web.views.retune import (
    KEYS,
    RetuneView,
    around_onset,
    checked_stretches,
    has_production,
    proposed,
    retune_href,
    retune_view,
    stretches_in,
)
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

PAPERS = (("Report to print", "html"), ("Report as PDF", "pdf"), ("CSV", "csv"))
SINCE = "the leading finding stands"


@dataclass(frozen=True, slots=True)
class RetunePages:
    """Comparing, over what the routes need."""

    source: Source
    version: str

    def one(self, valve: str, kind: str = "") -> Response:
        """The comparison, round a revision unless the address says other."""
        frame = Frame(self.source, current())
        if valve not in self.source.valves():
            return self._said(frame, f"Nothing is known of a valve “{valve[:64]}”.", 404)
        try:
            typed = self._typed()
            if typed is not None:
                return redirect(retune_href(valve, *typed), 303)
            both, note = stretches_in(request.args), ""
            if both is None:
                both, note = self._proposed(valve)
        except BadStretch as bad:
            return self._said(frame, str(bad), 400, valve)
        if both is None:
            return self._said(frame, "This valve has no sheet: there is no retune to compare round.", 404, valve)
        view = retune_view(self.source, valve, *both)
        if view is None:
            return self._said(frame, "No sheet was in force at the end of these stretches.", 404, valve)
        shown = units.current()
        if kind == "csv":
            return file_of(retune_table(view, shown), self.source.now_ns())
        if kind:
            text = retune_report(self.source, view, self.version, shown)
            return document(text, kind, f"{valve}-retune", frame)
        return self._page(frame, view, shown, note)

    def _page(self, frame: Frame, view: RetuneView, shown: units.Pressures, note: str) -> Response:
        papers = [el("a", words, href=retune_href(view.valve, view.before, view.after, ending), class_="button")
                  for words, ending in PAPERS]  # fmt: skip
        return frame.page(
            f"Retune of {view.name.spoken}",
            el(
                "p",
                el("a", "Presses", href="/"), " / ", f"{view.name.press} / " if view.name.press else None,
                el("a", view.name.name, href=f"/valve/{quote(view.valve, safe='')}"), " / retune",
                class_="crumbs",
            ),
            said(note),
            fragments.contents(self.source, view, shown),
            el("div", *papers, el("a", "Verify it", href=check_href(view.valve), class_="button"), class_="way-on"),
            details("Other stretches", fragments.windows_form(self.source, view), key="stretches"),
            fragments.other_revisions(self.source, view.valve, view.record.number),
        )  # fmt: skip

    def _typed(self) -> tuple[Stretch, Stretch] | None:
        names = [f"plant_{key}" for key in KEYS]
        if not any(name in request.args for name in names):
            return None
        return checked_stretches(*(typed_ns(self.source.time, name, request.args.get(name, "")) for name in names))

    def _proposed(self, valve: str) -> tuple[tuple[Stretch, Stretch] | None, str]:
        """Round a revision; where nothing was produced round the newest, round since when something is found."""
        text = request.args.get("revision")
        if text is not None and not (text.isascii() and text.isdigit() and len(text) < 9):
            raise BadStretch(f"revision = {text[:40]!r}: wanted is the number of a revision.")
        number = None if text is None else int(text)
        both = proposed(self.source, valve, number)
        if both is None and number is not None:
            raise BadStretch(f"revision = {number}: this valve has no such revision in force yet.")
        if number is None and both is not None and not has_production(self.source, valve, both):
            onset = around_onset(self.source, valve)
            if onset is not None:
                at = self.source.time.moment(onset[1].from_ns, self.source.now_ns())
                return (
                    onset,
                    f"Nothing was produced round the newest revision: this is round {at}, since when {SINCE}.",
                )
        return both, ""

    def _said(self, frame: Frame, words: str, status: int, valve: str = "") -> Response:
        href, text = (retune_href(valve), "Begin again") if valve and status == 400 else ("/", "All presses")
        return frame.page(
            "Retune", said(words, wrong=True), el("h1", "There is nothing to compare here."),
            el("p", el("a", text, href=href)), status=status,
        )  # fmt: skip


def register(server: Flask, source: Source, version: str) -> None:
    """Add the routes."""
    pages = RetunePages(source, version)

    @server.get("/retune/<valve>")
    def _retune(valve: str) -> Response:
        kind = next(
            (k for k in ("html", "pdf", "csv") if valve.endswith(f".{k}") and valve not in source.valves()), ""
        )
        return pages.one(valve.removesuffix(f".{kind}") if kind else valve, kind)
