"""Work in progress, declared by people: declare it on a valve, change it, end it early."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from asleft.store.work import WHY_LONGEST, WorkConflict, WorkRefused
from asleft.store.work_log import WorkLog
from asleft.web.access.visitor import current
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import valve_href, work_href
from asleft.web.source import Source
from asleft.web.views.valves import STATE, Json, ValveName, valve_name, work_words
from asleft.web.when import BadStretch, PlantTime, age, typed_ns
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
            return frame.missing("No such valve", f"Nothing is known of a valve “{valve[:64]}”.")
        return frame.filled(
            f"Work on {view.name.spoken}",
            "work/work.html",
            status=status,
            view=view,
            seen=seen,
            fault=fault,
            done=DONE.get(request.args.get("said", ""), ""),
            typed=request.form if faults or fault else {},
            faults=faults or {},
            why_longest=WHY_LONGEST,
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

    answered(server, "/work-in-progress/<valve>", pages.one)
    answered(server, "/work-in-progress/<valve>", pages.act, "POST")


LATELY_NS = 90 * 86_400 * 10**9
_USUAL_NS = 2 * 3600 * 10**9
MINUTE = "%Y-%m-%d %H:%M"


@dataclass(frozen=True, slots=True)
class WorkView:
    """The page of a valve's work."""

    name: ValveName
    href: str
    valve_href: str
    sentence: str
    counted: str
    standing: bool
    until: str  # plant time, as a field of a form holds it
    why: str
    past: list[tuple[str, str, str, str]]  # from, until, why, who


def work_view(source: Source, valve: str) -> WorkView | None:
    """The page of one valve; None if no store has ever heard of it."""
    now = source.now_ns()
    sheet = source.sheet(valve, now)
    if sheet is None and source.samples.span(valve) is None and not source.records.sheets(valve):
        return None
    name = valve_name(valve, sheet)
    standing = source.work.work_standing(now).get(valve)
    past = [work for work in source.work.work_of(valve, now - LATELY_NS, now) if work.until_ns <= now]
    until_ns = now + _USUAL_NS if standing is None else standing.until_ns
    return WorkView(
        name=name,
        href=work_href(valve),
        valve_href=valve_href(valve),
        sentence=f"No work is declared on the {name.spoken}."
        if standing is None
        else work_words(source.time, standing, now),
        counted=_counted(source.records.judgement(valve)),
        standing=standing is not None,
        until=f"{source.time.local(until_ns):{MINUTE}}",
        why="" if standing is None else standing.why,
        past=[
            (
                source.time.moment(work.from_ns, now),
                source.time.moment(work.until_ns, now)
                + (f", ended by {work.ended_by}" if work.ended_by else ", expired"),
                work.why,
                work.who,
            )
            for work in reversed(past)
        ],
    )


def until_of(time: PlantTime, text: str) -> int:
    """What a form holds as until, in plant time, as unix ns. Raises `WorkRefused`."""
    try:
        return typed_ns(time, "until", text)
    except BadStretch as bad:
        raise WorkRefused(str(bad).replace("until =", "until:", 1).rstrip(".")) from None


def _counted(judgement: Json | None) -> str:
    hours = cast("dict[str, float]", (judgement or {}).get("states") or {}).get(STATE, 0.0)
    if hours <= 0.0:
        return ""
    return f"{age(hours * 3600)} of work in progress were not judged since the sheet in force was filed."
