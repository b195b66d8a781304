"""What differs between two sheets, as values and as lines a person can read."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime
from enum import Enum

from asleft.sheet.model import QUANTITY_UNITS, Sheet, Tolerance
from asleft.sheet.names import LABELS, format_quantity, format_tolerance, unit_symbol


@dataclass(frozen=True, slots=True)
class Change:
    """One difference: `key` is dotted ("as_left.ramp_up"); None on the side where the entry is absent."""

    key: str
    old: object
    new: object

    def __str__(self) -> str:
        """One line: "ramp up: 1.20 s -> 1.60 s (+0.400 s)"."""
        section, _, name = self.key.partition(".")
        if section == "as_left":
            line = f"{LABELS[name]}: {_quantity(name, self.old)} → {_quantity(name, self.new)}"
            if isinstance(self.old, float) and isinstance(self.new, float):
                line += f" ({format_quantity(name, self.new - self.old, signed=True)})"
            return line
        if section == "tolerance":
            unit = unit_symbol(QUANTITY_UNITS[name])
            return f"tolerance of {LABELS[name]}: {_tolerance(self.old)} → {_tolerance(self.new)} {unit}"
        key, unit = _as_in_file(self.key)
        return f"{key}: {_shown(self.old, unit)} → {_shown(self.new, unit)}"


def compare(old: Sheet, new: Sheet) -> tuple[Change, ...]:
    """Every difference of two sheets in stored units, in the sheet's own order.

    How a number was typed makes no difference. A tolerance is left out where its setting came or went.
    """
    before, after = dict(_flat(old)), dict(_flat(new))
    keys = [*before, *(key for key in after if key not in before)]
    both = {"headroom", *(old.as_left.keys() & new.as_left.keys())}
    return tuple(
        Change(key, before.get(key), after.get(key))
        for key in keys
        if not _same(before.get(key), after.get(key))
        and not (key.startswith("tolerance.") and key.partition(".")[2] not in both)
    )


def lines(changes: Iterable[Change]) -> list[str]:
    """One readable line for each change."""
    return [str(change) for change in changes]


def _flat(sheet: Sheet) -> Iterable[tuple[str, object]]:
    for item in fields(sheet):
        value = getattr(sheet, item.name)
        if item.name in ("entered_units", "entered_as_left"):
            continue
        if item.name in ("valve", "press", "name", "controls"):
            yield f"valve.{'id' if item.name == 'valve' else item.name}", value
        elif item.name == "instruments":
            for channel, instrument in value.items():
                yield from _fields(f"instrument.{channel}", instrument)
        elif item.name in ("as_left", "tolerance"):
            for quantity in QUANTITY_UNITS:
                yield f"{item.name}.{quantity}", value.get(quantity)
        elif value is not None:
            yield from _fields(item.name, value)


def _fields(path: str, value: object) -> Iterable[tuple[str, object]]:
    if is_dataclass(value):
        for item in fields(value):
            yield f"{path}.{item.name}", getattr(value, item.name)


def _quantity(name: str, value: object) -> str:
    return format_quantity(name, value) if isinstance(value, float) else "not given"


def _tolerance(value: object) -> str:
    return format_tolerance(value) if isinstance(value, Tolerance) else "none"


#: Ends of field names -> unit.
_SUFFIX_UNITS = {"_degc": "°C", "_v": "V", "_ohm": "Ω", "_a": "A", "_bar": "bar", "_pct": "%"}


def _as_in_file(key: str) -> tuple[str, str]:
    """A field as the sheet file names it, and its unit."""
    if key.endswith("_modes"):
        return f"mode.{key.rpartition('.')[2].removesuffix('_modes')}", ""
    for suffix, unit in _SUFFIX_UNITS.items():
        if key.endswith(suffix):
            return key.removesuffix(suffix), unit
    return key, ""


def _same(old: object, new: object) -> bool:
    """Equal, but for the last digits that converting units leaves behind."""
    if isinstance(old, float) and isinstance(new, float):
        return math.isclose(old, new, rel_tol=1e-9)
    if isinstance(old, tuple) and isinstance(new, tuple):
        return len(old) == len(new) and all(map(_same, old, new))
    if isinstance(old, Tolerance) and isinstance(new, Tolerance):
        return _same(old.below, new.below) and _same(old.above, new.above)
    return old == new


def _shown(value: object, unit: str = "") -> str:
    if unit and value not in (None, ()):
        return f"{_shown(value)} {unit}"
    if value is None or value == "":
        return "none"
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, tuple):
        return "[" + ", ".join(_shown(item) for item in value) + "]"
    return str(value)
