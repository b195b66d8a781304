"""The routes of sheets: begin one, read them, compare them, file the next revision. A revision is never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.sheet.compose import composed, field_of, with_revision
from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet
from asleft.sheet.revisions import faults_of_first, faults_of_next
from asleft.sheet.units import UNITS
from asleft.store.protocols import SheetExists, SheetRecord
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import sheet_href
from asleft.web.sheets import view as views
from asleft.web.sheets.sections import FIELDS, first_toml, form_of, labels_of_fields, sheet_table, units_of
from asleft.web.sheets.view import sheet_rows
from asleft.web.source import Source
from asleft.web.views.valves import valve_name
from asleft.web.when import BadStretch, for_field, typed_ns
from asleft.wire.topics import valid_valve
from flask import Flask, redirect, request
from flask import Response as Answer
from werkzeug.wrappers import Response

LARGEST_FILE = 200_000
OVERTAKEN = (
    "{} has filed revision {} since this form was filled from revision {}: {}. What you entered is still here. Look "
    "at what that revision changed, then enter it again over it if it still holds."
)
NOT_FILLED = "This form was filled from a sheet that is not on record here. Look again before you enter it."
TAKEN = "Somebody has filed revision {} meanwhile. What you entered is still here: give it the next number."


@dataclass(frozen=True, slots=True)
class SheetPages:
    """Reading and filing, over what the routes need."""

    source: Source

    def all(self) -> Response:
        """Every valve and its sheet."""
        frame, rows = Frame(self.source, current()), views.sheet_rows(self.source)
        return frame.filled("Sheets", "sheets/list.html", headline=views.headline(rows), rows=rows)

    def one(self, valve: str) -> Response:
        """One valve's revisions, two of them compared."""
        frame, records = Frame(self.source, current()), self.source.records.sheets(valve)
        if not records and valve not in self.source.valves():
            return self._missing(frame, valve)
        now, href = self.source.now_ns(), sheet_href(valve)
        name = valve_name(valve, self.source.sheet(valve, now))
        if not records:
            return redirect(f"{href}/revise", 303) if frame.may_enter else self._missing(frame, valve)
        words = [views.revision_words(self.source, record, now) for record in records]
        old, new = self._pair(records)
        shown = self.source.records.effective_sheet(valve, now) or records[-1]
        return frame.filled(
            f"Sheet of {name.spoken}",
            "sheets/sheet.html",
            valve=valve,
            name=name,
            href=href,
            filed=request.args.get("said") == "filed",
            behind=views.behind_words(self.source, valve, shown, now),
            words=words,
            view=sheet_table(self.source, records, shown),
            shown=shown,
            old=old,
            new=new,
            compared=views.differences(old, new) if len(records) > 1 else None,
            records=records,
        )

    def file(self, valve: str, number: int) -> Response:
        """A revision word for word as it was entered."""
        for record in self.source.records.sheets(valve):
            if record.number == number:
                return Answer(record.toml, mimetype="text/plain")
        return Answer("There is no such revision.\n", 404, mimetype="text/plain")

    def form(self, valve: str, *, faults: Mapping[str, str] | None = None, typed: Mapping[str, str] | None = None,
             toml: str | None = None, wrong: list[str] | None = None, status: int = 200) -> Response:  # fmt: skip
        """The form of the next revision, with what was typed and what is wrong with it."""
        frame, records = Frame(self.source, current()), self.source.records.sheets(valve)
        if not valid_valve(valve):
            return self._missing(frame, valve)
        now, href = self.source.now_ns(), sheet_href(valve)
        name = valve_name(valve, self.source.sheet(valve, now))
        at = datetime.fromtimestamp(now // 10**9, UTC)
        latest = self._readable(records)
        # What was typed over an older revision stays so when it comes back, or the next try would undo the newer one.
        after = (
            int(request.form["after"])
            if _is_number(request.form.get("after"))
            else records[-1].number
            if records
            else 0
        )
        given = typed if typed is not None else views.found_values(latest, request.args)
        about = {
            "by": frame.visitor.name,
            "at": for_field(self.source.time, now).replace("T", " "),
            "why": request.args.get("why", "" if records else "first commissioning"),
            **(typed or {}),
        }
        text = toml if toml is not None else (records[-1].toml if records else None)
        text = text if text is not None else views.first_text(valve, at, frame.visitor.name)
        base, unit, sections = self._base(valve, records), "", None
        if base is not None and toml is None:
            unit = units_of(base).get("pressure", units.BAR.unit)
            sections = form_of(base, latest, given, faults or {})
        return frame.filled(
            f"Revise the sheet of {name.spoken}",
            "sheets/form.html",
            status=status,
            name=name,
            href=href,
            wrong=wrong or [],
            faults=faults or {},
            labels=labels_of_fields(),
            number=records[-1].number + 1 if records else 1,
            text=text,
            sections=sections,
            about=about,
            after=after,
            unit=unit,
        )

    def post(self, valve: str) -> Response:
        """Take what was entered: to a preview, or on record."""
        act = request.form.get("act", "")
        if not valid_valve(valve):
            return self.form(valve)
        if act == "values":
            return self._from_values(valve)
        uploaded = request.files.get("file")
        if uploaded is not None:
            raw = uploaded.stream.read(LARGEST_FILE + 1)
            if len(raw) > LARGEST_FILE:
                return self.form(
                    valve, wrong=[f"The file is longer than {LARGEST_FILE:,} bytes: no sheet is."], status=400
                )
            toml = raw.decode("utf-8", errors="replace")
        else:
            toml = request.form.get("toml", "").replace("\r\n", "\n")
        return self._from_text(valve, toml, file=act == "file")

    def _from_values(self, valve: str) -> Response:
        records = self.source.records.sheets(valve)
        base = self._base(valve, records)
        if base is None:
            return self.form(valve)
        names = [name for name in FIELDS if name in request.form]
        typed = {name: request.form.get(name, "").strip() for name in (*names, "by", "at", "why")}
        number, after = (records[-1].number if records else 0), request.form.get("after", "")
        if after != str(number):
            words = NOT_FILLED
            if records:
                newest, seen = records[-1], after[:6] or "an older one"
                words = OVERTAKEN.format(newest.by, newest.number, seen, newest.why)
            return self.form(valve, typed=typed, wrong=[words], status=409)
        tables, faults = composed(base, typed)
        for name, label in (("by", "say who set it"), ("why", "say why")):
            if not typed[name]:
                faults[name] = label
        at = None
        try:
            at = datetime.fromtimestamp(typed_ns(self.source.time, "at", typed["at"]) // 10**9, UTC)
        except BadStretch:
            faults["at"] = f"not a day and a time of the plant's clock ({self.source.time.name}), as 2026-11-26 10:05"
        if faults or at is None:
            return self.form(valve, faults=faults, typed=typed, status=400)
        toml = with_revision(tables, number + 1, at, typed["by"], typed["why"])
        try:
            read_sheet(toml, source="")
        except SheetError as error:
            at_fields = {field_of(fault): str(fault.limit) for fault in error.faults if field_of(fault)}
            others = [str(fault) for fault in error.faults if not field_of(fault)]
            return self.form(valve, faults=at_fields, typed=typed, wrong=others, status=400)
        return self._from_text(valve, toml, file=False)

    def _from_text(self, valve: str, toml: str, *, file: bool) -> Response:
        records = self.source.records.sheets(valve)
        try:
            sheet = read_sheet(toml, source="")
            faults = faults_of_first(sheet, source="")
            if sheet.valve != valve:
                words = f"valve.id = {sheet.valve!r}: this is the page of {valve!r}"
                return self.form(valve, toml=toml, wrong=[words], status=400)
            for name, text in (("by", sheet.revision.by), ("why", sheet.revision.why)):
                if not text.strip():
                    return self.form(
                        valve, toml=toml, wrong=[f"revision.{name}: missing, and must be said"], status=400
                    )
            if records:
                faults = faults_of_next(valve, views.revision_of(records[-1]), sheet, source="")
            if faults:
                raise SheetError(faults)
        except SheetError as error:
            taken = [TAKEN.format(records[-1].number)] if file and records else []
            numbered = any(fault.key == "revision.number" for fault in error.faults)
            wrong = [*(taken if numbered else []), *(str(fault) for fault in error.faults)]
            return self.form(valve, toml=toml, wrong=wrong, status=409 if file and numbered else 400)
        if not file:
            return self._preview(valve, sheet, toml, records)
        now = self.source.now_ns()
        try:
            self.source.records.put_sheet(views.record_of(sheet, toml, now), current().actor)
        except SheetExists:
            return self.form(valve, toml=toml, wrong=[TAKEN.format(sheet.revision.number)], status=409)
        return redirect(f"{sheet_href(valve)}?said=filed", 303)

    def _preview(self, valve: str, sheet: Sheet, toml: str, records: list[SheetRecord]) -> Response:
        frame, href = Frame(self.source, current()), sheet_href(valve)
        number = sheet.revision.number
        after = views.record_of(sheet, toml, self.source.now_ns())
        changes = views.differences(records[-1], after) if records else []
        note = "It is the first sheet of this valve." if not records else "Nothing that counts: it says the same."
        name = valve_name(valve, sheet)
        return frame.filled(
            f"Revision {number} of {name.spoken}",
            "sheets/preview.html",
            name=name,
            href=href,
            number=number,
            after=after,
            changes=changes,
            note=note,
            toml=toml,
        )

    def _pair(self, records: list[SheetRecord]) -> tuple[SheetRecord, SheetRecord]:
        by_number = {str(record.number): record for record in records}
        before = records[-2] if len(records) > 1 else records[-1]
        old = by_number.get(request.args.get("old", ""), before)
        return old, by_number.get(request.args.get("new", ""), records[-1])

    def _readable(self, records: list[SheetRecord]) -> Sheet | None:
        """The newest revision as values, if this program can still read it."""
        try:
            return self.source.parsed(records[-1]) if records else None
        except SheetError:
            return None

    def _base(self, valve: str, records: list[SheetRecord]) -> str | None:
        """The text that fields lie over; None where the newest revision cannot be read, and only a file will do."""
        if not records:
            unit = request.form.get("unit", units.current().unit)  # of the form, whatever is chosen meanwhile
            return first_toml(valve, unit if unit in UNITS["pressure"] else units.current().unit)
        return records[-1].toml if self._readable(records) is not None else None

    def _missing(self, frame: Frame, valve: str) -> Response:
        return frame.missing("No sheet", f"There is no sheet of “{valve[:64]}”.", "/sheets", "All sheets")


def register(server: Flask, source: Source) -> None:
    """Add the routes."""
    pages = SheetPages(source)

    answered(server, "/sheets", pages.all)
    answered(server, "/sheets/<valve>", pages.one)
    answered(server, "/sheets/<valve>/file/<int:number>", pages.file)
    answered(server, "/sheets/<valve>/revise", pages.form)
    answered(server, "/sheets/<valve>/revise", pages.post, "POST")


def _is_number(text: str | None) -> bool:
    return text is not None and text.isascii() and text.isdigit() and len(text) < 9


# The route on which the first sheet of a valve begins: which valve it is for.

BAD_ID = "must be of a-z, 0-9, - and dots, begin and end with a letter or digit, and have at most 64 characters"


def register_new(server: Flask, source: Source) -> None:
    """Add the route."""

    @server.get("/sheets/new")
    def _new() -> Response:
        valve = request.args.get("valve", "").strip()
        if valve and valid_valve(valve):
            href = sheet_href(valve)
            return redirect(href if source.records.sheets(valve) else f"{href}/revise", 303)
        seen = [row for row in sheet_rows(source) if row.record is None]
        fault = f"{valve[:64]!r} {BAD_ID}" if valve else ""
        frame, status = Frame(source, current()), 400 if valve else 200
        return frame.filled("A first sheet", "sheets/new.html", status=status, seen=seen, typed=valve, fault=fault)
