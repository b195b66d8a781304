"""The routes of verification: watch one as it is done, find one in what was recorded, grade a stretch."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.sheet.model import Sheet
from asleft.store.verifications import Verifications
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.actions.grading import NO_SHEET, Grading
from asleft.web.actions.tables import file_of
from asleft.web.fragments import checked
from asleft.web.fragments import verification as fragments
from asleft.web.fragments.csv_link import csv_link, csv_of_stretch
from asleft.web.frame import Frame, said
from asleft.web.markup import Child, el, table
from asleft.web.plant_times import typed_ns
from asleft.web.stretch import BadStretch, Stretch, time_in
from asleft.web.tables.checked import check_table
from asleft.web.views.checks import LONGEST_S, LOOK_BACK_NS, check_href
from asleft.web.views.proposal import proposal_href
from asleft.web.views.valves import ValveName, valve_name
from flask import Flask, redirect, request
from werkzeug.wrappers import Response


@dataclass(frozen=True, slots=True)
class VerificationPages:
    """Watching and grading, over what the routes need."""

    grading: Grading
    filed: Verifications

    def all(self) -> Response:
        """Every valve and its newest record."""
        frame, now, newest = Frame(self.grading.source, current()), self.grading.source.now_ns(), self.filed.newest()
        rows: list[list[Child]] = []
        for valve in self.grading.source.valves():
            name = valve_name(valve, self.grading.source.sheet(valve, now))
            last = newest.get(valve)
            words = "never verified here"
            if last is not None:
                at = self.grading.source.time.moment(last[1], now)
                words = f"record {last[0]}, {at}, {'' if last[2] else 'not '}accepted"
            rows.append([el("a", name.spoken, href=check_href(valve)), words])
        done = sum(valve in newest for valve in self.grading.source.valves())
        return frame.page(
            "Verification",
            el("div", el("h1", f"{done} of {len(rows)} valves have a verification record here."), class_="opening"),
            table("Valves and their newest record", ["valve", "newest record"], rows),
        )

    def one(self, valve: str) -> Response:
        """Where a verification begins; or, with a stretch, what it says."""
        frame = Frame(self.grading.source, current())
        known = self.grading.known(valve)
        if known is None:
            return self.grading.missing(frame, valve)
        name, sheet, _ = known
        if sheet is None:
            return frame.page(
                f"Verify {name.spoken}", fragments.crumbs(name, valve), el("h1", NO_SHEET),
                el("p", el("a", "Make its sheet", href=f"/sheets/new?valve={valve}"), class_="sub"),
            )  # fmt: skip
        try:
            if "from" in request.args:
                return self._graded(frame, valve, name, sheet)
            return self._begin(frame, valve, name, sheet)
        except BadStretch as bad:
            return frame.page(
                f"Verify {name.spoken}", fragments.crumbs(name, valve), said(str(bad), wrong=True),
                el("h1", f"Verify the {name.spoken}."), el("p", el("a", "Begin again", href=check_href(valve))),
                status=400,
            )  # fmt: skip

    def _begin(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet) -> Response:
        now, before = self.grading.source.now_ns(), self.grading.found_in()
        looked = Stretch(now - LOOK_BACK_NS, now)
        if request.args.get("plant_from"):
            ends = [
                typed_ns(self.grading.source.time, key, request.args.get(key, ""))
                for key in ("plant_from", "plant_to")
            ]
            if not ends[0] < ends[1]:
                raise BadStretch("From must lie before to.")
            looked = Stretch(*ends)
            if request.args.get("do") == "grade":
                return redirect(check_href(valve, looked, before=before), 303)
            if looked.seconds > 2 * LOOK_BACK_NS / 1e9:
                raise BadStretch("From, to: sweeps are looked for in 16 hours at most.")
        sweeps = self.grading.checks.sweeps(valve, sheet, looked)
        filed = self.filed.of(valve)
        last = (
            f"Last verified {self.grading.source.time.full(filed[-1].at_ns)}, record {filed[-1].number}."
            if filed
            else ""
        )
        opening = f"Verify the {name.spoken}."
        if before is not None:
            opening = f"Adjust the {name.spoken}, then verify it as left."
        begin = fragments.begin_form(valve, now)
        if before is not None:
            begin = el(
                "section",
                el("h2", "After adjusting"),
                el("p", f"As found is taken from {self.grading.source.time.full(before.from_ns)}."),
                el("div", el("a", "Begin watching as left", class_="button",
                             href=check_href(valve, live_from_ns=now, before=before)), class_="way-on"),
            )  # fmt: skip
        return frame.page(
            f"Verify {name.spoken}",
            fragments.crumbs(name, valve),
            el("h1", opening),
            el("p", " ".join(words for words in (last, frame.why_not) if words), class_="sub"),
            fragments.cautions(),
            fragments.how_to(),
            begin,
            fragments.found(self.grading.source, valve, sweeps, looked, before),
            fragments.records(self.grading.source, valve, filed),
        )

    def _graded(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet) -> Response:
        now, live = self.grading.source.now_ns(), "to" not in request.args
        from_ns = time_in("from", request.args["from"])
        to_ns = now if live else time_in("to", request.args["to"])
        if live and to_ns - from_ns > LONGEST_S * 10**9:
            to_ns, live = from_ns + LONGEST_S * 10**9, False
        stretch = self.grading.stretch(from_ns, to_ns)
        before, of_then = self.grading.found_in(), self.grading.known(valve, to_ns)
        sheet = of_then[1] if of_then is not None and of_then[1] is not None else sheet
        made = self.grading.checks.check(valve, sheet, stretch)
        if made is None:
            words = "Nothing has been recorded yet." if live else "Nothing was recorded in this stretch."
            parts: list[Child] = [el("h1", words)]
            extra: Child = None
        else:
            shown = made.as_json()
            state = f"Graded against sheet {made.sheet_revision}."
            if live:
                state += f" Watching since {self.grading.source.time.moment(from_ns, now)}. {made.progress}"
            parts = [
                el("h1", checked.sentence(shown)),
                el("p", state, class_="sub"),
                checked.done_list(shown),
            ]
            extra = checked.body(shown, sheet, self.grading.source.time, units.current())
        ways = fragments.ways_on(valve, stretch, before, may_enter=frame.may_enter) if made is not None else None
        return frame.page(
            f"Verification of {name.spoken}",
            fragments.crumbs(name, valve, "watching" if live else self.grading.source.time.moment(from_ns, now)),
            el("div", *parts, class_="opening", id="check", data_renew=live or None),
            fragments.cautions() if live else None,
            el("div", ways, id="ways", data_renew=live or None),
            el("p", csv_link(csv_of_stretch(valve, "verification", from_ns, to_ns), "everything that was graded"))
            if made is not None
            else None,
            el("p", frame.why_not, class_="sub") if frame.why_not else None,
            el("p", el("a", "Settings for other pressures, from this sweep", href=proposal_href(valve, stretch)))
            if made is not None and made.sweep is not None
            else None,
            el("div", extra, id="graded", data_renew=live or None),
        )

    def table(self, valve: str) -> Response:
        """A graded stretch as a table."""
        frame = Frame(self.grading.source, current())
        try:
            stretch = self.grading.stretch(*(time_in(key, request.args.get(key, "")) for key in ("from", "to")))
            known = self.grading.known(valve, stretch.to_ns)
            if known is None or known[1] is None:
                return self.grading.missing(frame, valve)
            made = self.grading.checks.check(valve, known[1], stretch)
            if made is None:
                raise BadStretch("from, to: nothing was recorded in this stretch.")
        except BadStretch as bad:
            return frame.page("No table", el("h1", str(bad)), el("p", el("a", "Begin again", href=check_href(valve))),
                              status=400)  # fmt: skip
        table = check_table(
            f"{valve}-verification", [("", made.as_json())], self.grading.source.time, units.current()
        )
        return file_of(table, self.grading.source.now_ns())


def register(server: Flask, grading: Grading, filed: Verifications) -> None:
    """Add the routes."""
    pages = VerificationPages(grading, filed)

    @server.get("/verification")
    def _verifications() -> Response:
        return pages.all()

    @server.get("/verification/<valve>")
    def _verification(valve: str) -> Response:
        return pages.one(valve)

    @server.get("/csv/<valve>/verification")
    def _table(valve: str) -> Response:
        return pages.table(valve)
