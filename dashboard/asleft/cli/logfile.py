"""A logger's CSV file into samples for the judge, with a count of every cell that could not be used.

Refused, naming file, line, column and what was expected: no header, a missing column, times that go back, less than
10 s of usable data. Counted: empty, non-numeric and non-finite cells, unreadable times, repeated times (first kept).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path

import numpy as np
from asleft.cli.errors import UserError
from asleft.cli.logcells import CONTACT_WORDS, BadCell, FloatArray, read_numbers
from asleft.cli.logtable import LogTable, read_table
from asleft.cli.logtimes import read_times
from asleft.judge.types import Samples
from asleft.sheet.logmap import Column, LogMap
from asleft.sheet.zones import ZONE_WANTED, find_zone

LEAST_USABLE_S = 10.0
DUPLICATE = "repeated times"
LONG_ROW = "rows with more cells than the header"

_CONTACTS = frozenset({"enable", "pump_running"})


@dataclass(frozen=True, slots=True)
class LogReading:
    """What a log file held."""

    samples: Samples
    rows: int  # data rows in the file
    dropped: Mapping[str, int]  # reason -> count; empty if all was well
    notes: tuple[str, ...]  # one sentence each: where the first of each kind stands
    unused: tuple[str, ...] = ()  # headers of columns that are no channel's


def zone_named(name: str) -> tzinfo:
    """The time zone of that name; the very object `UTC` for UTC, which reads fastest.

    Raises:
        UserError: there is no such zone.
    """
    zone = UTC if name.upper() in ("UTC", "Z") else find_zone(name)
    if zone is None:
        raise UserError(f"--zone {name}: {ZONE_WANTED}")
    return zone


def read_log(path: Path, log_map: LogMap, *, signal_unit: str, zone: tzinfo | None = None) -> LogReading:
    """Read a log file. `signal_unit` ("mA" or "V") is the unit of the sheet's command; `zone` overrides the map's.

    Raises:
        UserError: the file is refused; the message names file, line, column and what was expected.
    """
    table = read_table(path, log_map)
    require_columns(table)
    columns = _in_stored_units(table, log_map, signal_unit)
    counts: Counter[str] = Counter()
    notes: list[str] = []
    if table.long_rows:
        counts[LONG_ROW] = len(table.long_rows)
        notes.append(
            f"{path}: line {table.long_rows[0]} has more cells than the header: wrong separator, or a comma inside a "
            f"number? ({len(table.long_rows)} such rows left out)"
        )

    time_s, bad = read_times(
        table.cells("time"), log_map.time_format, zone or zone_named(log_map.zone), decimal_comma=table.decimal_comma
    )
    if bad and len(bad) == len(table.rows):
        wanted = log_map.time_format or "ISO 8601 or seconds; another form needs time_format in a map"
        raise UserError(
            f"{path}: line {table.line_of(bad[0].row)}, column {table.header_of('time')}: {bad[0].text!r} "
            f"cannot be read as a time, expected {wanted}"
        )
    _tell(table, "time", bad, counts, notes)

    channels: dict[str, FloatArray] = {}
    for channel, column in columns.items():
        words = CONTACT_WORDS if channel in _CONTACTS else None
        values, bad = read_numbers(table.cells(channel), decimal_comma=table.decimal_comma, words=words)
        _tell(table, channel, bad, counts, notes)
        channels[channel] = converted(values, column)

    keep = _kept_rows(table, time_s, counts, notes)
    if not keep.all():
        time_s = time_s[keep]
        channels = {channel: values[keep] for channel, values in channels.items()}
    _require_usable(path, time_s, channels, notes)
    used = set(table.position.values())
    unused = tuple(name for k, name in enumerate(table.header) if name and k not in used)
    rows = len(table.rows) + len(table.long_rows)
    return LogReading(Samples(time_s, channels), rows, dict(counts), tuple(notes), unused)


def require_columns(table: LogTable) -> None:
    """Time, command, and current or pressure must be there."""
    missing = [channel for channel in ("time", "command") if channel not in table.position]
    if "current" not in table.position and "pressure" not in table.position:
        missing.append("current or pressure")
    if missing:
        raise UserError(
            f"{table.path}: line {table.header_line}: no column {', no column '.join(missing)}; expected time, "
            f"command, and current or pressure. The header has: {', '.join(table.header) or 'nothing'}. "
            "Other headers need a map (--map FILE, or [log] in the sheet)."
        )


def _in_stored_units(table: LogTable, log_map: LogMap, signal_unit: str) -> dict[str, Column]:
    columns = {channel: log_map.columns[channel] for channel in table.position if channel != "time"}
    unit = columns["command"].unit
    if unit is not None and ("mA" if unit.symbol == "mA" else "V") != signal_unit:
        raise UserError(
            f"{table.path}: column {table.header_of('command')}: the map gives it in {unit.symbol}, but the sheet's "
            f"command signal is in {signal_unit}"
        )
    return columns


def converted(values: FloatArray, column: Column) -> FloatArray:
    """A column's numbers in the stored unit: scale and offset first, then the unit."""
    if column.scale != 1.0 or column.offset != 0.0:
        values = column.offset + column.scale * values
    unit = column.unit
    if unit is not None:
        values = (values - unit.shift) * unit.multiplier / unit.divisor
    return values


