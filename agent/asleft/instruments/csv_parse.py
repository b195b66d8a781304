"""A recorded log as rows of readings. Pure."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.instruments.protocol import Reading
from asleft.wire.block import Reason


class CsvError(ValueError):
    """A log that cannot be replayed: names line, column and what was expected."""


@dataclass(frozen=True, slots=True)
class Log:
    """Rows of a log: `times_s` after its first row, rising, and one reading each."""

    times_s: tuple[float, ...]
    readings: tuple[Reading, ...]


def parse_log(lines: Iterable[str], time_column: str, columns: Sequence[str], separator: str = ",") -> Log:
    """Read a log with one header line. Time is seconds or ISO 8601; a cell that is no number is a failed reading.

    Raises `CsvError` for a missing column, a time that is none or does not rise, or a log without rows.
    """
    rows = csv.reader(lines, delimiter=separator)
    header = [name.strip() for name in next(rows, [])]
    for name in (time_column, *columns):
        if name not in header:
            raise CsvError(f"line 1: no column {name!r}; there are {', '.join(header) or 'none'}")
    time_at = header.index(time_column)
    places = [header.index(name) for name in columns]
    times_s: list[float] = []
    readings: list[Reading] = []
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        time_s = _time_s(row[time_at] if time_at < len(row) else "", rows.line_num, time_column)
        if times_s and time_s <= times_s[-1]:
            raise CsvError(f"line {rows.line_num}, column {time_column!r}: time does not rise")
        times_s.append(time_s)
        readings.append(_reading([row[at] if at < len(row) else "" for at in places]))
    if not times_s:
        raise CsvError("no rows behind the header")
    return Log(tuple(time_s - times_s[0] for time_s in times_s), tuple(readings))


def _time_s(cell: str, line: int, column: str) -> float:
    try:
        time_s = float(cell)
    except ValueError:
        try:
            time_s = datetime.fromisoformat(cell.strip()).timestamp()
        except ValueError as error:
            raise CsvError(f"line {line}, column {column!r}: {cell!r} is neither seconds nor ISO 8601") from error
    if not math.isfinite(time_s):
        raise CsvError(f"line {line}, column {column!r}: {cell!r} is no time")
    return time_s


def _reading(cells: Sequence[str]) -> Reading:
    numbers: list[float] = []
    failed: dict[int, Reason] = {}
    for index, cell in enumerate(cells):
        try:
            number = float(cell)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            numbers.append(number)
        else:
            numbers.append(0.0)
            failed[index] = Reason.NOT_FINITE
    return Reading(numbers, failed)
