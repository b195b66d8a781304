"""A file of fast current readings (columns time and current) into bursts, for dither."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path

import numpy as np
from asleft.cli.errors import UserError
from asleft.cli.logcells import FloatArray, read_numbers
from asleft.cli.logfile import converted, zone_named
from asleft.cli.logtable import LogTable, read_table
from asleft.cli.logtimes import read_times
from asleft.judge.types import FastBurst
from asleft.sheet.logmap import LogMap

LEAST_READINGS = 16
#: A step longer than this many intervals (and the rounding of the times) means readings are missing.
_LONGEST_STEP = 1.5


def read_bursts(path: Path, log_map: LogMap, *, zone: tzinfo | None = None) -> tuple[FastBurst, ...]:
    """Read a burst file; a pause in its times begins another burst.

    Times rounded by the logger (many readings under one stamp) are put back in even places.

    Raises:
        UserError: missing column, unusable cell, times that go back, uneven sampling, or too few readings; the
            message names file, line and column.
    """
    table = read_table(path, log_map)
    missing = [channel for channel in ("time", "current") if channel not in table.position]
    if missing:
        raise UserError(
            f"{path}: line {table.header_line}: no column {' and no column '.join(missing)}; a burst file needs time "
            f"and current. The header has: {', '.join(table.header)}"
        )
    if table.long_rows:
        raise UserError(f"{path}: line {table.long_rows[0]}: more cells than the header")
    time_s, bad = read_times(
        table.cells("time"), log_map.time_format, zone or zone_named(log_map.zone), decimal_comma=table.decimal_comma
    )
    current, bad_current = read_numbers(table.cells("current"), decimal_comma=table.decimal_comma)
    for channel, cells in (("time", bad), ("current", bad_current)):
        if cells:
            raise UserError(
                f"{path}: line {table.line_of(cells[0].row)}, column {table.header_of(channel)}: {cells[0].text!r}; "
                "a burst must be without holes, expected a value in every cell"
            )
    return _bursts(table, time_s, converted(current, log_map.columns["current"]))


def _bursts(table: LogTable, time_s: FloatArray, current_a: FloatArray) -> tuple[FastBurst, ...]:
    if time_s.size < LEAST_READINGS:
        raise UserError(f"{table.path}: {time_s.size} readings, expected at least {LEAST_READINGS}")
    steps = np.diff(time_s)
    if (steps < 0).any():
        line = table.line_of(int(np.argmax(steps < 0)) + 1)
        raise UserError(f"{table.path}: line {line}, column {table.header_of('time')}: goes back; times must ascend")
    forward = steps[steps > 0]
    if not forward.size:
        raise UserError(f"{table.path}: column {table.header_of('time')}: all times are the same")
    ends = np.flatnonzero(steps > 5 * np.median(forward)) + 1
    bursts: list[FastBurst] = []
    for first, last in zip([0, *ends.tolist()], [*ends.tolist(), time_s.size], strict=True):
        if last - first < LEAST_READINGS:
            raise UserError(
                f"{table.path}: line {table.line_of(first)}: a burst of {last - first} readings, expected at least "
                f"{LEAST_READINGS} evenly sampled ones"
            )
        bursts.append(_even(table, first, time_s[first:last], current_a[first:last]))
    return tuple(bursts)


def _even(table: LogTable, first: int, time_s: FloatArray, current_a: FloatArray) -> FastBurst:
    index = np.arange(time_s.size)
    slope, start = np.polyfit(index, time_s - time_s[0], 1)
    steps = np.diff(time_s)
    if steps.max() > _LONGEST_STEP * slope + _resolution_s(time_s):
        at = int(steps.argmax())
        raise UserError(
            f"{table.path}: line {table.line_of(first + at + 1)}, column {table.header_of('time')}: not evenly "
            f"sampled, {steps[at]:.3g} s after the line before, where {slope:.3g} s is usual"
        )
    return FastBurst(start_s=float(time_s[0] + start), rate_hz=float(1 / slope), current_a=current_a)


def _resolution_s(time_s: FloatArray) -> float:
    """The coarsest decimal step (1 s to 10 us) that all times are multiples of; 0 if they are finer."""
    for digits in range(6):
        if np.abs(time_s - np.round(time_s, digits)).max() < 1e-6:
            return float(10.0**-digits)
    return 0.0
