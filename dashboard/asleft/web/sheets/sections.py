"""A sheet by its sections: as a table to read, and as the form of its next revision or of its first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asleft.sheet.compose import fields_of
from asleft.sheet.entries import (
    AS_LEFT,
    CHARACTERISTIC,
    COIL,
    CONDITIONS,
    ENTRIES,
    INSTRUMENTS,
    SIGNAL,
    TOLERANCE,
    VALVE,
    Entry,
    Form,
    Group,
)
from asleft.sheet.faults import SheetError
from asleft.sheet.model import QUANTITY_UNITS, Characteristic, Sheet
from asleft.sheet.names import LABELS, unit_symbol, with_minus
from asleft.sheet.tolerances import default_tolerances, default_words
from asleft.sheet.units import stored_unit, unit_of_quantity
from asleft.sheet.write import toml_value
from asleft.store.protocols import SheetRecord
from asleft.web import units
from asleft.web import units as pressure_units
from asleft.web.source import Source
from asleft.web.views.valves import Json
from asleft.web.words import plural, sentence_case
from asleft.wire import toml_limits

# The form of a sheet's next revision, or of its first: every section by fields, with the reader's own limits.

FIELDS: tuple[str, ...] = tuple(entry.name for entry in ENTRIES)
_REST = (TOLERANCE, COIL, CONDITIONS, CHARACTERISTIC, *INSTRUMENTS)
LONGEST_LIST, LONGEST_TEXT, LONGEST_NUMBER = 4000, 80, 40


@dataclass(frozen=True, slots=True)
class Input:
    """One field as it is shown."""

    name: str
    label: str
    value: str
    hint: str
    fault: str
    choices: tuple[str, ...]  # empty: typed
    longest: int

    @property
    def options(self) -> list[tuple[str, str]]:
        """Value and words of each choice, and what is typed where it is none of them."""
        values = self.choices if self.value in self.choices else (*self.choices, self.value)
        return [(value, value[:40] or "not given") for value in values]


@dataclass(frozen=True, slots=True)
class Inputs:
    """Fields that stand together. `count`: in words, what is given of a section that is folded."""

    key: str
    title: str
    note: str
    inputs: list[Input]
    fold: bool
    open: bool
    count: str


def first_toml(valve: str, pressure_unit: str) -> str:
    """What the form of a first sheet lies over: the id, the commonest signal, and the unit its reader thinks in."""
    about = f'[valve]\nid = {toml_value(valve)}\ncontrols = "pressure"\n'
    units = (
        ""
        if pressure_unit == stored_unit("pressure").symbol
        else f"[units]\npressure = {toml_value(pressure_unit)}\n"
    )
    return f'{about}[signal]\nkind = "4-20mA"\nmade_by = "fixed steps"\n{units}'


def form_of(toml: str, sheet: Sheet | None, typed: Mapping[str, str], faults: Mapping[str, str]) -> list[Inputs]:
    """Every section; `toml` the text it lies over, `sheet` the same as values (None: a first sheet).

    `typed` lies over what the text says, `faults` stand at their fields and open their section.
    """
    held = {**fields_of(toml), **typed}
    units = units_of(toml)
    groups = (VALVE, SIGNAL, AS_LEFT, *_REST) if sheet is None else (AS_LEFT, *_REST, VALVE, SIGNAL)
    out = []
    for group in groups:
        inputs = [
            _input(entry, held[entry.name], units, sheet, faults.get(entry.name, "")) for entry in group.entries
        ]
        given = sum(bool(one.value) for one in inputs)
        fold = group.fold or (sheet is not None and group in (VALVE, SIGNAL))
        out.append(
            Inputs(
                group.key,
                group.title,
                group.note,
                inputs,
                fold,
                any(one.fault for one in inputs),
                f"{given} of {len(inputs)} {plural(len(inputs), 'field')} filled" if given else "nothing given",
            )
        )
    return out


def labels_of_fields() -> dict[str, str]:
    """What each field is called, those of who, when and why included."""
    labels = {entry.name: entry.label for entry in ENTRIES}
    return {**labels, "by": "Set by", "at": "In force from", "why": "Why"}


def units_of(toml: str) -> dict[str, str]:
    """The `[units]` of a text that is readable."""
    return {name: str(symbol) for name, symbol in toml_limits.loads(toml).get("units", {}).items()}


def label_of(entry: Entry, units: Mapping[str, str], sheet: Sheet | None) -> str:
    """The field's words with the unit that is entered."""
    if entry.in_signal_unit and sheet is not None:
        return f"{entry.label} ({sheet.signal.unit})"
    if entry.form in (Form.TEXT, Form.CHOICE, Form.INTEGERS) or not entry.limits.unit:
        return entry.label
    return f"{entry.label} ({unit_symbol(entry.limits.entered(units).symbol)})"


def _input(entry: Entry, value: str, units: Mapping[str, str], sheet: Sheet | None, fault: str) -> Input:
    return Input(
        name=entry.name,
        label=label_of(entry, units, sheet),
        value=value,
        hint=_hint(entry, units, sheet),
        fault=fault,
        choices=entry.choices,
        longest=LONGEST_LIST
        if entry.form in (Form.NUMBERS, Form.INTEGERS)
        else LONGEST_TEXT
        if entry.form is Form.TEXT
        else LONGEST_NUMBER,
    )


def _hint(entry: Entry, units: Mapping[str, str], sheet: Sheet | None) -> str:
    if entry.form is Form.TOLERANCE:
        return _default_words(entry.key, units, sheet)
    # The ends of a signal depend on its unit, and those of a range are so wide that they tell nobody anything.
    told = entry.form is Form.NUMBER and entry.table != "signal" and entry.key != "range"
    told = told or entry.key == "off_below" or entry.form is Form.NUMBERS
    limits = entry.limits.words(units) if told else ""
    return "; ".join(part for part in (limits, entry.hint) if part)


def _default_words(quantity: str, units: Mapping[str, str], sheet: Sheet | None) -> str:
    if quantity == "headroom":
        return "empty: at least 10 %"
    if sheet is None or quantity not in sheet.as_left:
        return "only with its setting"
    tolerance = default_tolerances(sheet.as_left, sheet.characteristic)[quantity]
    return f"empty: {pressure_units.chosen(units.get('pressure')).tolerance_text(quantity, tolerance)}"


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
            *instruments_table(fields, sheet),
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
            text = with_minus(f"{text} to {fields[entry.name.removesuffix('low') + 'high']}")
        label = label_of(entry, sheet.entered_units, sheet)
        words, _, rest = label.partition(" (")
        unit = rest.removesuffix(")")
        rows.append((words.removesuffix(", from"), f"{text} {unit}".strip()))
    return rows


def instruments_table(fields: Mapping[str, str], sheet: Sheet) -> list[Section]:
    """What the sheet says of each instrument; without any uncertainty also what that means."""
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
