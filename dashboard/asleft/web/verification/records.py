"""The routes of verification records: the form over graded stretches, filing, the record itself, tables."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.judge.verify.published import check_json
from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.store.protocols import SheetRecord
from asleft.store.verifications import VerificationRecord, Verifications
from asleft.web import checked, units
from asleft.web.access.visitor import current
from asleft.web.csv_files import file_of
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import record_href
from asleft.web.paper import document
from asleft.web.source import Source
from asleft.web.units import Pressures
from asleft.web.verification import record as views
from asleft.web.verification.record import contents, record_report, title_of
from asleft.web.views.checks import Checks, gradable
from asleft.web.views.valves import ValveName, valve_name
from asleft.web.when import BadStretch, PlantTime, Stretch, parse_iso_ns, time_in
from asleft.web.words import LOAD_STATES, sentence_case
from flask import Flask, redirect, request
from flask import Response as Answer
from werkzeug.wrappers import Response

# What was graded as a table: a verification in progress or found, or a record. In the reader's unit.

Json = Mapping[str, Any]

COLUMNS = (
    "part", "what", "name", "time_utc", "time_plant", "wanted", "found", "uncertainty", "tolerance_low",
    "tolerance_high", "unit", "verdict", "reason", "command_stayed_s", "ramp_seen_percent",
)  # fmt: skip


def check_table(name: str, parts: Sequence[tuple[str, Json]], time: PlantTime, shown: Pressures) -> Csv:
    """Settings, steps and ramps of one graded stretch or of both of a record; `parts`: ("as found", its JSON)."""
    return Csv(name, COLUMNS, [row for part, check in parts for row in _rows(part, check, time, shown)])


def _rows(part: str, check: Json, time: PlantTime, shown: Pressures) -> Iterator[list[Cell]]:
    whole = both(parse_iso_ns(check["to"]), time)
    for q in check["quantities"]:
        low, high = _sides(q["tolerance"])
        values = [
            _in(q["unit"], value, shown) for value in (q["as_left"], q["as_found"], q["uncertainty"], low, high)
        ]
        yield [
            part,
            "setting",
            q["id"],
            *whole,
            *values,
            _unit(q["unit"], shown),
            q["verdict"],
            q["reason"] or "",
            None,
            None,
        ]
    for step in check["steps"]:
        at = both(parse_iso_ns(step["at"]), time)
        name = f"{step['way']} {max(step['command_pct'], 0.0):.1f} %"
        for what, key, unit in (
            ("current of a step", "current_a", "A"),
            ("pressure of a step", "pressure_bar", "bar"),
        ):
            yield [part, what, name, *at, *_graded(step[key], unit, shown), None, None]
    for step in check["ramp_steps"]:
        at = both(parse_iso_ns(step["at"]), time)
        name = f"{step['way']} {max(step['from_pct'], 0.0):.0f} to {max(step['to_pct'], 0.0):.0f} %"
        seen: list[Cell] = [step.get("stayed_s"), step.get("seen_pct")]
        yield [part, "ramp of a step", name, *at, *_graded(step["ramp_s"], "s", shown), *seen]


def _graded(one: Json, unit: str, shown: Pressures) -> list[Cell]:
    low, high = _sides(one["tolerance"])
    values = [_in(unit, value, shown) for value in (one["wanted"], one["found"], one["uncertainty"], low, high)]
    return [*values, _unit(unit, shown), one["verdict"], one["reason"]]


def _sides(tolerance: float | Sequence[float | None] | None) -> tuple[float | None, float | None]:
    if tolerance is None:
        return None, None
    if isinstance(tolerance, (int, float)):
        return -float(tolerance), float(tolerance)
    return tolerance[0], tolerance[1]


def _in(unit: str, value: float | None, shown: Pressures) -> float | None:
    return shown.pressure(value) if unit == "bar" and value is not None else value


def _unit(unit: str, shown: Pressures) -> str:
    return shown.unit if unit == "bar" else unit


PLATE = (
    ("valve_plate", "Valve plate", "type and serial number as on its plate"),
    ("coil_plate", "Coil plate", "voltage, current or resistance as on its plate"),
    ("driver_type", "Driver type", ""),
    ("driver_serial", "Driver serial number", ""),
)
ACCEPTED = ("accepted", "accepted as left")
DECISIONS = [("", "choose"), ACCEPTED, ("not-accepted", "not accepted")]
PARTS = (("id", "id"), ("range", "range"), ("due", "calibration due"), ("uncertainty", "uncertainty, 95 %"))
_CHANNEL_LABEL: Mapping[str, str] = {
    "command": "Command", "current": "Current", "pressure": "Pressure sensor", "gauge": "Gauge read beside it",
}  # fmt: skip


#: What each field of the form of a record is called.
LABELS: Mapping[str, str] = {
    **{name: label for name, label, _ in PLATE},
    "dialled": "Settings as dialled", "load_state": "Load state", "oil": "Oil", "technician": "Carried out by",
    "witness": "Witnessed by", "remark": "Remark", "decision": "Decision",
    **{f"{of}_{part}": f"{label}: {words}" for of, label in _CHANNEL_LABEL.items() for part, words in PARTS},
}  # fmt: skip
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
        found, left = check_json(draft.found), None if draft.left is None else check_json(draft.left)
        summary = [("As found", checked.sentence(found))]
        if left is not None:
            summary.append(("As left", checked.sentence(left)))
        why_not = views.why_not_accepted(draft)
        return frame.filled(
            f"Record of {name.spoken}",
            "verification/form.html",
            status=400 if faults else 200,
            valve=valve,
            name=name,
            action=request.full_path,
            typed=draft.entered,
            faults=faults or {},
            labels=LABELS,
            summary=summary,
            done=checked.done_list(left or found),
            plate=[(name, hint) for name, _, hint in PLATE],
            channels=views.CHANNELS,
            parts=[part for part, _ in PARTS],
            load_states=[("", "choose"), *LOAD_STATES.items()],
            decisions=[one for one in DECISIONS if one != ACCEPTED or not why_not],
            why_not=f"{sentence_case(why_not)}." if why_not else "",
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
        return redirect(f"{record_href(valve, made.number)}?said=filed", 303)

    def record(self, valve: str, number: int, kind: str = "") -> Response:
        """A record: as a page, or as a document."""
        frame = Frame(self.grading.source, current())
        record = self.filed.one(valve, number)
        sheet = None if record is None else self._sheet_of(record)
        if record is None or sheet is None:
            words = f"There is no record {number} of “{valve[:64]}”."
            return frame.missing("No such record", words, "/verification", "All verifications")
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
        return frame.filled(
            title_of(json.loads(record.body), number),
            "verification/record.html",
            name=valve_name(valve, sheet),
            valve=valve,
            number=number,
            filed=request.args.get("said") == "filed",
            papers=PAPERS,
            contents=contents(record, sheet, self.grading.source.time, shown, folds=True),
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
                left_in = gradable(*(time_in(k, request.args.get(k, "")) for k in ("left_from", "left_to")))
                if left_in.from_ns < found_in.to_ns:
                    raise BadStretch("left_from: as left comes after as found.")
                left = self.grading.checks.check(valve, sheet, left_in)
                if left is None:
                    raise BadStretch("left_from, left_to: nothing was recorded there.")
            if found is None:
                raise BadStretch("found_from, found_to: nothing was recorded there.")
        except BadStretch as bad:
            return self.grading.refused(frame, valve, name, str(bad), "No record can be made of this.", "record")
        if typed is None:
            known_now = {**views.known_of(sheet, units.current()), **self._last_entered(valve)}
            typed = {**dict.fromkeys(views.FIELDS, ""), **known_now, "technician": frame.visitor.name}
        return views.Draft(sheet, record, found, left, typed), name

    def _last_entered(self, valve: str) -> dict[str, str]:
        """Plates and instruments of the record before, which seldom change."""
        filed = self.filed.of(valve)
        if not filed:
            return {}
        body = json.loads(filed[-1].body)
        plate = {k: str(v) for k, v in body["plate"].items() if k != "dialled"}
        instruments = {f"{channel}_{part}": str(text) for channel, one in body["instruments"].items()
                       for part, text in one.items() if text}  # fmt: skip
        return plate | instruments


def register(server: Flask, grading: Grading, filed: Verifications, version: str) -> None:
    """Add the routes."""
    pages = RecordPages(grading, filed, version)

    answered(server, "/verification/<valve>/record", pages.form)
    answered(server, "/verification/<valve>/record", pages.file, "POST")
    answered(server, "/verification/<valve>/<int:number>", pages.record)
    answered(server, "/verification/<valve>/<int:number>.<any(html, pdf, json, csv):kind>", pages.record)


NO_SHEET = "This valve has no sheet: nothing can be graded before there is one."


@dataclass(frozen=True, slots=True)
class Grading:
    """Over the stores, and what was graded a moment ago."""

    source: Source
    checks: Checks

    def known(
        self, valve: str, at_ns: int | None = None
    ) -> tuple[ValveName, Sheet | None, SheetRecord | None] | None:
        """Name and sheet of a valve; None for a valve nobody knows.

        The sheet is that in force at `at_ns`, or now; where none was yet, the one of now, which came of that sweep.
        """
        now = self.source.now_ns()
        record = self.source.records.effective_sheet(valve, now if at_ns is None else at_ns)
        record = record or self.source.records.effective_sheet(valve, now)
        if record is None and valve not in self.source.valves():
            return None
        sheet = None if record is None else self.source.parsed(record)
        return valve_name(valve, sheet), sheet, record

    def found_in(self) -> Stretch | None:
        """The stretch that the address names as found, if it names one. Raises `BadStretch`."""
        if "found_from" not in request.args:
            return None
        return gradable(*(time_in(k, request.args.get(k, "")) for k in ("found_from", "found_to")))

    def missing(self, frame: Frame, valve: str) -> Response:
        """The answer for a valve that nobody knows."""
        return frame.missing("No such valve", f"Nothing is known of a valve “{valve[:64]}”.")

    def refused(self, frame: Frame, valve: str, name: ValveName, wrong: str, words: str, where: str = "") -> Response:
        """Instead of a page of a valve: what was wrong with what was asked for, and a way to begin again."""
        return frame.filled(
            f"{'Record of' if where else 'Verify'} {name.spoken}",
            "verification/refused.html",
            status=400 if wrong else 200,
            valve=valve,
            name=name,
            wrong=wrong,
            words=words,
            where=[where] if where else [],
        )
