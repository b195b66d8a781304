"""Removing what is older than it is to be kept, from the embedded sample file, a little at a time.

The room is used again for what comes; the file grows no longer, but does not shrink.
"""

from __future__ import annotations

import sqlite3

from asleft.store.retention import Retention
from asleft.store.schema import MINUTE_NS

ROWS_AT_ONCE = 500
EVERY_NS = 60_000_000_000


class Expiry:
    """Looks once a minute; what it finds goes in transactions of a few hundred rows."""

    def __init__(self, connection: sqlite3.Connection, retention: Retention) -> None:
        self._connection = connection
        self._retention = retention
        self._next_ns = 0

    def step(self, now_ns: int) -> bool:
        """Remove some; whether more waits. Raises `sqlite3.Error` if the disk fails."""
        raw_ns = self._retention.raw_before_ns(now_ns)
        overview_ns = self._retention.overview_before_ns(now_ns)
        if now_ns < self._next_ns or (raw_ns is None and overview_ns is None):
            return False
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            gone = 0
            for (valve,) in connection.execute("SELECT id FROM valve").fetchall():
                gone += self._readings(valve, raw_ns) if raw_ns is not None else 0
                gone += self._minutes(valve, overview_ns) if overview_ns is not None else 0
                if gone >= ROWS_AT_ONCE:
                    break
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        if gone < ROWS_AT_ONCE:
            self._next_ns = now_ns + EVERY_NS
            return False
        return True

    def _readings(self, valve: int, before_ns: int) -> int:
        """Runs, blocks up to their stream's mark, their figures, and bursts."""
        gone = self._delete(
            "run", "SELECT id FROM run WHERE valve = ? AND from_ns < ? AND to_ns < ?", valve, before_ns, before_ns
        )
        blocks = self._connection.execute(
            "SELECT block.id, from_ns FROM block JOIN stream ON stream.id = block.stream "
            "WHERE valve = ? AND from_ns < ? AND to_ns < ? AND seq <= mark LIMIT ?",
            (valve, before_ns, before_ns, ROWS_AT_ONCE),
        ).fetchall()
        self._connection.executemany("DELETE FROM block WHERE id = ?", [(number,) for number, _ in blocks])
        self._connection.executemany(
            "DELETE FROM block_figure WHERE series IN (SELECT id FROM series WHERE valve = ?) AND from_ns = ? "
            "AND block = ?",
            [(valve, from_ns, number) for number, from_ns in blocks],
        )
        bursts = self._delete("burst", "SELECT id FROM burst WHERE valve = ? AND start_ns < ?", valve, before_ns)
        return gone + len(blocks) + bursts

    def _minutes(self, valve: int, before_ns: int) -> int:
        removed = self._connection.execute(
            "DELETE FROM minute_figure WHERE (series, minute) IN (SELECT series, minute FROM minute_figure "
            "WHERE series IN (SELECT id FROM series WHERE valve = ?) AND minute < ? LIMIT ?)",
            (valve, before_ns // MINUTE_NS, ROWS_AT_ONCE),
        )
        return removed.rowcount

    def _delete(self, table: str, chosen: str, *values: int) -> int:
        removed = self._connection.execute(
            f"DELETE FROM {table} WHERE id IN ({chosen} LIMIT ?)", (*values, ROWS_AT_ONCE)
        )
        return removed.rowcount
