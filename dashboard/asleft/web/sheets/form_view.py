"""The form of a sheet's next revision, or of its first: every section by fields, with the reader's own limits."""

from __future__ import annotations

from collections.abc import Mapping
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
from asleft.sheet.model import Sheet
from asleft.sheet.names import unit_symbol
from asleft.sheet.tolerances import default_tolerances
from asleft.sheet.units import stored_unit
from asleft.sheet.write import toml_value
from asleft.web import units as pressure_units
from asleft.web.words import plural
from asleft.wire import toml_limits

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


def label_of(entry: Entry, units: Mapping[str, str]) -> str:
    """The field's words with the unit that is entered."""
    if entry.form in (Form.TEXT, Form.CHOICE, Form.INTEGERS) or not entry.limits.unit:
        return entry.label
    return f"{entry.label} ({unit_symbol(entry.limits.entered(units).symbol)})"


def _input(entry: Entry, value: str, units: Mapping[str, str], sheet: Sheet | None, fault: str) -> Input:
    return Input(
        name=entry.name,
        label=label_of(entry, units),
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


__all__ = ["FIELDS", "Group", "Input", "Inputs", "first_toml", "form_of", "label_of"]
