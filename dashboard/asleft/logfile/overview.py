"""What a file's times look like: from when to when, how fast, with which holes; and columns thinned for a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.logfile.arrow import FloatArray
from asleft.logfile.cells import numbers_of, without_stand_ins
from asleft.logfile.door import Look
from asleft.logfile.order import OutOfOrderError, put_in_order
from asleft.logfile.reading import joined_moments
from asleft.logfile.table import Table
from asleft.logfile.times import times_of, zone_of

#: A step longer than this many usual ones is a hole.
_HOLE_STEPS = 5.0


@dataclass(frozen=True, slots=True)
class Times:
    """The times of a file. `holes`: (from, to) in unix s, longest first. `absolute`: the day is in the file."""

    first_s: float
    last_s: float
    rate_hz: float
    holes: tuple[tuple[float, float], ...]
    absolute: bool
    notes: tuple[str, ...]
    unreadable: int


def times_of_look(seen: Look) -> Times | None:
    """The times of a file by the map that was found; None where no time column is sure."""
    log_map, table = seen.log_map, seen.table
    if "time" not in log_map.mapped or log_map.time_format is None:
        return None
    at = _place(table, seen, "time")
    column = table.columns[at]
    if "date" in log_map.mapped:
        column = joined_moments(table.columns[_place(table, seen, "date")], column)
    time_s, bad = times_of(column, log_map.time_format, zone_of(log_map), decimal_comma=log_map.decimal_comma)
    if "millisecond" in log_map.mapped:
        time_s = time_s + numbers_of(table.columns[_place(table, seen, "millisecond")])[0] / 1000.0
    try:
        order = put_in_order(time_s, table.row_of)
    except OutOfOrderError as error:
        known = np.sort(time_s[np.isfinite(time_s)])
        return _times(known, (str(error).replace("{time}", table.name_of(at)),), len(bad))
    return _times(order.time_s, tuple(order.notes), len(bad))


def _times(time_s: FloatArray, notes: tuple[str, ...], unreadable: int) -> Times | None:
    if time_s.size < 2:
        return None
    steps = np.diff(time_s)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    long = np.flatnonzero(steps > _HOLE_STEPS * usual)
    long = long[np.argsort(-steps[long])]
    return Times(
        first_s=float(time_s[0]),
        last_s=float(time_s[-1]),
        rate_hz=1 / usual if usual else 0.0,
        holes=tuple((float(time_s[k]), float(time_s[k + 1])) for k in long.tolist()),
        absolute=float(time_s[-1]) > 6.3e8,
        notes=notes,
        unreadable=unreadable,
    )


def _place(table: Table, seen: Look, channel: str) -> int:
    column = seen.log_map.columns[channel]
    if column.number is not None:
        return column.number - 1
    return [name.casefold() for name in table.header].index(column.header.casefold())


def thinned(table: Table, at: int, cells: int, *, decimal_comma: bool) -> tuple[FloatArray, FloatArray] | None:
    """Smallest and largest value of a column in equal pieces of its length, shape (cells,); None for no numbers."""
    import pyarrow as pa

    if pa.types.is_temporal(table.columns[at].type):
        return None
    values, bad = numbers_of(table.columns[at], decimal_comma=decimal_comma)
    values, _ = without_stand_ins(values, bad)
    if not np.isfinite(values).any():
        return None
    edges = np.linspace(0, values.size, cells + 1).astype(np.int64)
    low, high = np.full(cells, np.nan), np.full(cells, np.nan)
    for k in range(cells):
        piece = values[edges[k] : max(edges[k + 1], edges[k] + 1)]
        piece = piece[np.isfinite(piece)]
        if piece.size:
            low[k], high[k] = piece.min(), piece.max()
    return low, high
