"""The cells of a log file: decoding, header lines, separator, which column is whose."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.sheet.logmap import LogMap

_SEPARATORS = ("\t", ";", ",")


@dataclass(frozen=True, slots=True)
class LogTable:
    """Rows of text, all as long as the header; `position` says which column each channel is in."""

    path: Path
    header: tuple[str, ...]
    header_line: int
    rows: Sequence[Sequence[str]]
    lines: Sequence[int]  # line number in the file of each row
    position: Mapping[str, int]
    decimal_comma: bool
    long_rows: tuple[int, ...] = ()  # line numbers of rows with more cells than the header

    def cells(self, channel: str) -> list[str]:
        """The column of a channel."""
        at = self.position[channel]
        return [row[at] for row in self.rows]

    def line_of(self, row: int) -> int:
        """The line in the file of a row (from 0)."""
        return self.lines[row]

    def header_of(self, channel: str) -> str:
        """The header of a channel's column, as the file has it."""
        return self.header[self.position[channel]]


def read_table(path: Path, log_map: LogMap) -> LogTable:
    """Read the file and find its columns.

    Raises:
        UserError: unreadable, no header, a mapped column missing, or one header twice.
    """
    text = _decoded(path, log_map.encoding)
    lines = io.StringIO(text, newline="")
    for _ in range(log_map.header_lines):
        lines.readline()
    header_line = log_map.header_lines + 1
    raw_header = lines.readline()
    separator = log_map.separator or next((s for s in _SEPARATORS if s in raw_header), ",")
    header = tuple(cell.strip() for cell in next(csv.reader([raw_header], delimiter=separator), []))
    _require_header(path, header, header_line)
    position = _positions(path, header, header_line, log_map)
    for _ in range(log_map.unit_lines):
        lines.readline()
    first_line = header_line + log_map.unit_lines + 1
    rows, numbers = _rows(path, lines, separator, first_line)
    rows, numbers, long_rows = _squared(rows, numbers, len(header))
    return LogTable(path, header, header_line, rows, numbers, position, log_map.decimal_comma, long_rows)


def _decoded(path: Path, encoding: str) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error
    try:
        return raw.decode("utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise UserError(
            f'{path}: line {line}: not {encoding}; name the file\'s encoding in a map, as encoding = "cp1252"'
        ) from error
    except UnicodeError as error:
        raise UserError(f"{path}: not {encoding}: {error}") from error


def _require_header(path: Path, header: tuple[str, ...], line: int) -> None:
    if not any(header):
        raise UserError(
            f"{path}: line {line}: no header, the line is empty; expected column names, as time,command,current"
        )
    if all(_looks_like_data(cell) for cell in header if cell):
        raise UserError(
            f"{path}: line {line}: no header, the line holds {', '.join(header[:3])}; expected column names, as "
            "time,command,current"
        )


def _looks_like_data(cell: str) -> bool:
    return not any(letter.isalpha() and letter not in "eETZ" for letter in cell) and any(c.isdigit() for c in cell)


def _positions(path: Path, header: tuple[str, ...], line: int, log_map: LogMap) -> dict[str, int]:
    found: dict[str, int] = {}
    folded = [cell.casefold() for cell in header]
    taken = {log_map.columns[channel].header.casefold() for channel in log_map.mapped}
    missing: list[str] = []
    for channel, column in log_map.columns.items():
        wanted = column.header.casefold()
        if channel not in log_map.mapped and wanted in taken:
            continue  # the map gives the column of that name to another channel
        count = folded.count(wanted)
        if count > 1:
            raise UserError(f"{path}: line {line}: the header {column.header!r} stands {count} times; expected once")
        if count:
            found[channel] = folded.index(wanted)
        elif channel in log_map.mapped:
            missing.append(f"{column.header!r} (for {channel})")
    if missing:
        raise UserError(
            f"{path}: line {line}: no column {', no column '.join(missing)}, which the map names. "
            f"The header has: {', '.join(header)}"
        )
    return found


def _rows(path: Path, lines: io.StringIO, separator: str, first_line: int) -> tuple[list[list[str]], Sequence[int]]:
    """All rows that are not blank, and their line numbers."""
    start = lines.tell()
    reader = csv.reader(lines, delimiter=separator)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise UserError(f"{path}: line {first_line + reader.line_num}: not readable as CSV: {error}") from error
    if reader.line_num == len(rows):
        numbers: Sequence[int] = range(first_line, first_line + len(rows))
    else:  # a quoted cell holds line breaks: number the rows one by one
        lines.seek(start)
        reader = csv.reader(lines, delimiter=separator)
        numbers = [first_line + reader.line_num - 1 for _ in reader]
    if all(rows):
        return rows, numbers
    kept = [i for i, row in enumerate(rows) if row]
    return [rows[i] for i in kept], [numbers[i] for i in kept]


def _squared(
    rows: list[list[str]], numbers: Sequence[int], width: int
) -> tuple[list[list[str]], Sequence[int], tuple[int, ...]]:
    """Short rows filled with empty cells; rows with more (filled) cells than the header set aside."""
    if all(len(row) == width for row in rows):
        return rows, numbers, ()
    square: list[list[str]] = []
    kept: list[int] = []
    long_rows: list[int] = []
    for row, number in zip(rows, numbers, strict=True):
        if any(cell.strip() for cell in row[width:]):
            long_rows.append(number)
        else:
            square.append(row[:width] + [""] * (width - len(row)))
            kept.append(number)
    return square, kept, tuple(long_rows)
