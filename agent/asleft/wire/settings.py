"""Reading a settings file (TOML) so that all its faults are found at once: agent, sheets, log maps and notices.

A `Section` learns which keys exist by being asked for them; `close` then reports whatever is left as misspelt. So the
list of known keys can never differ from the keys that are read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Container, Iterable, Mapping
from datetime import UTC, date, datetime
from difflib import get_close_matches
from typing import Self, TypeVar

from asleft.wire import toml_limits
from asleft.wire.settings_faults import Fault, SettingsError
from asleft.wire.units import Unit

T = TypeVar("T")

LONGEST_PATH = 4096
"""Characters of a file name; `PATH_MAX` of Linux."""


PLAIN = Unit("")


def parse_toml(text: str, source: str) -> Mapping[str, object]:
    """The tables of a TOML text; `source` names it in messages.

    Raises:
        SettingsError: it is not TOML (the message names line and column), or is beyond the limits of `toml_limits`.
    """
    try:
        return toml_limits.loads(text)
    except ValueError as error:
        reason = f"not readable as TOML: {error}"
        raise SettingsError([Fault(source, "", None, reason)]) from error


class Section:
    """One table of a file. Getters return None when the key is absent, and when the value will not do (a fault).

    `needed` of a getter says what belongs there: with it an absent key is a fault. A value that is returned after a
    fault, or in place of one, must not be used: `finish` raises.
    """

    def __init__(self, faults: list[Fault], source: str, path: str, table: Mapping[str, object]) -> None:
        self._faults = faults
        self._source = source
        self._path = path
        self._table = table
        self._known: list[str] = []
        self._secret: set[str] = set()

    @classmethod
    def of_text(cls, text: str, source: str) -> Self:
        """The top of a file. Raises `SettingsError` if it is not TOML."""
        return cls([], source, "", parse_toml(text, source))

    def __contains__(self, key: str) -> bool:
        """Whether the file has this key (whatever its value)."""
        return key in self._table

    @property
    def keys(self) -> list[str]:
        """Keys the file has in this table."""
        return list(self._table)

    def fault(self, key: str, limit: str, value: object = None) -> None:
        """Note a fault of a key of this table, showing the file's value unless another is given or it is secret."""
        shown = self._table.get(key) if value is None else value
        self._faults.append(Fault(self._source, self._full(key), None if key in self._secret else shown, limit))

    def require(self, key: str, what: str) -> None:
        """Note a fault if the key is missing; `what` says what belongs there."""
        if key not in self._table:
            self.fault(key, f"missing: {what}")

    def distinct(self, key: str, before: Container[object]) -> None:
        """Note a fault if the value of the key is among those `before`."""
        if self._table.get(key) in before:
            self.fault(key, "is there twice; each needs its own")

    def raw(self, key: str) -> object:
        """The value as the file has it, unchecked; None if absent."""
        return self._take(key)

    def section(self, key: str) -> Self:
        """The table under `key`, an empty one if absent or no table (the latter is a fault)."""
        value = self._take(key)
        if value is not None and not isinstance(value, dict):
            self.fault(key, f"must be a table, written [{self._header(key)}]")
            value = None
        return type(self)(self._faults, self._source, self._full(key), value or {})

    def sections(self, key: str) -> list[Self]:
        """An array of tables with at least one entry; in messages they count from 1."""
        header = f"[[{self._header(key)}]]"
        value = self._take(key)
        if value is None or value == []:
            self.fault(key, f"missing: at least one {header}")
        elif not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fault(key, f"must be tables, each written {header}")
        else:
            full = self._full(key)
            return [type(self)(self._faults, self._source, f"{full}[{i}]", one) for i, one in enumerate(value, 1)]
        return []

    def text(
        self,
        key: str,
        *,
        most: int = 200,
        check: Callable[[str], object] = lambda _: True,
        wanted: str = "",
        needed: str = "",
        secret: bool = False,
    ) -> str | None:
        """A string of at most `most` printable characters that pass `check`; `wanted`, else `needed`, says which.

        A `secret` value is never part of a message; nor is an unknown key's beside it, which may be it misspelt.
        """
        if secret:
            self._secret.add(key)
        value = self._take(key, needed)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fault(key, 'must be text in quotes, "..."')
        elif len(value) > most:
            self.fault(key, f"must be at most {most} character{'s' if most > 1 else ''}, has {len(value)}")
        elif not value.isprintable():
            self.fault(key, "must be one line of printable characters")
        elif not check(value):
            self.fault(key, wanted or f"must be {needed}")
        else:
            return value
        return None

    def choice(self, key: str, choices: Mapping[str, T], *, needed: str = "") -> T | None:
        """What one of the named choices stands for, or None."""
        value = self._take(key, needed)
        if value is None:
            return None
        if isinstance(value, str) and value in choices:
            return choices[value]
        self.fault(key, f"must be one of {_quoted(choices)}{_did_you_mean(str(value), choices)}")
        return None

    def word(self, key: str, words: Iterable[str], *, needed: str = "") -> str | None:
        """One of the words, or None."""
        return self.choice(key, {word: word for word in words}, needed=needed)

    def words(self, key: str, words: Iterable[str], *, needed: str = "") -> tuple[str, ...] | None:
        """A list of at least one of the words, none of another."""
        value = self._take(key, needed)
        known = list(words)
        if value is None:
            return None
        if isinstance(value, list) and value and all(word in known for word in value):
            return tuple(value)
        self.fault(key, f'must be a list of one or more of {_quoted(known)}, as ["{known[0]}"]')
        return None

    def flag(self, key: str) -> bool | None:
        """True or false."""
        value = self._take(key)
        if value is None or isinstance(value, bool):
            return value
        self.fault(key, "must be true or false")
        return None

    def integer(self, key: str, low: int, high: int, unit: str = "", *, needed: str = "") -> int | None:
        """A whole number from `low` to `high`."""
        value = self._take(key, needed)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        self.fault(key, f"must be a whole number from {low} to {high}{unit and ' '}{unit}")
        return None

    def integers(
        self, key: str, low: int, high: int, *, most: int | None = None, needed: str = ""
    ) -> tuple[int, ...] | None:
        """A list of whole numbers, each from `low` to `high`, none twice; with `most`, one to so many of them."""
        value = self._take(key, needed)
        if value is None:
            return None
        whole = [v for v in value if _is_whole(v) and low <= v <= high] if isinstance(value, list) else []
        count = most is None or 1 <= len(whole) <= most
        if isinstance(value, list) and len(whole) == len(value) == len(set(whole)) and count:
            return tuple(whole)
        of = f"1 to {most} " if most is not None else ""
        self.fault(key, f"must be a list of {of}different whole numbers from {low} to {high}, as [1, 4]")
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

    def different_pair(self, key: str, low: float, high: float) -> tuple[float, float] | None:
        """Two numbers that differ, in any order."""
        found = self.numbers(key, low, high)
        if found is None:
            return None
        if len(found) != 2 or found[0] == found[1]:
            self.fault(key, "must be two different numbers, as [0, 4095]")
            return None
        return found[0], found[1]

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
                if self._secret:
                    self._secret.add(key)
                hint = _did_you_mean(key, self._known) or "; known here: " + ", ".join(dict.fromkeys(self._known))
                self.fault(key, "unknown key" + hint)

    def finish(self) -> None:
        """Close the top of a file. Raises `SettingsError` with all faults of the file, if it has any."""
        self.close()
        if self._faults:
            raise SettingsError(self._faults)

    def _full(self, key: str) -> str:
        return ".".join(part for part in (self._path, key) if part)

    def _header(self, key: str) -> str:
        """The key as a header of TOML names it: without the numbers of entries."""
        return re.sub(r"\[\d+\]", "", self._full(key))

    def _take(self, key: str, needed: str = "") -> object:
        self._known.append(key)
        if needed:
            self.require(key, needed)
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


def _quoted(words: Iterable[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def _did_you_mean(word: str, known: Iterable[str]) -> str:
    names = {name.lower(): name for name in reversed(list(known))}
    near = get_close_matches(word.lower(), names, n=1, cutoff=0.6)
    return f'; did you mean "{names[near[0]]}"?' if near else ""
