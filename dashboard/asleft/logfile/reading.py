"""A table into samples by a complete map, with a count of every cell that could not be used.

Refused, naming file, line, column and what was expected: a missing column, times that go back beyond a window, times
outside 1990 to 2100, less than 10 s of usable data. Counted: empty, non-numeric and non-finite cells, unreadable
times, repeated times (first kept).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from pathlib import Path

import numpy as np
import pyarrow as pa
from asleft.judge.types import Samples
from asleft.logfile.arrow import FloatArray, pc
from asleft.logfile.cells import CONTACT_WORDS, BadCell, numbers_of, without_stand_ins
from asleft.logfile.errors import LogError
from asleft.logfile.opening import Opened, OpenedFile, open_file
from asleft.logfile.order import OutOfOrderError, put_in_order
from asleft.logfile.quality import without_bad
from asleft.logfile.table import Table, positions
from asleft.logfile.tall import mapped_table
from asleft.logfile.times import NOT_A_TIME, times_of, zone_of
from asleft.sheet.logmap import PERCENT, TIME_CHANNELS, Column, LogMap
from asleft.sheet.names import counted, counted_reason

LEAST_USABLE_S = 10.0
DUPLICATE = "repeated times"
LONG_ROW = "rows with more cells than the header"
SHORT_ROW = "rows with fewer cells than the header"
OVERLAP = "rows from before a clock was set back"

_CONTACTS = frozenset({"enable", "pump_running"})
#: Numbers from here on are taken as seconds since 1970, and must then be before `_LATEST_S` (the year 2100).
_EARLIEST_EPOCH_S = 6.3e8  # 1989-12
_LATEST_S = 4102444800.0


@dataclass(frozen=True, slots=True)
class LogReading:
    """What a log file held."""

    samples: Samples
    rows: int  # data rows in the file
    dropped: Mapping[str, int]  # reason -> count; empty if all was well
    notes: tuple[str, ...]  # one sentence each: where the first of each kind stands
    unused: tuple[str, ...] = ()  # headers of columns that are no channel's

    @property
    def lost_share(self) -> float:
        """Share of the cells of the channels' columns that could not be used, rows left out with all of theirs."""
        kept = sum(int(np.isfinite(values).sum()) for values in self.samples.channels.values())
        return 1.0 - kept / max(self.rows * len(self.samples.channels), 1)


def read_log(
    path: Path, log_map: LogMap, *, signal_unit: str, zone: tzinfo | None = None, start: datetime | None = None
) -> LogReading:
    """Read a log file by a map.

    `signal_unit` ("mA" or "V") is that of the sheet's command; `zone` overrides the map's.
    `start` is when the recording began, for times that only count from then, or that are a clock's without a day.

    Raises:
        LogError: the file is refused; the message names file, line, column and what was expected.
    """
    opened = the_table(open_file(path), log_map.table)
    return read_table(mapped_table(opened, log_map), log_map, signal_unit=signal_unit, zone=zone, start=start)


def the_table(file: OpenedFile, name: str | None) -> Opened:
    """The table of a file that is meant: by name, or the only one.

    Raises:
        LogError: there is no such table, or there are several and none is named.
    """
    if name is None and len(file.tables) == 1:
        return file.tables[0]
    names = [each.name or "" for each in file.tables]
    if name is None:
        raise LogError(
            f"{file.path}: holds {len(names)} tables; say which one, as "
            + " or ".join(f'--table "{each}"' for each in names[:6])
        )
    wanted = [each for each in file.tables if each.name == name]
    if not wanted and file.tables[0].name is None:
        return file.tables[0]  # a map that was made for a workbook, and a file of one table
    if not wanted:
        raise LogError(f"{file.path}: no table {name!r}; it holds {', '.join(names)}")
    return wanted[0]


