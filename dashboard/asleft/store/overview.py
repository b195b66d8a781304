"""Overviews from the figures that were stored with each block: no reading is unpacked."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.store.protocols import Overview
from asleft.store.rows import Opened
from asleft.store.runs import RUN_NS, unpack_figures, unpack_heads
from asleft.store.schema import MINUTE_NS

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]
_FROM_NS = 5
"""Column of a head."""

_FROM_BLOCKS = """
SELECT from_ns / :width AS stretch, MIN(minimum), SUM(mean * count), MAX(maximum), SUM(count)
FROM block_figure WHERE series = :series AND from_ns >= :from AND from_ns < :to GROUP BY stretch
"""
_RUNS = """
SELECT blocks, heads, figures, layout FROM run WHERE valve = :valve AND from_ns >= :first AND from_ns < :to
"""
_FROM_MINUTES = """
SELECT minute / :width AS stretch, MIN(minimum), SUM(total), MAX(maximum), SUM(count)
FROM minute_figure WHERE series = :series AND minute >= :from AND minute < :to GROUP BY stretch
"""


def read_overview(opened: Opened | None, valve: str, channel: str, span: tuple[int, int], points: int) -> Overview:
    """At most `points` + 1 stretches of one channel over from <= time < to; those without readings are absent.

    Stretches begin at whole multiples of their length, so that a page which moves on keeps its picture. From a
    minute upwards their length is whole minutes, and the minutes' own figures are read; a minute at either end of the
    span then counts if it starts inside. So it is where the readings themselves are kept no longer. Raises
    `ValueError` for points < 1.
    """
    from_ns, to_ns = span
    width_ns = stretch_ns(from_ns, to_ns, points)
    if opened is None or to_ns <= from_ns:
        return overview_of([], from_ns)
    connection = opened.connection
    found = connection.execute(
        "SELECT series.id, series.valve FROM series JOIN valve ON valve.id = series.valve "
        "WHERE valve.name = ? AND channel = ?",
        (valve, channel),
    ).fetchone()
    if found is None:
        return overview_of([], from_ns)
    series, number = found
    if width_ns >= MINUTE_NS:
        return overview_of(_minutes(connection, series, from_ns, to_ns, width_ns), from_ns)
    kept_ns = _kept_from(connection, number, to_ns)
    older = _minutes(connection, series, from_ns, min(kept_ns // MINUTE_NS * MINUTE_NS, to_ns), MINUTE_NS)
    stretches = _Stretches(width_ns)
    stretches.add_rows(connection.execute(_FROM_BLOCKS, _bounds(series, max(from_ns, kept_ns), to_ns, width_ns)))
    stretches.add_blocks(*_figures(opened, number, channel, from_ns, to_ns))
    return overview_of(older + stretches.rows(), from_ns)


class _Stretches:
    """Figures of blocks gathered by stretch."""

    def __init__(self, width_ns: int) -> None:
        self._width_ns = width_ns
        self._held: dict[int, tuple[float, float, float, int]] = {}  # minimum, total, maximum, count

    def add_rows(self, rows: Iterable[tuple[Any, ...]]) -> None:
        """Rows of stretch, minimum, total, maximum and count."""
        for stretch, minimum, total, maximum, count in rows:
            self._add(stretch, minimum, total, maximum, count)

    def add_blocks(self, starts_ns: Int64Array, table: FloatArray) -> None:
        """Blocks that start there: minimum, mean, maximum and count, shape (4, n)."""
        if not starts_ns.size:
            return
        order = np.argsort(starts_ns, kind="stable")
        minimum, mean, maximum, count = table[:, order]
        stretches, first = np.unique(starts_ns[order] // self._width_ns, return_index=True)
        self.add_rows(
            zip(
                stretches.tolist(),
                np.minimum.reduceat(minimum, first).tolist(),
                np.add.reduceat(mean * count, first).tolist(),
                np.maximum.reduceat(maximum, first).tolist(),
                np.add.reduceat(count, first).tolist(),
                strict=True,
            )
        )

    def rows(self) -> list[tuple[Any, ...]]:
        """Start (ns), minimum, mean and maximum, oldest first."""
        return [
            (stretch * self._width_ns, minimum, total / count, maximum)
            for stretch, (minimum, total, maximum, count) in sorted(self._held.items())
        ]

    def _add(self, stretch: int, minimum: float, total: float, maximum: float, count: float) -> None:
        held = self._held.get(stretch)
        if held is not None:
            minimum, total = min(minimum, held[0]), total + held[1]
            maximum, count = max(maximum, held[2]), count + held[3]
        self._held[stretch] = (minimum, total, maximum, int(count))


def _figures(opened: Opened, valve: int, channel: str, from_ns: int, to_ns: int) -> tuple[Int64Array, FloatArray]:
    """Start and figures of every merged block of the span that has readings of a channel: shapes (n,) and (4, n)."""
    starts, tables = [np.zeros(0, np.int64)], [np.zeros((4, 0))]
    runs = opened.connection.execute(_RUNS, {"valve": valve, "first": from_ns - RUN_NS, "to": to_ns})
    for blocks, heads, figures, layout in runs:
        names = [one.name for one in opened.layout(layout)]
        if channel in names:
            starts.append(unpack_heads(blocks, heads)[:, _FROM_NS])
            tables.append(unpack_figures(len(names), blocks, figures)[names.index(channel)])
    all_starts, table = np.concatenate(starts), np.concatenate(tables, axis=1)
    inside = (all_starts >= from_ns) & (all_starts < to_ns) & (table[3] > 0)
    return all_starts[inside], table[:, inside]


def _minutes(
    connection: sqlite3.Connection, series: int, from_ns: int, to_ns: int, width_ns: int
) -> list[tuple[Any, ...]]:
    """From the figures of whole minutes: start (ns), minimum, mean and maximum, oldest first."""
    if to_ns <= from_ns:
        return []
    stretches = _Stretches(width_ns)
    first, end = -(-from_ns // MINUTE_NS), -(-to_ns // MINUTE_NS)
    stretches.add_rows(connection.execute(_FROM_MINUTES, _bounds(series, first, end, width_ns // MINUTE_NS)))
    return stretches.rows()


def _bounds(series: int, first: int, end: int, width: int) -> dict[str, int]:
    return {"series": series, "from": first, "to": end, "width": width}


def _kept_from(connection: sqlite3.Connection, valve: int, to_ns: int) -> int:
    """Since when a valve's readings are kept; before that, only the figures of whole minutes are."""
    first = connection.execute(
        "SELECT MIN(first) FROM (SELECT MIN(from_ns) AS first FROM block WHERE valve = ?1 "
        "UNION ALL SELECT MIN(from_ns) FROM run WHERE valve = ?1)",
        (valve,),
    ).fetchone()[0]
    return to_ns if first is None else int(first)


def stretch_ns(from_ns: int, to_ns: int, points: int) -> int:
    """Length of a stretch, from a minute upwards in whole minutes. Raises `ValueError` for points < 1."""
    if points < 1:
        raise ValueError(f"points is {points}, at least 1 is needed")
    width_ns = max(1, -(-(to_ns - from_ns) // points))
    return width_ns if width_ns < MINUTE_NS else -(-width_ns // MINUTE_NS) * MINUTE_NS


def overview_of(rows: Sequence[tuple[Any, ...]], from_ns: int) -> Overview:
    """Rows of start (ns), minimum, mean and maximum; a stretch that began before the span is told from its start."""
    starts = np.maximum(np.array([row[0] for row in rows], dtype=np.int64), from_ns)
    figures = np.array([row[1:4] for row in rows], dtype=np.float64).reshape(-1, 3)
    return Overview(time_ns=starts, minimum=figures[:, 0], mean=figures[:, 1], maximum=figures[:, 2])
