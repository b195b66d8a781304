"""What is answered of the plant: valves, what was judged and found, alarms, sheets, records.

Every function here leaves out what who asks may not see.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import msgspec
from asleft.alarms.classes import class_of
from asleft.alarms.figures import called
from asleft.alarms.states import WAITS, AlarmView
from asleft.sheet.model import QUANTITY_UNITS
from asleft.store.protocols import SheetRecord
from asleft.store.verifications import Verifications
from asleft.web.access.programs import NotThere
from asleft.web.access.visitor import current
from asleft.web.api import answers
from asleft.web.api.answers import Some, SomeAlarms, SomeOfValve, place, written
from asleft.web.csv_text import utc
from asleft.web.presses.view import Row, presses_view
from asleft.web.source import Source
from asleft.web.views.alarms import lately
from asleft.web.views.valves import findings_of, judged_until_ns, onset_ns, tolerance_sides

T = TypeVar("T")
Key = tuple[int | str, ...]
Json = Mapping[str, Any]

_ROWS_FOR_NS = 2 * 10**9
"""How long it is kept how all valves stand."""


@dataclass(frozen=True, slots=True)
class Plant:
    """From where everything is answered."""

    source: Source
    verifications: Verifications

    def sees(self, valve: str) -> bool:
        """Whether who asks may see a valve."""
        scope = current().valves
        return scope is None or valve in scope

    def check(self, valve: str) -> None:
        """Raises `NotThere` for a valve that is not there, or not for who asks."""
        if not self.sees(valve) or valve not in self.source.valves():
            raise NotThere(f"There is no valve {valve[:64]!r} here.")

    def rows(self) -> Iterator[Row]:
        """How the valves stand that who asks may see, by id."""
        made = self.source.kept("rows for programs", _ROWS_FOR_NS, self._rows)
        return (row for row in made if self.sees(row.name.id))

    def _rows(self) -> list[Row]:
        return sorted(presses_view(self.source, everything=True).rows, key=lambda row: row.name.id)


def part(items: Iterable[tuple[Key, T]], asked: Some) -> tuple[list[T], str | None]:
    """Those of `items`, in the order of their keys, that follow where the page before ended; and where this one ends.

    Raises `BadQuestion` for a cursor of another list.
    """
    after = place(asked.cursor, tuple[int | str, ...])
    kinds = None if after is None else [type(one) for one in after]
    out: list[T] = []
    last: Key | None = None
    for key, item in items:
        if after is not None and ([type(one) for one in key] != kinds or key <= after):
            continue
        if len(out) == asked.limit:
            return out, written(last)
        out.append(item)
        last = key
    return out, None


def valves(plant: Plant, asked: Some) -> tuple[list[answers.Valve], str | None]:
    """All valves."""
    judgements, spans = plant.source.records.judgements(), plant.source.samples.all_spans()
    return part((((row.name.id,), _valve(row, judgements, spans)) for row in plant.rows()), asked)


def valve(plant: Plant, valve: str) -> answers.Valve:
    """One of them."""
    judgements, spans = plant.source.records.judgements(), plant.source.samples.all_spans()
    return _valve(_row(plant, valve), judgements, spans)


def judgements(plant: Plant, asked: SomeOfValve) -> tuple[list[answers.Judgement], str | None]:
    """What was judged last, of every valve of which something was."""
    found = plant.source.records.judgements()
    rows = (row for row in plant.rows() if row.name.id in found and asked.valve in (msgspec.UNSET, row.name.id))
    return part((((row.name.id,), _judgement(row, found[row.name.id])) for row in rows), asked)


def judgement(plant: Plant, valve: str) -> answers.Judgement:
    """What was judged last of one. Raises `NotThere` where nothing was."""
    row, found = _row(plant, valve), plant.source.records.judgement(valve)
    if found is None:
        raise NotThere(f"{valve} is not judged yet.")
    return _judgement(row, found)


def findings(plant: Plant, asked: SomeOfValve) -> tuple[list[answers.Finding], str | None]:
    """Everything that the last judgements found."""
    found = plant.source.records.judgements()
    wanted = sorted(v for v in found if plant.sees(v) and asked.valve in (msgspec.UNSET, v))
    each = (((v, f.kind, at), f) for v in wanted for at, f in enumerate(_findings(v, found[v])))
    return part(sorted(each, key=lambda one: one[0]), asked)


def alarms(plant: Plant, asked: SomeAlarms) -> tuple[list[answers.Alarm], str | None]:
    """The alarms of the last month, and older ones that still wait for somebody, by the time they were raised."""
    now_ns = plant.source.now_ns()
    views = sorted(lately(plant.source, now_ns), key=lambda view: (view.raised_ns, view.alarm))
    wanted = (
        view
        for view in views
        if plant.sees(view.valve)
        and asked.valve in (msgspec.UNSET, view.valve)
        and (not asked.waiting or view.state in WAITS)
    )
    return part((((view.raised_ns, view.alarm), _alarm(view, now_ns)) for view in wanted), asked)


def sheets(plant: Plant, asked: SomeOfValve) -> tuple[list[answers.Sheet], str | None]:
    """The sheet in force now of every valve that has one."""
    found = plant.source.records.effective_sheets(plant.source.now_ns())
    wanted = sorted(v for v in found if plant.sees(v) and asked.valve in (msgspec.UNSET, v))
    return part((((v,), _sheet(found[v])) for v in wanted), asked)


def sheets_of(plant: Plant, asked: Some, valve: str) -> tuple[list[answers.Sheet], str | None]:
    """Every revision of one."""
    plant.check(valve)
    return part((((one.number,), _sheet(one)) for one in plant.source.records.sheets(valve)), asked)


def sheet(plant: Plant, valve: str, number: int) -> answers.SheetText:
    """One revision with its text. Raises `NotThere`."""
    plant.check(valve)
    for one in plant.source.records.sheets(valve):
        if one.number == number:
            return answers.SheetText(**msgspec.structs.asdict(_sheet(one)), toml=one.toml)
    raise NotThere(f"{valve} has no revision {number}.")


def records(plant: Plant, asked: SomeOfValve) -> tuple[list[answers.RecordRef], str | None]:
    """The newest verification record of every valve that has one."""
    found = plant.verifications.newest()
    wanted = sorted(v for v in found if plant.sees(v) and asked.valve in (msgspec.UNSET, v))
    each = ((v, *found[v]) for v in wanted)
    return part((((v,), answers.RecordRef(v, number, utc(at), ok)) for v, number, at, ok in each), asked)


def records_of(plant: Plant, asked: Some, valve: str) -> tuple[list[answers.RecordRef], str | None]:
    """Every one of a valve."""
    plant.check(valve)
    found = plant.verifications.of(valve)
    refs = (answers.RecordRef(valve, one.number, utc(one.at_ns), one.accepted) for one in found)
    return part((((ref.number,), ref) for ref in refs), asked)


def record(plant: Plant, valve: str, number: int) -> answers.Record:
    """One record, as it was filed. Raises `NotThere`."""
    plant.check(valve)
    one = plant.verifications.one(valve, number)
    if one is None:
        raise NotThere(f"{valve} has no verification record {number}.")
    head = answers.RecordRef(valve, one.number, utc(one.at_ns), one.accepted)
    return answers.Record(
        **msgspec.structs.asdict(head),
        by=one.who,
        sheet_number=one.sheet_number,
        sha256=one.digest,
        record=msgspec.Raw(one.body.encode()),
    )


def _row(plant: Plant, valve: str) -> Row:
    plant.check(valve)
    for row in plant.rows():
        if row.name.id == valve:
            return row
    raise NotThere(f"There is no valve {valve[:64]!r} here.")


def _time(at_ns: int | None) -> str | None:
    return None if at_ns is None else utc(at_ns)


def _valve(row: Row, judgements: Mapping[str, Json], spans: Mapping[str, tuple[int, int]]) -> answers.Valve:
    judged, span = judgements.get(row.name.id), spans.get(row.name.id)
    return answers.Valve(
        id=row.name.id,
        press=row.name.press,
        name=row.name.name,
        status=row.heard.status,
        sentence=row.heard.sentence,
        since=_time(onset_ns(judged)),
        data=row.liveness.word,
        newest_reading=_time(None if span is None else span[1]),
        machine_state=row.state,
        judged_until=_time(judged_until_ns(judged)),
        sheet_revision=None if judged is None else judged.get("sheet_revision"),
    )


def _judgement(row: Row, judged: Json) -> answers.Judgement:
    fit = judged.get("fit") or {}
    return answers.Judgement(
        valve=row.name.id,
        status=row.heard.status,
        sentence=row.heard.sentence,
        data=row.liveness.word,
        judged_status=str(judged.get("status", "not-judged")),
        judged_from=judged.get("from"),
        judged_until=judged.get("to"),
        sheet_revision=judged.get("sheet_revision"),
        machine_state=row.state,
        fits_sheet=fit.get("fits"),
        fit_evidence=str(fit.get("evidence") or ""),
        quantities=quantities_of(judged.get("quantities", ())),
        findings=list(_findings(row.name.id, judged)),
        remarks=[str(one) for one in judged.get("remarks", ())],
    )


def quantities_of(found: Sequence[Json]) -> list[answers.Quantity]:
    """The settings of a judgement; what was not observed has no figure."""
    made = []
    for one in found:
        verdict = str(one.get("verdict", "not-observed"))
        seen = one if verdict != "not-observed" else cast("Json", {})  # what was not seen has no figure
        below, above = tolerance_sides(one)
        bound = one.get("bound") or {}
        quantity = answers.Quantity(
            id=str(one["id"]),
            unit=str(one.get("unit") or QUANTITY_UNITS.get(str(one["id"]), "")),
            as_left=one.get("as_left"),
            as_left_measured=one.get("as_left_measured"),
            as_found=seen.get("as_found"),
            expanded_uncertainty=seen.get("uncertainty"),
            change_uncertainty=seen.get("change_uncertainty"),
            tolerance_below=below,
            tolerance_above=above,
            tolerance_used_percent=seen.get("tolerance_used"),
            verdict=verdict,
            reason=str(one.get("reason") or ""),
            known_at_least=bound.get("above"),
            known_at_most=bound.get("below"),
            trend_per_day=one.get("trend_per_day"),
        )
        made.append(quantity)
    return made


def _findings(valve: str, judged: Json) -> Iterator[answers.Finding]:
    for one in findings_of(judged):
        yield answers.Finding(
            valve=valve,
            kind=str(one["kind"]),
            part=str(one.get("part") or ""),
            alternatives=[str(other) for other in one.get("alternatives", ())],
            onset=one.get("onset"),
            severity=int(one.get("severity", 1)),
            evidence=str(one.get("evidence") or ""),
            consequence_of=one.get("consequence_of"),
            judged_until=judged.get("to"),
        )


def _alarm(view: AlarmView, now_ns: int) -> answers.Alarm:
    return answers.Alarm(
        alarm=view.alarm,
        valve=view.valve,
        kind=view.kind,
        urgency=class_of(view.kind, view.severity).value,
        severity=view.severity,
        part=view.part,
        evidence=view.evidence,
        state=view.state.value,
        active=view.active,
        acknowledged=view.acknowledged,
        acknowledged_by=view.acknowledged_by,
        called=called(view, now_ns),
        onset=utc(view.onset_ns),
        raised=utc(view.raised_ns),
        escalated=_time(view.escalated_ns),
        returned=_time(view.returned_ns),
        shelved_until=_time(view.shelved_until_ns),
        found_to_be=view.found,
        measured_when_gone=view.measured,
    )


def _sheet(one: SheetRecord) -> answers.Sheet:
    return answers.Sheet(
        valve=one.valve,
        number=one.number,
        in_force_from=utc(one.at_ns),
        by=one.by,
        why=one.why,
        entered_at=utc(one.entered_at_ns),
        sha256=hashlib.sha256(one.toml.encode()).hexdigest(),
    )
