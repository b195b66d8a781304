"""What is wrong with a file a person wrote: every fault, each with its key, its value and the limit."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: `key` is dotted ("as_left.ramp_up"), `limit` says what is wanted in its place."""

    source: str
    key: str
    value: object
    limit: str

    def __str__(self) -> str:
        """One line: source, key, value, limit, as in `press-4.toml: as_left.ramp_up = 700: from 0 to 600 s`."""
        where = f"{self.source}: " if self.source else ""
        if not self.key:
            return f"{where}{self.limit}"
        if self.value is None:
            return f"{where}{self.key}: {self.limit}"
        return f"{where}{self.key} = {as_typed(self.value)}: {self.limit}"


class SettingsError(ValueError):
    """A file with faults in it. `faults` holds all of them; the message lists one a line."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def as_typed(value: object, most: int = 60) -> str:
    """A value the way TOML writes it, on one line, shortened to about `most` characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
    elif isinstance(value, date | time):
        text = value.isoformat()
    elif isinstance(value, dict):
        text = "{...}"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(as_typed(item) for item in value[:most]) + "]"
    else:
        text = str(value)
    return text if len(text) <= most else text[: most - 3] + "..."
