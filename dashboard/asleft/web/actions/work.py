"""The route of work in progress: declare it on a valve, change it, end it early."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.store.work import WorkConflict, WorkRefused
from asleft.store.work_log import WorkLog
from asleft.web.access.visitor import current
from asleft.web.fragments import work as fragments
from asleft.web.frame import Frame, said
from asleft.web.markup import el
from asleft.web.source import Source
from asleft.web.views.work import until_of, work_view
from asleft.web.views.working import work_href
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

FASTER = "Somebody was faster: what is declared has changed since this page was made. Look again before you act."
OVER = "There was nothing to end: no work is declared (any more)."
DONE: Mapping[str, str] = {
    "declared": "Declared. Nothing is judged from now on, until it ends.",
    "ended": "Ended. It is judged from now on.",
}


@dataclass(frozen=True, slots=True)
class WorkPages:
    """Reading and declaring, over what the routes need."""

    source: Source
    log: WorkLog

    def one(
        self, valve: str, fault: str = "", *, faults: Mapping[str, str] | None = None, status: int = 200
    ) -> Response:
        """The page of a valve; `fault`: why the last act was refused, `faults` by the fields that are to blame."""
        frame = Frame(self.source, current())
        seen = self.log.last(valve)  # read before what is shown: what comes between is noticed
        view = work_view(self.source, valve)
        if view is None:
            return frame.page(
                "No such valve",
                el("h1", f"Nothing is known of a valve “{valve[:64]}”."),
                el("p", el("a", "All presses", href="/"), class_="sub"),
                status=404,
            )
        typed = request.form if faults or fault else {}
        return frame.page(
            f"Work on {view.name.spoken}",
            el(
                "p",
                el("a", "Presses", href="/"),
                " / ",
                f"{view.name.press} / " if view.name.press else None,
                el("a", view.name.name, href=view.valve_href),
                class_="crumbs",
            ),
            said(fault, wrong=True) or said(DONE.get(request.args.get("said", ""), "")),
            el(
                "div",
                el("h1", view.sentence),
                el("p", " ".join(words for words in (view.counted, frame.why_not) if words), class_="sub"),
                id="opening",
                class_="opening",
                data_renew=True,
            ),
            fragments.page(frame, view, seen, typed, faults or {}),
            status=status,
        )

    def act(self, valve: str) -> Response:
        """Do what the form says, and lead back to the page."""
        form, visitor = request.form, current()
        if work_view(self.source, valve) is None:
            return self.one(valve)
        seen = form.get("seen", "")
        if not (seen.isascii() and seen.isdigit() and len(seen) < 16):
            return self.one(valve, FASTER, status=409)
        now_ns, what = self.source.now_ns(), form.get("act", "")
        try:
            if what == "end":
                if not self.log.end(valve, int(seen), now_ns, visitor.actor):
                    return self.one(valve, OVER, status=409)
                return redirect(f"{work_href(valve)}?said=ended", 303)
            if what == "declare":
                why = " ".join(form.get("why", "").split())
                until_ns = until_of(self.source.time, form.get("until", ""))
                self.log.declare(valve, until_ns, why, int(seen), now_ns, visitor.actor)
                return redirect(f"{work_href(valve)}?said=declared", 303)
        except WorkRefused as refused:
            name, _, words = str(refused).partition(": ")
            return self.one(valve, f"That was not done: {refused}.", faults={name: words}, status=400)
        except WorkConflict:
            return self.one(valve, FASTER, status=409)
        return self.one(valve, f"That was not done: {what[:24]!r} is nothing that can be done here.", status=400)


def register(server: Flask, source: Source, log: WorkLog) -> None:
    """Add the routes."""
    pages = WorkPages(source, log)

    @server.get("/work-in-progress/<valve>")
    def _work(valve: str) -> Response:
        return pages.one(valve)

    @server.post("/work-in-progress/<valve>")
    def _declare(valve: str) -> Response:
        return pages.act(valve)
