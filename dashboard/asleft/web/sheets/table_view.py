"""A sheet as a table to read: every section, with units and tolerances, and where each number comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asleft.sheet.compose import fields_of
from asleft.sheet.entries import COIL, CONDITIONS, INSTRUMENTS, SIGNAL, VALVE, Entry, Group
from asleft.sheet.faults import SheetError
from asleft.sheet.model import QUANTITY_UNITS, Characteristic, Sheet
from asleft.sheet.names import LABELS, unit_symbol
from asleft.sheet.tolerances import default_tolerances, default_words
from asleft.sheet.units import unit_of_quantity
from asleft.store.protocols import SheetRecord
from asleft.web import units
from asleft.web.sheets.form_view import label_of
from asleft.web.source import Source
from asleft.web.views.valves import Json
from asleft.web.words import sentence_case


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One setting: what was left, how far it may be from that, and where the number comes from."""

    label: str
    value: str
    tolerance: str
    tolerance_from: str
    origin: str


@dataclass(frozen=True, slots=True)
class Section:
    """Another part of the sheet: (what, value) lines, as entered; `empty` says what it means that there are none."""

    title: str
    rows: list[tuple[str, str]]
    empty: str


@dataclass(frozen=True, slots=True)
class SheetTable:
    """All of a sheet."""

    settings: list[SettingRow]
    not_given: str
    sections: list[Section]
    curve: list[tuple[str, str, str]]  # current, rising, falling
    curve_head: tuple[str, str, str]


_EMPTY: Mapping[str, str] = {
    "coil": "Nothing is given: headroom is judged as far as it can be without.",
    "conditions": "Nothing is given: pressure is judged at any oil temperature, and modes mean what they usually do.",
}


def sheet_table(source: Source, records: Sequence[SheetRecord], record: SheetRecord) -> SheetTable | None:
    """The table of one of the revisions of a valve (`records`, ascending); None where it cannot be read any more."""
    try:
        sheet = source.parsed(record)
    except SheetError:
        return None
    judgement = source.records.judgement(record.valve)
    if judgement is not None and judgement.get("sheet_revision") != record.number:
        judgement = None  # measured under another revision
    earlier = [one for one in records if (one.at_ns, one.number) <= (record.at_ns, record.number)]
    fields = fields_of(record.toml)
    missing = [LABELS[name] for name in QUANTITY_UNITS if name not in sheet.as_left and name != "headroom"]
    return SheetTable(
        settings=[
            _setting(source, name, sheet, earlier, judgement)
            for name in QUANTITY_UNITS
            if name in sheet.as_left or name == "headroom"
        ],
        not_given=f"Not given, so not judged: {', '.join(missing)}." if missing else "",
        sections=[
            _section(VALVE, fields, sheet, [("Valve id", sheet.valve)]),
            _section(SIGNAL, fields, sheet, [("Ends", _ends(sheet))]),
            _section(COIL, fields, sheet),
            _section(CONDITIONS, fields, sheet),
            *_instruments(fields, sheet),
        ],
        curve=_curve(sheet.characteristic),
        curve_head=("current (A)", f"rising ({units.current().unit})", f"falling ({units.current().unit})"),
    )


def _setting(
    source: Source, name: str, sheet: Sheet, earlier: Sequence[SheetRecord], judgement: Json | None
) -> SettingRow:
    shown, tolerance = units.current(), sheet.tolerance[name]
    usual = default_tolerances(sheet.as_left, sheet.characteristic).get(name)
    is_usual = tolerance == usual
    return SettingRow(
        label=sentence_case(LABELS[name]),
        value="computed" if name == "headroom" else shown.quantity(name, sheet.as_left[name]),
        tolerance=f"at least {tolerance.below:g} %" if name == "headroom" else shown.tolerance_text(name, tolerance),
        tolerance_from=f"default: {default_words(name)}" if is_usual else "given in the sheet",
        origin="from coil, supply and current at full"
        if name == "headroom"
        else f"{_entered(name, sheet)}, {_unchanged(source, name, sheet, earlier)}.{_measured(name, judgement)}",
    )


def _entered(name: str, sheet: Sheet) -> str:
    unit = unit_of_quantity(name, sheet.entered_units)
    if unit.symbol == QUANTITY_UNITS[name] or name not in sheet.entered_as_left:
        return "Entered"
    return f"Entered as {sheet.entered_as_left[name]:.10g} {unit_symbol(unit.symbol)}"


def _unchanged(source: Source, name: str, sheet: Sheet, earlier: Sequence[SheetRecord]) -> str:
    """Since which revision the value is what it is."""
    since = earlier[-1]
    for record in reversed(earlier[:-1]):
        try:
            before = source.parsed(record)
        except SheetError:
            break
        if before.as_left.get(name) != sheet.as_left[name]:
            break
        since = record
    return (
        f"sheet {since.number} of {source.time.day(since.at_ns)} {source.time.local(since.at_ns):%Y}, by {since.by}"
    )


def _measured(name: str, judgement: Json | None) -> str:
    for quantity in (judgement or {}).get("quantities", ()):
        if quantity.get("id") == name and quantity.get("as_left_measured") is not None:
            return f" Measured when left: {units.current().quantity(name, float(quantity['as_left_measured']))}."
    return ""


def _ends(sheet: Sheet) -> str:
    signal = sheet.signal
    return f"{signal.at_zero:g} {signal.unit} at 0 %, {signal.at_full:g} {signal.unit} at 100 %"


def _section(group: Group, fields: Mapping[str, str], sheet: Sheet, first: Sequence[tuple[str, str]] = ()) -> Section:
    rows = [*first, *_rows(group.entries, fields, sheet)]
    return Section(group.title, rows, _EMPTY.get(group.key, "Nothing is given."))


def _rows(entries: Sequence[Entry], fields: Mapping[str, str], sheet: Sheet) -> list[tuple[str, str]]:
    rows = []
    for entry in entries:
        text = fields[entry.name]
        if not text or entry.end == 1 or (entry.table == "signal" and entry.key in ("unit", "at_zero", "at_full")):
            continue
        if entry.end == 0:
            text += f" to {fields[entry.name.removesuffix('low') + 'high']}"
        label = label_of(entry, sheet.entered_units)
        words, _, rest = label.partition(" (")
        unit = rest.removesuffix(")")
        rows.append((words.removesuffix(", from"), f"{text} {unit}".strip()))
    return rows


def _instruments(fields: Mapping[str, str], sheet: Sheet) -> list[Section]:
    told = [Section(group.title, rows, "") for group in INSTRUMENTS if (rows := _rows(group.entries, fields, sheet))]
    if any(one.expanded_uncertainty is not None for one in sheet.instruments.values()):
        return told
    return [*told, Section("Instruments", [], "No uncertainty is given: every verdict is repeatability only.")]


def _curve(curve: Characteristic | None) -> list[tuple[str, str, str]]:
    if curve is None:
        return []
    figure = units.current().figure
    return [
        (f"{current:.3f}", figure(rising), figure(falling))
        for current, rising, falling in zip(curve.current_a, curve.rising_bar, curve.falling_bar, strict=True)
    ]
