"""The routes of sheets: read them, compare them, file the next revision. A revision is never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.sheet.compose import composed, field_of, with_revision
from asleft.sheet.faults import SheetError
from asleft.sheet.identity import is_valve_id
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet
from asleft.sheet.revisions import faults_of_first, faults_of_next
from asleft.sheet.units import UNITS
from asleft.store.protocols import SheetExists, SheetRecord
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.fragments import sheets as fragments
from asleft.web.fragments.sheet_form import values_form
from asleft.web.fragments.sheet_table import sheet_table as read_as_table
from asleft.web.frame import Frame, said
from asleft.web.markup import Child, details, el, join
from asleft.web.source import Source
from asleft.web.views import sheets as views
from asleft.web.views.proposal import proposal_href
from asleft.web.views.sheet_form import FIELDS, first_toml, form_of, units_of
from asleft.web.views.sheet_table import sheet_table
from asleft.web.views.valves import valve_name
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
        return frame.page(
            "Sheets",
            el("div", el("h1", views.headline(rows)), el("p", frame.why_not, class_="sub"), class_="opening"),
            fragments.listing(rows, may_enter=frame.may_enter),
            el(
                "p",
                join(el("a", "The first sheet of another valve", href="/sheets/new"), " · ")
                if frame.may_enter
                else None,
                el("a", "From nothing to the first sheet, step by step", href="/start"),
            ),
        )

    def one(self, valve: str) -> Response:
        """One valve's revisions, two of them compared."""
        frame, records = Frame(self.source, current()), self.source.records.sheets(valve)
        if not records and valve not in self.source.valves():
            return self._missing(frame, valve)
        now, href = self.source.now_ns(), views.sheet_href(valve)
        name = valve_name(valve, self.source.sheet(valve, now))
        if not records:
            return redirect(f"{href}/revise", 303) if frame.may_enter else self._missing(frame, valve)
        words = [views.revision_words(self.source, record, now) for record in records]
        old, new = self._pair(records)
        compared = None
        if len(records) > 1:
            changes = views.differences(old, new)
            compared = fragments.comparison(records, old.number, new.number, changes, href)
        shown = self.source.records.sheet_in_force(valve, now) or records[-1]
        table = sheet_table(self.source, records, shown)
        return frame.page(
            f"Sheet of {name.spoken}",
            _crumbs(name.press, name.name, valve),
            said("Filed. It is judged by it from now on." if request.args.get("said") == "filed" else ""),
            el("h1", f"The {name.spoken} has {words[-1]}."),
            el("p", el("a", "Make the next revision", href=f"{href}/revise"), class_="sub")
            if frame.may_enter
            else el("p", frame.why_not, class_="sub"),
            el("p", el("a", "Settings for wanted pressures, from a sweep", href=proposal_href(valve)), class_="sub"),
            read_as_table(table, f"sheet {shown.number}, in force") if table is not None else None,
            compared,
            fragments.revisions(records, words, href),
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
        if not is_valve_id(valve):
            return self._missing(frame, valve)
        now, href = self.source.now_ns(), views.sheet_href(valve)
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
            "at": at.isoformat().replace("+00:00", "Z"),
            "why": request.args.get("why", "" if records else "first commissioning"),
            **(typed or {}),
        }
        text = toml if toml is not None else (records[-1].toml if records else None)
        text = text if text is not None else views.first_text(valve, at, frame.visitor.name)
        whole: list[Child] = [fragments.file_form(frame, f"{href}/revise", text), el("h2", "Or a file"),
                              fragments.upload_form(frame, f"{href}/revise")]  # fmt: skip
        body: list[Child] = whole
        base = self._base(valve, records)
        if base is not None and toml is None:
            unit = units_of(base).get("pressure", units.BAR.unit)
            sections = form_of(base, latest, given, faults or {})
            body = [
                values_form(frame, f"{href}/revise", sections, about, faults or {}, after, unit),
                details("The sheet as a file", *whole, key="whole"),
            ]
        number = records[-1].number + 1 if records else 1
        return frame.page(
            f"Revise the sheet of {name.spoken}",
            _crumbs(name.press, name.name, valve),
            fragments.faults_list(wrong or []),
            el("h1", f"Revision {number} of the {name.spoken}." if records else f"The first sheet of {name.spoken}."),
            el(
                "p",
                "Nothing is filed before you have seen what it changes. What is filed is never changed.",
                class_="sub",
            ),
            *body,
            status=status,
        )

    def post(self, valve: str) -> Response:
        """Take what was entered: to a preview, or on record."""
        act = request.form.get("act", "")
        if not is_valve_id(valve):
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
        at = _time(typed["at"])
        if at is None:
            faults["at"] = "not a time with its zone, as 2026-11-26T10:05:00Z"
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
        return redirect(f"{views.sheet_href(valve)}?said=filed", 303)

    def _preview(self, valve: str, sheet: Sheet, toml: str, records: list[SheetRecord]) -> Response:
        frame, href = Frame(self.source, current()), views.sheet_href(valve)
        number = sheet.revision.number
        after = views.record_of(sheet, toml, self.source.now_ns())
        changes = views.differences(records[-1], after) if records else []
        note = "It is the first sheet of this valve." if not records else "Nothing that counts: it says the same."
        name = valve_name(valve, sheet)
        return frame.page(
            f"Revision {number} of {name.spoken}",
            _crumbs(name.press, name.name, valve),
            el("h1", f"Revision {number} of the {name.spoken}, not filed yet."),
            el("p", f"In force from {self.source.time.full(after.at_ns)}, by {after.by}: {after.why}.", class_="sub"),
            fragments.preview(frame, f"{href}/revise", toml, number, changes, note),
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
        return frame.page(
            "No sheet",
            el("h1", f"There is no sheet of “{valve[:64]}”."),
            el("p", el("a", "All sheets", href="/sheets"), class_="sub"),
            status=404,
        )


def register(server: Flask, source: Source) -> None:
    """Add the routes."""
    pages = SheetPages(source)

    @server.get("/sheets")
    def _sheets() -> Response:
        return pages.all()

    @server.get("/sheets/<valve>")
    def _sheet(valve: str) -> Response:
        return pages.one(valve)

    @server.get("/sheets/<valve>/file/<int:number>")
    def _file(valve: str, number: int) -> Response:
        return pages.file(valve, number)

    @server.get("/sheets/<valve>/revise")
    def _form(valve: str) -> Response:
        return pages.form(valve)

    @server.post("/sheets/<valve>/revise")
    def _post(valve: str) -> Response:
        return pages.post(valve)


def _is_number(text: str | None) -> bool:
    return text is not None and text.isascii() and text.isdigit() and len(text) < 9


def _time(text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if at.tzinfo is None else at.astimezone(UTC)


def _crumbs(press: str, name: str, valve: str) -> Child:
    return el(
        "p",
        el("a", "Sheets", href="/sheets"),
        " / ",
        f"{press} / " if press else None,
        el("a", name, href=views.sheet_href(valve)),
        class_="crumbs",
    )
