"""What a table was recognised as: the map so far, the columns as they look, the questions that are open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from asleft.logfile.given import Choice, Question
from asleft.logfile.table import Table
from asleft.sheet.logmap import Column, LogMap

MAIN = ("command", "current", "pressure")
NONE = "none"  # given as a channel's column: the file has none


@dataclass(slots=True)
class ColumnLook:
    """One column as `asleft log` shows it."""

    number: int  # from 1
    header: str
    unit: str
    low: float
    high: float
    filled: float
    channel: str = ""
    points: float = 0.0
    sure: bool = False
    why: tuple[str, ...] = ()


@dataclass(slots=True)
class Recognition:
    """What a table was recognised as. `log_map` is complete only if there are no `questions`."""

    log_map: LogMap
    columns: list[ColumnLook]
    questions: list[Question] = field(default_factory=list)
    groups: tuple[str, ...] = ()  # names of the valves, where the table holds several
    newest_first: bool = False
    remarks: list[str] = field(default_factory=list)  # what was taken for what, where that was not plain


def column_given(table: Table, text: str) -> int | None:
    """The column (from 0) that a header or a number from 1 means; None where there is none."""
    folded = [name.casefold() for name in table.header]
    if folded.count(text.casefold()) == 1:
        return folded.index(text.casefold())
    if text.isdecimal() and 1 <= int(text) <= len(table.header):
        return int(text) - 1
    return None


def reference(table: Table, at: int, column: Column) -> Column:
    """A map's way to a column: by its header where that is unique, else by its number."""
    name = table.header[at]
    if name.strip() and [each.casefold() for each in table.header].count(name.casefold()) == 1:
        return replace(column, header=name)
    return replace(column, header=name or str(at + 1), number=at + 1)


def put(table: Table, found: Recognition, channel: str, at: int, column: Column) -> None:
    """Put a channel into the map, and note it at its column."""
    columns = {**found.log_map.columns, channel: reference(table, at, column)}
    found.log_map = replace(found.log_map, columns=columns, mapped=found.log_map.mapped | {channel})
    found.columns[at].channel = channel


def choices_of(
    table: Table, looks: Sequence[ColumnLook], channel: str, columns: Sequence[int], *, optional: bool
) -> tuple[Choice, ...]:
    """A choice for each of the first eight columns; with `optional` also that there is none."""
    found = [Choice(_called(looks[at]), ("--column", f"{channel}={given_as(table, at)}")) for at in columns[:8]]
    if optional:
        found.append(Choice("none of them", ("--column", f"{channel}={NONE}")))
    return tuple(found)


def _called(look: ColumnLook) -> str:
    """What a choice calls a column: a technician knows it by its values, where the header says nothing."""
    name = f", {look.header}" if look.header else ""
    return f"column {look.number}{name}, from {look.low:.4g} to {look.high:.4g}"


def given_as(table: Table, at: int) -> str:
    """How the command line gives a column: by its header where that is unique, else by its number."""
    name = table.header[at]
    unique = [each.casefold() for each in table.header].count(name.casefold()) == 1
    return name if name and unique and not name.isdecimal() else str(at + 1)