def read_table(
    table: Table,
    log_map: LogMap,
    *,
    signal_unit: str,
    zone: tzinfo | None = None,
    start: datetime | None = None,
    partial: bool = False,
) -> LogReading:
    """Samples of a table by a map. With `partial`, all channels but the time may be missing.

    Raises:
        LogError: see `read_log`.
    """
    position = positions(table, log_map)
    if not partial:
        require_columns(table, position)
    columns = _in_stored_units(table, position, log_map, signal_unit)
    counts: Counter[str] = Counter()
    notes: list[str] = []
    if table.long_rows:
        counts[LONG_ROW] = len(table.long_rows)
        notes.append(
            f"{table.place}: {table.rows_are} {table.long_rows[0]} has more cells than the header: wrong "
            f"separator, or a "
            f"comma inside a number? ({len(table.long_rows)} such rows left out)"
        )
    if table.short_rows:
        counts[SHORT_ROW] = len(table.short_rows)
        notes.append(
            f"{table.place}: {table.rows_are} {table.short_rows[0]} has fewer cells than the header, and blanks do "
            f"not say which is empty ({len(table.short_rows)} such rows left out)"
        )
    if table.footer:
        notes.append(
            f"{table.place}: {counted(len(table.footer), 'line')} at the end left out: {table.footer[0][:60]!r}"
        )
    told: list[tuple[int, list[BadCell]]] = []
    time_s = _times(table, position, log_map, zone or zone_of(log_map), start, told)
    channels: dict[str, FloatArray] = {}
    for channel, column in columns.items():
        words = CONTACT_WORDS if channel in _CONTACTS else None
        values, bad = numbers_of(table.columns[position[channel]], decimal_comma=log_map.decimal_comma, words=words)
        values, bad = without_bad(table, position[channel], *without_stand_ins(values, bad))
        told.append((position[channel], bad))
        channels[channel] = converted(values, column)
    no_rows = _lines_between(table, told, channels, notes)
    for at, bad in told:
        _tell(table, at, [cell for cell in bad if cell.row not in no_rows], counts, notes)
    time_s, channels = _ordered(table, position, time_s, channels, counts, notes)
    if not partial:
        require_usable(table.place, time_s, channels, notes)
    used = set(position.values())
    unused = tuple(name for k, name in enumerate(table.header) if name and k not in used)
    rows = table.rows - len(no_rows) + len(table.long_rows) + len(table.short_rows)
    return LogReading(Samples(time_s, channels), rows, dict(counts), tuple(notes), unused)


def require_columns(table: Table, position: Mapping[str, int]) -> None:
    """Time, command, and current or pressure must be there."""
    missing = [channel for channel in ("time", "command") if channel not in position]
    if "current" not in position and "pressure" not in position:
        missing.append("current or pressure")
    if missing:
        raise LogError(
            f"{table.place}: {table.rows_are} {table.header_line}: no column {', no column '.join(missing)}; "
            f"expected "
            f"time, command, and current or pressure. The header has: {', '.join(table.header) or 'nothing'}. "
            "Other headers need a map (--map FILE, or [log] in the sheet)."
        )


