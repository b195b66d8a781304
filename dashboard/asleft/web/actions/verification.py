"""The routes of verification: watch one as it is done or grade what was recorded, and file a record of it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.store.protocols import SheetRecord
from asleft.store.verifications import VerificationRecord, Verifications
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.actions.papers import document
from asleft.web.actions.tables import file_of
from asleft.web.fragments import checked
from asleft.web.fragments import verification as fragments
from asleft.web.fragments.csv_link import csv_link, csv_of_stretch
from asleft.web.frame import Frame, said
from asleft.web.markup import Child, el, table
from asleft.web.plant_times import typed_ns
from asleft.web.report.verification import contents, record_report, title_of
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch, time_in
from asleft.web.tables.checked import check_table
from asleft.web.views import record as views
from asleft.web.views.checks import LONGEST_S, LOOK_BACK_NS, Checks, check_href
from asleft.web.views.proposal import proposal_href
from asleft.web.views.valves import ValveName, valve_name
from flask import Flask, redirect, request
from flask import Response as Answer
from werkzeug.wrappers import Response

PAPERS = (("To print", "html"), ("PDF", "pdf"), ("JSON", "json"), ("CSV", "csv"))
NO_SHEET = "This valve has no sheet: nothing can be graded before there is one."


@dataclass(frozen=True, slots=True)
class VerificationPages:
    """Watching, grading and filing, over what the routes need."""

    source: Source
    filed: Verifications
    version: str
    checks: Checks = field(init=False)

    def __post_init__(self) -> None:
        """Have a place to keep what was graded a moment ago."""
        object.__setattr__(self, "checks", Checks(self.source))

    def all(self) -> Response:
        """Every valve and its newest record."""
        frame, now, newest = Frame(self.source, current()), self.source.now_ns(), self.filed.newest()
        rows: list[list[Child]] = []
        for valve in self.source.valves():
            name = valve_name(valve, self.source.sheet(valve, now))
            last = newest.get(valve)
            words = "never verified here"
            if last is not None:
                words = (
                    f"record {last[0]}, {self.source.time.moment(last[1], now)}, {'' if last[2] else 'not '}accepted"
                )
            rows.append([el("a", name.spoken, href=check_href(valve)), words])
        done = sum(valve in newest for valve in self.source.valves())
        return frame.page(
            "Verification",
            el("div", el("h1", f"{done} of {len(rows)} valves have a verification record here."), class_="opening"),
            table("Valves and their newest record", ["valve", "newest record"], rows),
        )

    def one(self, valve: str) -> Response:
        """Where a verification begins; or, with a stretch, what it says."""
        frame = Frame(self.source, current())
        known = self._known(valve)
        if known is None:
            return self._missing(frame, valve)
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
        now, before = self.source.now_ns(), self._before()
        looked = Stretch(now - LOOK_BACK_NS, now)
        if request.args.get("plant_from"):
            ends = [typed_ns(self.source.time, key, request.args.get(key, "")) for key in ("plant_from", "plant_to")]
            if not ends[0] < ends[1]:
                raise BadStretch("From must lie before to.")
            looked = Stretch(*ends)
            if request.args.get("do") == "grade":
                return redirect(check_href(valve, looked, before=before), 303)
            if looked.seconds > 2 * LOOK_BACK_NS / 1e9:
                raise BadStretch("From, to: sweeps are looked for in 16 hours at most.")
        sweeps = self.checks.sweeps(valve, sheet, looked)
        filed = self.filed.of(valve)
        last = f"Last verified {self.source.time.full(filed[-1].at_ns)}, record {filed[-1].number}." if filed else ""
        opening = f"Verify the {name.spoken}."
        if before is not None:
            opening = f"Adjust the {name.spoken}, then verify it as left."
        begin = fragments.begin_form(valve, now)
        if before is not None:
            begin = el(
                "section",
                el("h2", "After adjusting"),
                el("p", f"As found is taken from {self.source.time.full(before.from_ns)}."),
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
            fragments.found(self.source, valve, sweeps, looked, before),
            fragments.records(self.source, valve, filed),
        )

    def _graded(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet) -> Response:
        now, live = self.source.now_ns(), "to" not in request.args
        from_ns = time_in("from", request.args["from"])
        to_ns = now if live else time_in("to", request.args["to"])
        if live and to_ns - from_ns > LONGEST_S * 10**9:
            to_ns, live = from_ns + LONGEST_S * 10**9, False
        stretch = self._stretch(from_ns, to_ns)
        before, of_then = self._before(), self._known(valve, to_ns)
        sheet = of_then[1] if of_then is not None and of_then[1] is not None else sheet
        made = self.checks.check(valve, sheet, stretch)
        if made is None:
            words = "Nothing has been recorded yet." if live else "Nothing was recorded in this stretch."
            parts: list[Child] = [el("h1", words)]
            extra: Child = None
        else:
            shown = made.as_json()
            state = f"Graded against sheet {made.sheet_revision}."
            if live:
                state += f" Watching since {self.source.time.moment(from_ns, now)}. {made.progress}"
            parts = [
                el("h1", checked.sentence(shown)),
                el("p", state, class_="sub"),
                checked.done_list(shown),
            ]
            extra = checked.body(shown, sheet, self.source.time, units.current())
        ways = fragments.ways_on(valve, stretch, before, may_enter=frame.may_enter) if made is not None else None
        return frame.page(
            f"Verification of {name.spoken}",
            fragments.crumbs(name, valve, "watching" if live else self.source.time.moment(from_ns, now)),
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
        frame = Frame(self.source, current())
        try:
            stretch = self._stretch(*(time_in(key, request.args.get(key, "")) for key in ("from", "to")))
            known = self._known(valve, stretch.to_ns)
            if known is None or known[1] is None:
                return self._missing(frame, valve)
            made = self.checks.check(valve, known[1], stretch)
            if made is None:
                raise BadStretch("from, to: nothing was recorded in this stretch.")
        except BadStretch as bad:
            return frame.page("No table", el("h1", str(bad)), el("p", el("a", "Begin again", href=check_href(valve))),
                              status=400)  # fmt: skip
        table = check_table(f"{valve}-verification", [("", made.as_json())], self.source.time, units.current())
        return file_of(table, self.source.now_ns())

    def form(
        self, valve: str, typed: Mapping[str, str] | None = None, faults: Mapping[str, str] | None = None
    ) -> Response:
        """The form of a record over one or two stretches, with what was typed and what is wrong with it."""
        frame = Frame(self.source, current())
        drafted = self._draft(frame, valve, typed)
        if isinstance(drafted, Response):
            return drafted
        draft, name = drafted
        found, left = draft.found.as_json(), None if draft.left is None else draft.left.as_json()
        summary = [el("li", el("b", "As found: "), checked.sentence(found))]
        if left is not None:
            summary.append(el("li", el("b", "As left: "), checked.sentence(left)))
        return frame.page(
            f"Record of {name.spoken}",
            fragments.crumbs(name, valve, "record"),
            said("The record was not filed: see what is marked below.", wrong=True) if faults else None,
            el("h1", f"A verification record of the {name.spoken}."),
            el("ul", *summary),
            checked.done_list(left or found),
            fragments.form(frame, request.full_path, draft.entered, faults or {}, views.why_not_accepted(draft)),
            status=400 if faults else 200,
        )

    def file(self, valve: str) -> Response:
        """Take the record, or come back with what is wrong."""
        frame = Frame(self.source, current())
        typed = views.entered_of(request.form)
        drafted = self._draft(frame, valve, typed)
        if isinstance(drafted, Response):
            return drafted
        draft, _ = drafted
        faults = views.faults_of(draft)
        if faults:
            return self.form(valve, typed, faults)
        now = self.source.now_ns()
        body = views.record_body(
            draft, made_ns=now, who=frame.visitor.name, version=self.version, zone=self.source.time.name
        )
        accepted = typed["decision"] == "accepted"
        actor = frame.visitor.actor
        made = self.filed.put(valve, now, draft.sheet_record.number, body, actor, accepted=accepted)
        return redirect(f"{fragments.record_href(valve, made.number)}?said=filed", 303)

    def record(self, valve: str, number: int, kind: str = "") -> Response:
        """A record: as a page, or as a document."""
        frame = Frame(self.source, current())
        record = self.filed.one(valve, number)
        sheet = None if record is None else self._sheet_of(record)
        if record is None or sheet is None:
            return frame.page(
                "No such record", el("h1", f"There is no record {number} of “{valve[:64]}”."),
                el("p", el("a", "All verifications", href="/verification"), class_="sub"), status=404,
            )  # fmt: skip
        shown = units.current()
        if kind == "json":
            answer = Answer(record.body, mimetype="application/json")
            answer.headers["Content-Disposition"] = f'attachment; filename="asleft-{valve}-record-{number}.json"'
            return answer
        if kind == "csv":
            body = json.loads(record.body)
            parts = [
                (words, body[key]) for words, key in (("as found", "as_found"), ("as left", "as_left")) if body[key]
            ]
            file = f"{valve}-record-{number}"
            return file_of(check_table(file, parts, self.source.time, shown), self.source.now_ns())
        if kind:
            text = record_report(record, sheet, self.source.time, shown)
            return document(text, kind, f"{valve}-record-{number}", frame)
        links = [el("a", words, href=fragments.record_href(valve, number, ending), class_="button")
                 for words, ending in PAPERS]  # fmt: skip
        name = valve_name(valve, sheet)
        return frame.page(
            title_of(json.loads(record.body), number),
            fragments.crumbs(name, valve, f"record {number}"),
            said("Filed." if request.args.get("said") == "filed" else ""),
            el("div", *links, class_="way-on"),
            contents(record, sheet, self.source.time, shown, folds=True),
        )

    # ------------------------------------------------------------------------------------------------ helpers

    def _known(
        self, valve: str, at_ns: int | None = None
    ) -> tuple[ValveName, Sheet | None, SheetRecord | None] | None:
        """Name and sheet of a valve; None for a valve nobody knows.

        The sheet is that in force at `at_ns`, or now; where none was yet, the one of now, which came of that sweep.
        """
        now = self.source.now_ns()
        record = self.source.records.sheet_in_force(valve, now if at_ns is None else at_ns)
        record = record or self.source.records.sheet_in_force(valve, now)
        if record is None and valve not in self.source.valves():
            return None
        sheet = None if record is None else self.source.parsed(record)
        return valve_name(valve, sheet), sheet, record

    def _sheet_of(self, record: VerificationRecord) -> Sheet | None:
        for one in self.source.records.sheets(record.valve):
            if one.number == record.sheet_number:
                try:
                    return self.source.parsed(one)
                except SheetError:
                    return None
        return None

    def _stretch(self, from_ns: int, to_ns: int) -> Stretch:
        if not from_ns < to_ns:
            raise BadStretch("from must lie before to.")
        if to_ns - from_ns > LONGEST_S * 10**9:
            raise BadStretch(f"from, to: {(to_ns - from_ns) / 3.6e12:.1f} hours; a verification takes 2 at most.")
        return Stretch(from_ns, to_ns)

    def _before(self) -> Stretch | None:
        if "found_from" not in request.args:
            return None
        return self._stretch(*(time_in(k, request.args.get(k, "")) for k in ("found_from", "found_to")))

    def _draft(
        self, frame: Frame, valve: str, typed: Mapping[str, str] | None
    ) -> tuple[views.Draft, ValveName] | Response:
        known = self._known(valve)
        if known is None:
            return self._missing(frame, valve)
        name, sheet, record = known
        try:
            # Found and left are held against one sheet: that in force when the valve was left.
            last = request.args.get("left_to", request.args.get("found_to"))
            of_then = self._known(valve, time_in("found_to", last)) if last is not None else None
            name, sheet, record = of_then or known
            if sheet is None or record is None:
                raise BadStretch(NO_SHEET)
            found_in = self._before()
            if found_in is None:
                raise BadStretch("found_from, found_to: a record needs a stretch in which it was found.")
            found = self.checks.check(valve, sheet, found_in)
            left = None
            if "left_from" in request.args:
                left_in = self._stretch(*(time_in(k, request.args.get(k, "")) for k in ("left_from", "left_to")))
                if left_in.from_ns < found_in.to_ns:
                    raise BadStretch("left_from: as left comes after as found.")
                left = self.checks.check(valve, sheet, left_in)
                if left is None:
                    raise BadStretch("left_from, left_to: nothing was recorded there.")
            if found is None:
                raise BadStretch("found_from, found_to: nothing was recorded there.")
        except BadStretch as bad:
            return frame.page(
                f"Record of {name.spoken}", fragments.crumbs(name, valve, "record"), said(str(bad), wrong=True),
                el("h1", "No record can be made of this."),
                el("p", el("a", "Begin again", href=check_href(valve))), status=400,
            )  # fmt: skip
        if typed is None:
            typed = {**dict.fromkeys(views.FIELDS, ""), **self._last_entered(valve), "technician": frame.visitor.name}
        return views.Draft(sheet, record, found, left, typed), name

    def _last_entered(self, valve: str) -> dict[str, str]:
        """Plates and instruments of the record before, which seldom change."""
        filed = self.filed.of(valve)
        if not filed:
            return {}
        body = json.loads(filed[-1].body)
        plate = {k: str(v) for k, v in body["plate"].items() if k != "dialled"}
        instruments = {f"{channel}_{part}": str(text) for channel, one in body["instruments"].items()
                       for part, text in one.items()}  # fmt: skip
        return plate | instruments

    def _missing(self, frame: Frame, valve: str) -> Response:
        return frame.page(
            "No such valve",
            el("h1", f"Nothing is known of a valve “{valve[:64]}”."),
            el("p", el("a", "All presses", href="/"), class_="sub"),
            status=404,
        )


def register(server: Flask, source: Source, filed: Verifications, version: str) -> None:
    """Add the routes."""
    pages = VerificationPages(source, filed, version)

    @server.get("/verification")
    def _verifications() -> Response:
        return pages.all()

    @server.get("/verification/<valve>")
    def _verification(valve: str) -> Response:
        return pages.one(valve)

    @server.get("/csv/<valve>/verification")
    def _table(valve: str) -> Response:
        return pages.table(valve)

    @server.get("/verification/<valve>/record")
    def _record_form(valve: str) -> Response:
        return pages.form(valve)

    @server.post("/verification/<valve>/record")
    def _record_file(valve: str) -> Response:
        return pages.file(valve)

    @server.get("/verification/<valve>/<int:number>")
    def _record(valve: str, number: int) -> Response:
        return pages.record(valve, number)

    @server.get("/verification/<valve>/<int:number>.<any(html, pdf, json, csv):kind>")
    def _document(valve: str, number: int, kind: str) -> Response:
        return pages.record(valve, number, kind)
