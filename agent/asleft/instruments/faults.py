"""Reading a settings file so that all its faults are found at once, each with key, value and limit."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

T = TypeVar("T")


class SettingsError(ValueError):
    """A settings file with faults: one line for each, `faults` holds them singly."""

    def __init__(self, source: str, faults: Sequence[str]) -> None:
        self.source = source
        self.faults = tuple(faults)
        count = f"{len(faults)} faults" if len(faults) != 1 else "1 fault"
        super().__init__(f"{source} has {count}:\n" + "\n".join(f"  {fault}" for fault in faults))


class Table:
    """One table of a settings file. Every question that has no good answer adds a fault and gives a usable value.

    `done()` must be called last: it reports the keys nobody asked for, which are misspelt more often than not.
    """

    def __init__(self, raw: Mapping[str, Any], path: str, faults: list[str]) -> None:
        self._raw = raw
        self._path = path
        self._asked: set[str] = set()
        self.faults = faults

    def where(self, key: str) -> str:
        """Full name of a key for messages."""
        return f"{self._path}.{key}" if self._path else key

    def fault(self, key: str, sentence: str) -> None:
        """Add a fault found by the caller."""
        self.faults.append(f"{self.where(key)}: {sentence}")

    def has(self, key: str) -> bool:
        """Whether the file gives this key."""
        self._asked.add(key)
        return key in self._raw

    def text(
        self, key: str, default: str | None = None, *, check: Callable[[str], bool] | None = None, rule: str = ""
    ) -> str:
        """A text; needed when there is no default. `check` says whether it is good, `rule` what good means."""
        value = self._get(key, default, str, "a text in quotes", "")
        if check is not None and self._is(key, str) and not check(value):
            self.fault(key, f"is {value!r}, {rule}")
        return value

    def number(self, key: str, low: float, high: float, default: float | None = None) -> float:
        """A finite number within low..high; needed when there is no default."""
        value = self._get(key, default, float, "a number", low)
        if not (math.isfinite(value) and low <= value <= high):
            self.fault(key, f"is {value:g}, allowed are {low:g} to {high:g}")
            return low
        return value

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """A whole number within low..high; needed when there is no default."""
        value = self._get(key, default, int, "a whole number", low)
        if not low <= value <= high:
            self.fault(key, f"is {value}, allowed are {low} to {high}")
            return low
        return value

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        return self._get(key, default, bool, "true or false", default)

    def choice(self, key: str, allowed: Sequence[str], default: str | None = None) -> str:
        """One of the allowed words; needed when there is no default."""
        value = self._get(key, default, str, "a text in quotes", allowed[0])
        if value not in allowed:
            self.fault(key, f"is {value!r}, allowed are {', '.join(repr(word) for word in allowed)}")
            return allowed[0]
        return value

    def table(self, key: str) -> Table:
        """A table within; an empty one when absent."""
        return Table(self._get(key, {}, dict, "a table", {}), self.where(key), self.faults)

    def tables(self, key: str, least: int = 1) -> list[Table]:
        """An array of tables with at least `least` entries."""
        raw = self._get(key, [], list, "an array of tables", [])
        if not all(isinstance(entry, dict) for entry in raw):
            self.fault(key, "must hold tables only")
            return []
        if len(raw) < least:
            self.fault(key, f"has {len(raw)} entries, at least {least} needed")
        return [Table(entry, f"{self.where(key)}[{number}]", self.faults) for number, entry in enumerate(raw, 1)]

    def integers(self, key: str, low: int, high: int, least: int, most: int) -> tuple[int, ...]:
        """A list of whole numbers within low..high, `least` to `most` of them."""
        raw = self._get(key, None, list, "a list of whole numbers", [low] * least)
        if not least <= len(raw) <= most:
            self.fault(key, f"has {len(raw)} entries, allowed are {least} to {most}")
        good = [value for value in raw if type(value) is int and low <= value <= high]
        if len(good) != len(raw):
            self.fault(key, f"is {raw}, each must be a whole number from {low} to {high}")
        return tuple(good)

    def pair(self, key: str, low: float, high: float) -> tuple[float, float]:
        """Two numbers within low..high."""
        raw = self._get(key, None, list, "a list of two numbers", [low, high])
        good = [float(value) for value in raw if type(value) in (int, float) and low <= value <= high]
        if len(raw) != 2 or len(good) != 2:
            self.fault(key, f"is {raw}, two numbers from {low:g} to {high:g} are needed")
            return low, high
        return good[0], good[1]

    def done(self) -> None:
        """Report the keys of the file that no question asked for."""
        for key in self._raw:
            if key not in self._asked:
                near = difflib.get_close_matches(key, sorted(self._asked), 1)
                hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(self._asked))}"
                self.fault(key, f"is no key of this table; {hint}")

    def _is(self, key: str, kind: type) -> bool:
        return isinstance(self._raw.get(key), kind)

    def _get(self, key: str, default: T | None, kind: type[T], needed: str, spare: T) -> T:
        self._asked.add(key)
        if key not in self._raw:
            if default is None:
                self.fault(key, f"is missing, {needed} is needed")
                return spare
            return default
        value = self._raw[key]
        if kind is float and type(value) is int:
            value = float(value)
        # A bool is an int to Python, but not to whoever wrote the file.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.fault(key, f"is {value!r}, {needed} is needed")
            return default if default is not None else spare
        return value
