"""The routes of verification records: the form over one or two graded stretches, filing, and the record itself."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.store.verifications import VerificationRecord, Verifications
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.actions.grading import NO_SHEET, Grading
from asleft.web.actions.papers import document
from asleft.web.actions.tables import file_of
from asleft.web.fragments import checked
from asleft.web.fragments import verification as fragments
from asleft.web.frame import Frame, said
from asleft.web.markup import el
from asleft.web.report.verification import contents, record_report, title_of
from asleft.web.stretch import BadStretch, time_in
from asleft.web.tables.checked import check_table
from asleft.web.views import record as views
from asleft.web.views.checks import check_href
from asleft.web.views.valves import ValveName, valve_name
from flask import Flask, redirect, request
from flask import Response as Answer
from werkzeug.wrappers import Response

PAPERS = (("To print", "html"), ("PDF", "pdf"), ("JSON", "json"), ("CSV", "csv"))


@dataclass(frozen=True, slots=True)
class RecordPages:
    """Filing and showing, over what the routes need."""

    grading: Grading
    filed: Verifications
    version: str

    def form(
        self, valve: str, typed: Mapping[str, str] | None = None, faults: Mapping[str, str] | None = None
    ) -> Response:
        """The form of a record over one or two stretches, with what was typed and what is wrong with it."""
        frame = Frame(self.grading.source, current())
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
        frame = Frame(self.grading.source, current())
        typed = views.entered_of(request.form)
        drafted = self._draft(frame, valve, typed)
        if isinstance(drafted, Response):
            return drafted
        draft, _ = drafted
        faults = views.faults_of(draft)
        if faults:
            return self.form(valve, typed, faults)
        now = self.grading.source.now_ns()
        body = views.record_body(
            draft, made_ns=now, who=frame.visitor.name, version=self.version, zone=self.grading.source.time.name
        )
        accepted = typed["decision"] == "accepted"
        actor = frame.visitor.actor
        made = self.filed.put(valve, now, draft.sheet_record.number, body, actor, accepted=accepted)
        return redirect(f"{fragments.record_href(valve, made.number)}?said=filed", 303)

    def record(self, valve: str, number: int, kind: str = "") -> Response:
        """A record: as a page, or as a document."""
        frame = Frame(self.grading.source, current())
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
            return file_of(check_table(file, parts, self.grading.source.time, shown), self.grading.source.now_ns())
        if kind:
            text = record_report(record, sheet, self.grading.source.time, shown)
            return document(text, kind, f"{valve}-record-{number}", frame)
        links = [el("a", words, href=fragments.record_href(valve, number, ending), class_="button")
                 for words, ending in PAPERS]  # fmt: skip
        name = valve_name(valve, sheet)
        return frame.page(
            title_of(json.loads(record.body), number),
            fragments.crumbs(name, valve, f"record {number}"),
            said("Filed." if request.args.get("said") == "filed" else ""),
            el("div", *links, class_="way-on"),
            contents(record, sheet, self.grading.source.time, shown, folds=True),
        )

    # ------------------------------------------------------------------------------------------------ helpers

    def _sheet_of(self, record: VerificationRecord) -> Sheet | None:
        for one in self.grading.source.records.sheets(record.valve):
            if one.number == record.sheet_number:
                try:
                    return self.grading.source.parsed(one)
                except SheetError:
                    return None
        return None

    def _draft(
        self, frame: Frame, valve: str, typed: Mapping[str, str] | None
    ) -> tuple[views.Draft, ValveName] | Response:
        known = self.grading.known(valve)
        if known is None:
            return self.grading.missing(frame, valve)
        name, sheet, record = known
        try:
            # Found and left are held against one sheet: that in force when the valve was left.
            last = request.args.get("left_to", request.args.get("found_to"))
            of_then = self.grading.known(valve, time_in("found_to", last)) if last is not None else None
            name, sheet, record = of_then or known
            if sheet is None or record is None:
                raise BadStretch(NO_SHEET)
            found_in = self.grading.found_in()
            if found_in is None:
                raise BadStretch("found_from, found_to: a record needs a stretch in which it was found.")
            found = self.grading.checks.check(valve, sheet, found_in)
            left = None
            if "left_from" in request.args:
                left_in = self.grading.stretch(
                    *(time_in(k, request.args.get(k, "")) for k in ("left_from", "left_to"))
                )
                if left_in.from_ns < found_in.to_ns:
                    raise BadStretch("left_from: as left comes after as found.")
                left = self.grading.checks.check(valve, sheet, left_in)
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


def register(server: Flask, grading: Grading, filed: Verifications, version: str) -> None:
    """Add the routes."""
    pages = RecordPages(grading, filed, version)

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
