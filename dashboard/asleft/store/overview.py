"""Overviews from the figures that were stored with each block: no reading is unpacked."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

import numpy as np
from asleft.store.protocols import Overview
from asleft.store.schema import MINUTE_NS

_FROM_BLOCKS = """
SELECT from_ns / :width AS stretch, MIN(minimum), SUM(mean * count) / SUM(count), MAX(maximum)
FROM block_figure WHERE series = :series AND from_ns >= :from AND from_ns < :to GROUP BY stretch ORDER BY stretch
"""
_FROM_MINUTES = """
SELECT minute / :width AS stretch, MIN(minimum), SUM(total) / SUM(count), MAX(maximum)
FROM minute_figure WHERE series = :series AND minute >= :from AND minute < :to GROUP BY stretch ORDER BY stretch
"""


def read_overview(
    connection: sqlite3.Connection | None, valve: str, channel: str, from_ns: int, to_ns: int, points: int
) -> Overview:
    """At most `points` + 1 stretches of one channel; stretches without readings are absent.

    Stretches begin at whole multiples of their length, so that a page which moves on keeps its picture. From a
    minute upwards their length is whole minutes, and the minutes' own figures are read; a minute at either end of the
    span then counts if it starts inside. Raises `ValueError` for points < 1.
    """
    width_ns = stretch_ns(from_ns, to_ns, points)
    series = (
        connection
        and connection.execute(
            "SELECT series.id FROM series JOIN valve ON valve.id = series.valve WHERE valve.name = ? AND channel = ?",
            (valve, channel),
        ).fetchone()
    )
    if connection is None or not series or to_ns <= from_ns:
        return overview_of([], from_ns)
    span = {"series": series[0], "from": from_ns, "to": to_ns, "width": width_ns}
    if width_ns >= MINUTE_NS:
        span |= {"from": -(-from_ns // MINUTE_NS), "to": -(-to_ns // MINUTE_NS), "width": width_ns // MINUTE_NS}
        rows = connection.execute(_FROM_MINUTES, span).fetchall()
    else:
        rows = connection.execute(_FROM_BLOCKS, span).fetchall()
    return overview_of([(stretch * width_ns, *figures) for stretch, *figures in rows], from_ns)


def overview_of(rows: Sequence[tuple[Any, ...]], from_ns: int) -> Overview:
    """Rows of start (ns), minimum, mean and maximum; a stretch that began before the span is told from its start."""
    starts = np.maximum(np.array([row[0] for row in rows], dtype=np.int64), from_ns)
    figures = np.array([row[1:4] for row in rows], dtype=np.float64).reshape(-1, 3)
    return Overview(time_ns=starts, minimum=figures[:, 0], mean=figures[:, 1], maximum=figures[:, 2])


def stretch_ns(from_ns: int, to_ns: int, points: int) -> int:
    """Length of a stretch, from a minute upwards in whole minutes. Raises `ValueError` for points < 1."""
    if points < 1:
        raise ValueError(f"points is {points}, at least 1 is needed")
    width_ns = max(1, -(-(to_ns - from_ns) // points))
    return width_ns if width_ns < MINUTE_NS else -(-width_ns // MINUTE_NS) * MINUTE_NS
