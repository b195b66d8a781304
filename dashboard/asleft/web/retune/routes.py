"""The routes of a retune: before against after, adjusted, as a page and on paper."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.csv_files import file_of
from asleft.web.frame import Frame
from asleft.web.hrefs import RETUNE_ENDS, retune_href
from asleft.web.paper import document
from asleft.web.plant_times import for_field, typed_ns
from asleft.web.retune.contents import contents, retune_report, retune_table
from asleft.web.retune.view import (
    RetuneView,
    around_onset,
    checked_stretches,
    has_production,
    proposed,
    retune_view,
    stretches_in,
)
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch
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
        now, time = self.source.now_ns(), self.source.time
        ends = (
            ("plant_before_from", "Before, from", view.before.from_ns), ("plant_before_to", "to", view.before.to_ns),
            ("plant_after_from", "After, from", view.after.from_ns), ("plant_after_to", "to", view.after.to_ns),
        )  # fmt: skip
        return frame.filled(
            f"Retune of {view.name.spoken}",
            "retune/retune.html",
            view=view,
            note=note,
            contents=contents(self.source, view, shown),
            papers=PAPERS,
            ends=[(name, label, for_field(time, at).replace("T", " ")) for name, label, at in ends],
            others=[
                (one, time.moment(one.at_ns, now))
                for one in self.source.records.sheets(view.valve)
                if one.at_ns < now and one.number != view.record.number
            ],
        )

    def _typed(self) -> tuple[Stretch, Stretch] | None:
        names = [f"plant_{key}" for key in RETUNE_ENDS]
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
        return frame.refused("Retune", words, "There is nothing to compare here.", href, text, status)


def register(server: Flask, source: Source, version: str) -> None:
    """Add the routes."""
    pages = RetunePages(source, version)

    @server.get("/retune/<valve>")
    def _retune(valve: str) -> Response:
        kind = next(
            (k for k in ("html", "pdf", "csv") if valve.endswith(f".{k}") and valve not in source.valves()), ""
        )
        return pages.one(valve.removesuffix(f".{kind}") if kind else valve, kind)
