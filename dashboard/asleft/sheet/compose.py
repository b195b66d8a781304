"""The text of a sheet from an older one and what was typed over it: what nobody touched stays as it was filed."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping
from datetime import datetime
from typing import Any

import tomlkit
from asleft.sheet.entries import ENTRIES, Entry
from asleft.sheet.faults import Fault
from asleft.sheet.typed import NotUnderstood, text_of, value_of
from asleft.wire import toml_limits

Tables = MutableMapping[str, Any]


def fields_of(toml: str) -> dict[str, str]:
    """What every field holds for a sheet, by name; empty where its file says nothing."""
    tables = toml_limits.loads(toml)
    return {entry.name: text_of(entry, _taken(tables, entry)) for entry in ENTRIES}


def composed(toml: str, typed: Mapping[str, str]) -> tuple[Tables, dict[str, str]]:
    """The tables of a sheet with what was typed over it, and what was not understood, by field.

    A field that is not in `typed` keeps what the file says, an empty one takes its key away. The tolerance of a
    setting goes with it. Comments, order and spelling of the file stay.
    """
    toml_limits.check(toml)
    tables: Tables = tomlkit.parse(toml)
    before = set(tables.get("as_left", {}))
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
    for quantity in before - set(tables.get("as_left", {})):
        if quantity in tables.get("tolerance", {}):
            _take_out(tables, "tolerance", quantity)
    return tables, faults


def with_revision(tables: Tables, number: int, at: datetime, by: str, why: str) -> str:
    """The text of the tables as that revision. Remarks beside the values of the last one go: they were about it."""
    table: Any = _made(tables, "revision")
    for key, value in (("number", number), ("at", at), ("by", by), ("why", why)):
        table[key] = value
        trivia = table.value.item(key).trivia
        trivia.comment = trivia.comment_ws = ""
    return tomlkit.dumps(tables)


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
    if value is not None:
        _made(tables, entry.table)[entry.key] = value
    elif entry.key in _found(tables, entry.table):
        _take_out(tables, entry.table, entry.key)


def _put_pair(tables: Tables, entry: Entry, both: list[Any], faults: dict[str, str]) -> None:
    if both == [None, None]:
        _put(tables, entry, None)
    elif None in both:
        other = entry.name.removesuffix("high") + "low"
        if not {entry.name, other} & faults.keys():
            faults[entry.name if both[1] is None else other] = "missing: both ends, or neither"
    else:
        _put(tables, entry, both)


def _found(tables: Tables, path: str) -> Tables:
    """The table of a dotted path, an empty one where the file has none."""
    table = tables
    for part in path.split("."):
        table = table.get(part, {})
    return table


def _made(tables: Tables, path: str) -> Tables:
    """The table of a dotted path, made at the end of the file if it has none."""
    table = tables
    *above, last = path.split(".")
    for part in above:
        if part not in table:
            table[part] = tomlkit.table(is_super_table=True)
        table = table[part]
    if last not in table:
        new = tomlkit.table()
        new.trivia.indent = "\n"
        table[last] = new
    made: Tables = table[last]
    return made


def _take_out(tables: Tables, path: str, key: str) -> None:
    """Take a key out, and its table with it if nothing else is in there, no comment either."""
    *above, last = path.split(".")
    parent = _found(tables, ".".join(above)) if above else tables
    table = parent[last]
    del table[key]
    if not table and "#" not in table.as_string():
        del parent[last]
        if above and not parent:
            _take_out_empty(tables, ".".join(above))


def _take_out_empty(tables: Tables, path: str) -> None:
    *above, last = path.split(".")
    del (_found(tables, ".".join(above)) if above else tables)[last]
