"""A file of fast current readings (columns time and current) into bursts, for dither."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path

import numpy as np
from asleft.judge.types import FastBurst
from asleft.logfile.arrow import FloatArray
from asleft.logfile.cells import numbers_of
from asleft.logfile.errors import LogError
from asleft.logfile.opening import open_file
from asleft.logfile.reading import converted, the_table
from asleft.logfile.table import Table, positions
from asleft.logfile.tall import mapped_table
from asleft.logfile.times import times_of, zone_of
from asleft.sheet.logmap import LogMap

LEAST_READINGS = 16
#: A step longer than this many intervals (and the rounding of the times) means readings are missing.
_LONGEST_STEP = 1.5


def read_bursts(path: Path, log_map: LogMap, *, zone: tzinfo | None = None) -> tuple[FastBurst, ...]:
    """Read a burst file; a pause in its times begins another burst.

    Times rounded by the logger (many readings under one stamp) are put back in even places.

    Raises:
        LogError: missing column, unusable cell, times that go back, uneven sampling, or too few readings; the
            message names file, line and column.
    """
    table = mapped_table(the_table(open_file(path), log_map.table), log_map)
    position = positions(table, log_map)
    missing = [channel for channel in ("time", "current") if channel not in position]
    if missing:
        raise LogError(
            f"{path}: {table.rows_are} {table.header_line}: no column {' and no column '.join(missing)}; a burst "
            f"file "
            f"needs time and current. The header has: {', '.join(table.header)}"
        )
    if table.long_rows:
        raise LogError(f"{path}: {table.rows_are} {table.long_rows[0]}: more cells than the header")
    time_s, bad = times_of(
        table.columns[position["time"]],
        log_map.time_format,
        zone or zone_of(log_map),
        decimal_comma=log_map.decimal_comma,
    )
    current, bad_current = numbers_of(table.columns[position["current"]], decimal_comma=log_map.decimal_comma)
    for channel, cells in (("time", bad), ("current", bad_current)):
        if cells:
            raise LogError(
                f"{path}: {table.row_of(cells[0].row)}, column {table.name_of(position[channel])}: "
                f"{cells[0].text!r}; "
                "a burst must be without holes, expected a value in every cell"
            )
    return _bursts(table, position["time"], time_s, converted(current, log_map.columns["current"]))


def _bursts(table: Table, time_at: int, time_s: FloatArray, current_a: FloatArray) -> tuple[FastBurst, ...]:
    if time_s.size < LEAST_READINGS:
        raise LogError(f"{table.place}: {time_s.size} readings, expected at least {LEAST_READINGS}")
    steps = np.diff(time_s)
    if (steps < 0).any():
        line = table.row_of(int(np.argmax(steps < 0)) + 1)
        raise LogError(f"{table.place}: {line}, column {table.name_of(time_at)}: goes back; times must ascend")
    forward = steps[steps > 0]
    if not forward.size:
        raise LogError(f"{table.place}: column {table.name_of(time_at)}: all times are the same")
    ends = np.flatnonzero(steps > 5 * np.median(forward)) + 1
    bursts: list[FastBurst] = []
    for first, last in zip([0, *ends.tolist()], [*ends.tolist(), time_s.size], strict=True):
        if last - first < LEAST_READINGS:
            raise LogError(
                f"{table.place}: {table.row_of(first)}: a burst of {last - first} readings, expected at least "
                f"{LEAST_READINGS} evenly sampled ones"
            )
        bursts.append(_even(table, time_at, first, time_s[first:last], current_a[first:last]))
    return tuple(bursts)


def _even(table: Table, time_at: int, first: int, time_s: FloatArray, current_a: FloatArray) -> FastBurst:
    index = np.arange(time_s.size)
    slope, start = np.polyfit(index, time_s - time_s[0], 1)
    steps = np.diff(time_s)
    if steps.max() > _LONGEST_STEP * slope + _resolution_s(time_s):
        at = int(steps.argmax())
        raise LogError(
            f"{table.place}: {table.row_of(first + at + 1)}, column {table.name_of(time_at)}: not evenly "
            f"sampled, {steps[at]:.3g} s after the line before, where {slope:.3g} s is usual"
        )
    return FastBurst(start_s=float(time_s[0] + start), rate_hz=float(1 / slope), current_a=current_a)


def _resolution_s(time_s: FloatArray) -> float:
    """The coarsest decimal step (1 s to 10 us) that all times are multiples of; 0 if they are finer."""
    for digits in range(6):
        if np.abs(time_s - np.round(time_s, digits)).max() < 1e-6:
            return float(10.0**-digits)
    return 0.0