def _in_stored_units(
    table: Table, position: Mapping[str, int], log_map: LogMap, signal_unit: str
) -> dict[str, Column]:
    columns = {channel: log_map.columns[channel] for channel in position if channel not in TIME_CHANNELS}
    if "command" not in columns:
        return columns
    unit = columns["command"].unit
    name = table.name_of(position["command"])
    if unit is PERCENT:
        raise LogError(f"{table.place}: column {name}: in percent, which needs the sheet's signal to become mA or V")
    if unit is not None and ("mA" if unit.symbol == "mA" else "V") != signal_unit:
        raise LogError(
            f"{table.place}: column {name}: it is read in {unit.symbol}, but the sheet's command signal is in "
            f"{signal_unit}: [signal] of the sheet, or --unit-of command={signal_unit} where the file says it wrongly"
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


def _times(
    table: Table,
    position: Mapping[str, int],
    log_map: LogMap,
    zone: tzinfo,
    start: datetime | None,
    told: list[tuple[int, list[BadCell]]],
) -> FloatArray:
    at = position["time"]
    column, time_format = table.columns[at], log_map.time_format
    if "date" in position:
        column = joined_moments(table.columns[position["date"]], column)
    day: date | None = start.date() if start is not None else None
    time_s, bad = times_of(column, time_format, zone, decimal_comma=log_map.decimal_comma, day=day)
    if bad and len(bad) == table.rows:
        wanted = time_format or "ISO 8601 or seconds; another form needs time_format in a map"
        raise LogError(
            f"{table.place}: {table.row_of(bad[0].row)}, column {table.name_of(at)}: {bad[0].text!r} "
            f"cannot be read as a time, expected {wanted}"
        )
    told.append((at, bad))
    if "millisecond" in position:
        behind, bad = numbers_of(table.columns[position["millisecond"]], decimal_comma=log_map.decimal_comma)
        told.append((position["millisecond"], bad))
        time_s = time_s + behind / 1000.0
    known = time_s[np.isfinite(time_s)]
    if not known.size:
        return time_s
    if float(known.max()) > _LATEST_S:
        late = int(np.nanargmax(time_s))
        raise LogError(
            f"{table.place}: {table.row_of(late)}, column {table.name_of(at)}: read as {time_format or 'seconds'} "
            f"this "
            'would be beyond the year 2100; say what it counts, as time_format = "milliseconds" in a map'
        )
    if start is not None and float(known.max()) < _EARLIEST_EPOCH_S and time_format != "clock":
        time_s = time_s + ((start if start.tzinfo else start.replace(tzinfo=zone)).timestamp())
    return time_s


def joined_moments(dates: pa.ChunkedArray, clocks: pa.ChunkedArray) -> pa.ChunkedArray:
    """Date and time of day, each in a column of its own, as one text."""
    day, clock = (pc.utf8_trim_whitespace(_as_text(column)) for column in (dates, clocks))
    # A workbook's date may carry a midnight, and its time of day the date it counts days from.
    day = pc.replace_substring_regex(day, r"[T ]00:00:00(\.0*)?$", "")
    clock = pc.replace_substring_regex(clock, r"^\d{4}-\d\d-\d\d[T ]", "")
    return pc.binary_join_element_wise(day, clock, " ")


def _as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column if pa.types.is_string(column.type) else pc.cast(column, pa.string())


def _lines_between(
    table: Table, told: list[tuple[int, list[BadCell]]], channels: Mapping[str, FloatArray], notes: list[str]
) -> frozenset[int]:
    """Rows that are none: a header on every page, a remark. Words stand where the time would, and no reading."""
    found = [
        cell
        for cell in told[0][1]
        if cell.reason == NOT_A_TIME
        and any(letter.isalpha() for letter in cell.text)
        and all(np.isnan(values[cell.row]) for values in channels.values())
    ]
    _refuse_other_header(table, told, {cell.row for cell in found})
    if found:
        first = found[0]
        notes.append(
            f"{table.place}: {counted(len(found), 'line')} between the rows left out, the first is "
            f"{table.row_of(first.row)}, {first.text[:40]!r}"
        )
    return frozenset(cell.row for cell in found)


def _refuse_other_header(table: Table, told: list[tuple[int, list[BadCell]]], rows: set[int]) -> None:
    """Refuse a file in which a header comes again and names other columns: what stands below is not what it was."""
    time_at, again = told[0][0], set()
    for at, bad in told:
        for cell in bad:
            same = cell.text.strip().casefold() == table.header[at].casefold()
            if at == time_at and same:
                again.add(cell.row)
            elif cell.row in again & rows and not same:
                raise LogError(
                    f"{table.place}: {table.row_of(cell.row)}: another header begins here, with "
                    f"{cell.text.strip()!r} where {table.name_of(at)!r} stood; cut the file there"
                )


def _tell(table: Table, at: int, bad: list[BadCell], counts: Counter[str], notes: list[str]) -> None:
    by_reason = Counter(cell.reason for cell in bad)
    counts.update(by_reason)
    for reason, count in by_reason.items():
        first = next(cell for cell in bad if cell.reason == reason)
        shown = f", {first.text!r}" if first.text.strip() else ""
        notes.append(
            f"{table.place}: column {table.name_of(at)}: {counted_reason(count, reason)}, "
            f"the first in {table.row_of(first.row)}{shown}"
        )


def _ordered(
    table: Table,
    position: Mapping[str, int],
    time_s: FloatArray,
    channels: dict[str, FloatArray],
    counts: Counter[str],
    notes: list[str],
) -> tuple[FloatArray, dict[str, FloatArray]]:
    try:
        order = put_in_order(time_s, table.row_of)
    except OutOfOrderError as error:
        told = str(error).replace("{time}", table.name_of(position["time"]))
        raise LogError(f"{table.place}: {told}") from error
    notes += [f"{table.place}: {note}" for note in order.notes]
    if order.repeated.size:
        counts[DUPLICATE] = int(order.repeated.size)
    if order.left_out:
        counts[OVERLAP] = order.left_out
    if order.rows.size == time_s.size and (order.rows[:-1] < order.rows[1:]).all():
        return order.time_s, channels
    return order.time_s, {channel: values[order.rows] for channel, values in channels.items()}


def require_usable(place: str, time_s: FloatArray, channels: Mapping[str, FloatArray], notes: list[str]) -> None:
    """Refuse what holds too little: under 10 s of rows with command, and current or pressure. Raises `LogError`."""
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
        raise LogError(
            f"{place}: {seconds:.3g} s of usable data, expected at least {LEAST_USABLE_S:g} s of rows with time, "
            f"command, and current or pressure{why}"
        )
    current = channels.get("current")
    known = current[np.isfinite(current)] if current is not None else np.zeros(0)
    if 2 * np.count_nonzero(np.abs(known) > 5.0) > known.size:
        notes.append(f"{place}: column current is mostly above 5 A: is it in mA? A map can say so")
