"""Taking values out of a parsed TOML table, noting every fault instead of stopping at the first.

A `Section` learns which keys exist by being asked for them; `close` then reports whatever is left as misspelt. So the
list of known keys can never differ from the keys that are read.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from difflib import get_close_matches
from typing import TypeVar

from asleft.sheet.faults import Fault, SheetError
from asleft.sheet.limits import Limits
from asleft.sheet.units import Unit

T = TypeVar("T")

PLAIN = Unit("")


def parse_toml(text: str, source: str) -> Mapping[str, object]:
    """The tables of a TOML text.

    Raises:
        SheetError: it is not TOML; the message names line and column.
    """
    try:
        return tomllib.loads(text)
    except RecursionError:  # brackets in brackets, thousands deep
        raise SheetError([Fault(source, "", None, "not readable as TOML: nested too deeply")]) from None
    except ValueError as error:  # TOMLDecodeError, and that of a number of thousands of digits
        reason = f"not readable as TOML: {error}"
        raise SheetError([Fault(source, "", None, reason)]) from error


class Section:
    """One table of a file. Getters return None (and note a fault) when the value will not do, or is absent."""

    def __init__(self, faults: list[Fault], source: str, path: str, table: Mapping[str, object]) -> None:
        self._faults = faults
        self._source = source
        self._path = path
        self._table = table
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        """Whether the file has this key (whatever its value)."""
        return key in self._table

    @property
    def keys(self) -> list[str]:
        """Keys the file has in this table."""
        return list(self._table)

    def fault(self, key: str, limit: str, value: object = None) -> None:
        """Note a fault of a key of this table, showing the file's value unless another is given."""
        shown = self._table.get(key) if value is None else value
        self._faults.append(Fault(self._source, self._full(key), shown, limit))

    def require(self, key: str, what: str) -> None:
        """Note a fault if the key is missing; `what` says what belongs there."""
        if key not in self._table:
            self.fault(key, f"missing: {what}")

    def raw(self, key: str) -> object:
        """The value as the file has it, unchecked; None if absent."""
        return self._take(key)

    def section(self, key: str) -> Section:
        """The table under `key`, an empty one if absent or no table (the latter is a fault)."""
        value = self._take(key)
        if value is not None and not isinstance(value, dict):
            self.fault(key, f"must be a table, written [{self._full(key)}]")
            value = None
        return Section(self._faults, self._source, self._full(key), value or {})

    def text(self, key: str, *, most: int = 200) -> str | None:
        """A string of at most `most` printable characters."""
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fault(key, 'must be text in quotes, "..."')
        elif len(value) > most:
            self.fault(key, f"must be at most {most} characters, has {len(value)}")
        elif not value.isprintable():
            self.fault(key, "must be one line of printable characters")
        else:
            return value
        return None

    def choice(self, key: str, choices: Mapping[str, T]) -> T | None:
        """One of the named choices, or None."""
        value = self._take(key)
        if value is None:
            return None
        if isinstance(value, str) and value in choices:
            return choices[value]
        hint = _did_you_mean(str(value), choices)
        self.fault(key, "must be one of " + ", ".join(f'"{name}"' for name in choices) + hint)
        return None

    def flag(self, key: str) -> bool | None:
        """True or false."""
        value = self._take(key)
        if value is None or isinstance(value, bool):
            return value
        self.fault(key, "must be true or false")
        return None

    def integer(self, key: str, low: int, high: int) -> int | None:
        """A whole number from `low` to `high`."""
        value = self._take(key)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        self.fault(key, f"must be a whole number from {low} to {high}")
        return None

    def integers(self, key: str, low: int, high: int) -> tuple[int, ...] | None:
        """A list of whole numbers, each from `low` to `high`, none twice."""
        value = self._take(key)
        if value is None:
            return None
        whole = [v for v in value if _is_whole(v) and low <= v <= high] if isinstance(value, list) else []
        if isinstance(value, list) and len(whole) == len(value) == len(set(whole)):
            return tuple(whole)
        self.fault(key, f"must be a list of different whole numbers from {low} to {high}, as [1, 4]")
        return None

    def number(
        self,
        key: str,
        low: float,
        high: float,
        unit: Unit = PLAIN,
        *,
        above_low: bool = False,
        difference: bool = False,
    ) -> float | None:
        """A finite number in stored units; `low` and `high` too are in stored units.

        `above_low` excludes `low` itself; `difference` converts as a difference (no shift of a temperature scale).
        """
        value = self._take(key)
        if value is None:
            return None
        return self._checked(key, value, low, high, unit, above_low=above_low, difference=difference)

    def within(self, key: str, limits: Limits, units: Mapping[str, str]) -> float | None:
        """A finite number in stored units, within limits; `units` are the file's."""
        return self.number(
            key,
            limits.low,
            limits.high,
            limits.entered(units),
            above_low=limits.above_low,
            difference=limits.difference,
        )

    def numbers(self, key: str, low: float, high: float, unit: Unit = PLAIN) -> tuple[float, ...] | None:
        """A list of finite numbers in stored units; a fault names the entry that will not do."""
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, list):
            self.fault(key, "must be a list of numbers, as [1.0, 2.0]")
            return None
        found = [self._checked(f"{key}[{i}]", item, low, high, unit) for i, item in enumerate(value, 1)]
        kept = tuple(item for item in found if item is not None)
        return kept if len(kept) == len(found) else None

    def ascending_pair(self, key: str, low: float, high: float, unit: Unit = PLAIN) -> tuple[float, float] | None:
        """Two numbers in stored units, the second above the first. Never swapped silently."""
        found = self.numbers(key, low, high, unit)
        if found is None:
            return None
        if len(found) != 2 or found[0] >= found[1]:
            self.fault(key, "must be two numbers, the lower first, as [low, high]")
            return None
        return found[0], found[1]

    def instant(self, key: str) -> datetime | None:
        """A point in time with its zone, returned in UTC."""
        value = self._take(key)
        if value is None:
            return None
        example = "2026-03-02T08:10:00Z, or +01:00 in place of Z, without quotes"
        if not isinstance(value, datetime):
            kind = "a date alone" if isinstance(value, date) else "no date and time"
            self.fault(key, f"is {kind}; write date, time and zone: {example}")
        elif value.tzinfo is None:
            self.fault(key, f"has no zone; write it with one: {example}")
        elif not 1990 <= value.year <= 2200:
            self.fault(key, "must be from 1990 to 2200")
        else:
            return value.astimezone(UTC)
        return None

    def close(self) -> None:
        """Report every key that nothing asked for, with the nearest known one."""
        for key in self._table:
            if key not in self._known:
                hint = _did_you_mean(key, self._known) or "; known here: " + ", ".join(self._known)
                self.fault(key, "unknown key" + hint)

    def _full(self, key: str) -> str:
        return ".".join(part for part in (self._path, key) if part)

    def _take(self, key: str) -> object:
        self._known.append(key)
        return self._table.get(key)

    def _checked(
        self,
        key: str,
        value: object,
        low: float,
        high: float,
        unit: Unit,
        *,
        above_low: bool = False,
        difference: bool = False,
    ) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.fault(key, "must be a finite number, without quotes", value)
            return None
        convert, back = (
            (unit.difference_to_stored, unit.difference_from_stored)
            if difference
            else (unit.to_stored, unit.from_stored)
        )
        stored = convert(float(value))
        if low < stored <= high or (stored == low and not above_low):
            return stored
        symbol = f" {unit.symbol}" if unit.symbol else ""
        ends = f"above {_short(back(low))} and at most" if above_low else f"from {_short(back(low))} to"
        self.fault(key, f"must be {ends} {_short(back(high))}{symbol}", value)
        return None


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _short(value: float) -> str:
    return f"{value:.6g}"


def _did_you_mean(word: str, known: Mapping[str, object] | list[str]) -> str:
    near = get_close_matches(word.lower(), [name.lower() for name in known], n=1, cutoff=0.6)
    original = next((name for name in known if near and name.lower() == near[0]), None)
    return f'; did you mean "{original}"?' if original else ""