def _tell(table: LogTable, channel: str, bad: list[BadCell], counts: Counter[str], notes: list[str]) -> None:
    by_reason = Counter(cell.reason for cell in bad)
    counts.update(by_reason)
    for reason, count in by_reason.items():
        first = next(cell for cell in bad if cell.reason == reason)
        shown = f", {first.text!r}" if first.text.strip() else ""
        notes.append(
            f"{table.path}: column {table.header_of(channel)}: {count} {reason}, "
            f"the first in line {table.line_of(first.row)}{shown}"
        )


def _kept_rows(
    table: LogTable, time_s: FloatArray, counts: Counter[str], notes: list[str]
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    keep = np.isfinite(time_s)
    rows = np.flatnonzero(keep)
    steps = np.diff(time_s[rows])
    if (steps < 0).any():
        at = int(np.argmax(steps < 0))
        line, before = table.line_of(int(rows[at + 1])), table.line_of(int(rows[at]))
        raise UserError(
            f"{table.path}: line {line}, column {table.header_of('time')}: goes back {-steps[at]:.6g} s against line "
            f"{before}; times must ascend. Two files joined, or clocks put back in a zone without its offset?"
        )
    repeated = rows[1:][steps == 0]
    if repeated.size:
        keep[repeated] = False
        counts[DUPLICATE] = int(repeated.size)
        notes.append(
            f"{table.path}: {repeated.size} rows repeat the time of the row before, the first in line "
            f"{table.line_of(int(repeated[0]))}; the first of each is kept"
        )
        if repeated.size > rows.size / 2:
            notes.append(f"{table.path}: most times are repeated: the logger rounds them; log fractions of a second")
    return keep


def _require_usable(path: Path, time_s: FloatArray, channels: Mapping[str, FloatArray], notes: list[str]) -> None:
    measured = np.zeros(time_s.shape, dtype=bool)
    for channel in ("current", "pressure"):
        if channel in channels:
            measured |= np.isfinite(channels[channel])
    usable = time_s[measured & np.isfinite(channels["command"])]
    steps = np.diff(usable)
    # A row stands for the time to the next one, but not for a hole in the record.
    usual = float(np.median(steps)) if steps.size else 0.0
    seconds = float(np.where(steps <= 5 * usual, steps, usual).sum())
    if seconds < LEAST_USABLE_S:
        why = "".join(f"\n  {note}" for note in notes[:5])
        raise UserError(
            f"{path}: {seconds:.3g} s of usable data, expected at least {LEAST_USABLE_S:g} s of rows with time, "
            f"command, and current or pressure{why}"
        )
    current = channels.get("current")
    if current is not None and np.isfinite(current).any() and float(np.nanmedian(np.abs(current))) > 5.0:
        notes.append(f"{path}: column current is mostly above 5 A: is it in mA? A map can say so")
