"""Settings of many edge boxes: one template for all of them, and a small file of values for each box.

A file without `template` is the settings themselves. A box's file names the template and gives the values:

    template = "hall.toml"
    [values]
    agent = "hall-7"
    driver = "192.0.2.17"

In the template's strings `${driver}` stands for such a value, and `$$` for a dollar sign. A string that is nothing
but `"${port}"` becomes the value itself, a number say. Values are put into the tables after the template is read
as TOML, so no value can change what the template means.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from asleft.wire.settings import LONGEST_PATH, Section, parse_toml
from asleft.wire.settings_faults import Fault, SettingsError

_PLACE = re.compile(r"\$(?:\$|\{([^{}]+)\})")
Value = str | int | float | bool
DIGEST_LENGTH = 12
"""Hexadecimal digits of the digest that are shown: two of a thousand different settings share one in 10 to the 9."""


@dataclass(frozen=True, slots=True)
class BoxSettings:
    """The settings of one box, with the values in their places."""

    table: Mapping[str, object]
    source: str
    """Names them in messages: the template, where there is one."""

    @property
    def digest(self) -> str:
        """What tells these settings from others: the first digits of a SHA-256. Comments and order do not count."""
        text = json.dumps(self.table, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:DIGEST_LENGTH]


def read_box_settings(file: Path) -> BoxSettings:
    """The settings in a file, or of a box by its file and its template.

    Raises `SettingsError` with every fault of values and places, `OSError` if `file` cannot be read.
    """
    table = parse_toml(_text(file), str(file))
    if "template" not in table:
        return BoxSettings(table, str(file))
    faults: list[Fault] = []
    top = Section(faults, str(file), "", table)
    name = top.text("template", most=LONGEST_PATH, check=bool, wanted="must be the name of the template's file")
    values = _values(top.section("values"))
    top.finish()
    template = file.parent / (name or "")
    try:
        text = _text(template)
    except OSError as error:
        raise SettingsError([Fault(str(file), "template", name, f"cannot be read: {error.strerror}")]) from error
    parsed = parse_toml(text, str(template))
    if "template" in parsed:
        raise SettingsError([Fault(str(template), "template", parsed["template"], "a template names no other one")])
    used: set[str] = set()
    filled = {key: _filled(item, key, values, used, str(template), faults, file.name) for key, item in parsed.items()}
    faults += [
        Fault(str(file), f"values.{key}", values[key], f"has no place in {template.name}: no ${{{key}}}")
        for key in sorted(set(values) - used)
    ]
    if faults:
        raise SettingsError(faults)
    return BoxSettings(filled, f"{file} with {template.name}")


def _text(file: Path) -> str:
    try:
        return file.read_bytes().decode()
    except UnicodeDecodeError as error:
        raise SettingsError([Fault(str(file), "", None, f"is not UTF-8 at byte {error.start}")]) from error


def _values(section: Section) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for key in section.keys:
        value = section.raw(key)
        if isinstance(value, str | int | float | bool):
            found[key] = value
        else:
            section.fault(key, "must be text, a number, true or false")
    return found


def _filled(
    item: object,
    path: str,
    values: Mapping[str, Value],
    used: set[str],
    source: str,
    faults: list[Fault],
    box: str,
) -> object:
    """The item with values in place of what stands for them; `path` names it in messages."""
    if isinstance(item, Mapping):
        return {key: _filled(one, f"{path}.{key}", values, used, source, faults, box) for key, one in item.items()}
    if isinstance(item, list):
        return [_filled(one, f"{path}[{i}]", values, used, source, faults, box) for i, one in enumerate(item, 1)]
    if not isinstance(item, str):
        return item
    for name in _PLACE.findall(item):
        if name and name not in values:
            faults.append(Fault(source, path, item, f'there is no "{name}" among the [values] of {box}'))
        used.add(name)
    whole = _PLACE.fullmatch(item)
    if whole is not None and whole[1]:
        return values.get(whole[1], item)
    return _PLACE.sub(lambda place: _as_text(values.get(place[1], "")) if place[1] else "$", item)


def _as_text(value: Value) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
