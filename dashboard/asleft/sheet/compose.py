"""The text of a sheet from an older one and what was typed over it: what nobody touched stays as it was filed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from asleft.sheet.entries import ENTRIES, Entry
from asleft.sheet.faults import Fault
from asleft.sheet.typed import NotUnderstood, text_of, value_of
from asleft.sheet.write import toml_value

Tables = dict[str, Any]

#: In which order tables are written; others (a `[log]`) follow, the revision is last.
_ORDER = (
    "valve",
    "signal",
    "units",
    "as_left",
    "tolerance",
    "coil",
    "characteristic",
    "conditions",
    "mode",
    "instrument",
)


def fields_of(toml: str) -> dict[str, str]:
    """What every field holds for a sheet, by name; empty where its file says nothing."""
    tables = tomllib.loads(toml)
    return {entry.name: text_of(entry, _taken(tables, entry)) for entry in ENTRIES}


def composed(toml: str, typed: Mapping[str, str]) -> tuple[Tables, dict[str, str]]:
    """The tables of a sheet with what was typed over it, and what was not understood, by field.

    A field that is not in `typed` keeps what the file says, an empty one takes its key away. The tolerance of a
    setting goes with it.
    """
    tables: Tables = tomllib.loads(toml)
    before = dict(tables.get("as_left", {}))
    faults: dict[str, str] = {}
    ends: dict[str, list[Any]] = {}
    for entry in ENTRIES:
        if entry.name not in typed:
            continue
        text = typed[entry.name].strip()
        try:
            value = value_of(entry, text) if text else None
        except NotUnderstood as reason:
            faults[entry.name] = str(reason)
            continue
        if entry.end is not None:
            ends.setdefault(entry.path, [None, None])[entry.end] = value
            if entry.end == 1:
                _put_pair(tables, entry, ends[entry.path], faults)
            continue
        if text != text_of(entry, _taken(tables, entry)):  # as it was filed, if nobody touched it
            _put(tables, entry, value)
    for quantity in before.keys() - tables.get("as_left", {}).keys():
        tables.get("tolerance", {}).pop(quantity, None)
    return tables, faults


def with_revision(tables: Tables, number: int, at: datetime, by: str, why: str) -> str:
    """The text of the tables as that revision."""
    revision = {"number": number, "at": at, "by": by, "why": why}
    rest = {name: table for name, table in tables.items() if name not in (*_ORDER, "revision")}
    ordered = {name: tables[name] for name in _ORDER if tables.get(name)}
    return "\n".join(_text(name, table) for name, table in {**ordered, **rest, "revision": revision}.items())


def field_of(fault: Fault) -> str:
    """The field that a fault of the reader belongs at; empty where there is none."""
    path = fault.key.split("[", 1)[0]
    return next((entry.name for entry in ENTRIES if entry.path == path), "")


def _taken(tables: Mapping[str, Any], entry: Entry) -> object:
    table: Any = tables
    for part in entry.table.split("."):
        table = table.get(part, {}) if isinstance(table, Mapping) else {}
    value = table.get(entry.key) if isinstance(table, Mapping) else None
    if entry.end is None:
        return value
    return value[entry.end] if isinstance(value, list) and len(value) == 2 else None


def _put(tables: Tables, entry: Entry, value: object) -> None:
    table = tables
    for part in entry.table.split("."):
        if value is None and part not in table:
            return
        table = table.setdefault(part, {})
    if value is not None:
        table[entry.key] = value
    elif entry.key in table:
        del table[entry.key]
        _drop_empty(tables, entry.table)


def _put_pair(tables: Tables, entry: Entry, both: list[Any], faults: dict[str, str]) -> None:
    if both == [None, None]:
        _put(tables, entry, None)
    elif None in both:
        other = entry.name.removesuffix("high") + "low"
        if not {entry.name, other} & faults.keys():
            faults[entry.name if both[1] is None else other] = "missing: both ends, or neither"
    else:
        _put(tables, entry, both)


def _drop_empty(tables: Tables, path: str) -> None:
    parts = path.split(".")
    for depth in range(len(parts), 0, -1):
        parent = tables
        for part in parts[: depth - 1]:
            parent = parent.get(part, {})
        if parent.get(parts[depth - 1]) == {}:
            del parent[parts[depth - 1]]


def _text(name: str, table: Mapping[str, Any]) -> str:
    plain = {key: value for key, value in table.items() if not isinstance(value, Mapping)}
    parts = []
    if plain or not table:
        parts.append(f"[{name}]\n" + "".join(f"{_key(key)} = {_value(value)}\n" for key, value in plain.items()))
    parts += [_text(f"{name}.{_key(key)}", value) for key, value in table.items() if isinstance(value, Mapping)]
    return "\n".join(parts)


def _key(key: str) -> str:
    return (
        key if key and all(char.isascii() and (char.isalnum() or char in "-_") for char in key) else toml_value(key)
    )


def _value(value: Any) -> str:  # noqa: ANN401 - whatever TOML holds
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, str | int | float | datetime):
        return toml_value(value)
    return str(value)
