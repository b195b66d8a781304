"""Streams in the embedded sample file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator

from asleft.store.marks import Run
from asleft.store.protocols import StreamMark
from asleft.store.streams import StreamRow


class EmbeddedStream:
    """`StreamTable` over the writing connection of `samples.db`, inside its transaction."""

    def __init__(self, connection: sqlite3.Connection, number: int) -> None:
        self._connection = connection
        self.id = number

    def gap_at(self, seq: int) -> tuple[int, int, str] | None:
        """The last gap that begins at or below a number: first, last, why."""
        row: tuple[int, int, str] | None = self._connection.execute(
            "SELECT first, last, why FROM gap WHERE stream = ? AND first <= ? ORDER BY first DESC LIMIT 1",
            (self.id, seq),
        ).fetchone()
        return row

    def remove_gap(self, first: int) -> None:
        """Forget the gap that begins there."""
        self._connection.execute("DELETE FROM gap WHERE stream = ? AND first = ?", (self.id, first))

    def add_gaps(self, runs: Iterable[Run], why: str) -> None:
        """Keep further gaps, of numbers that are in none."""
        self._connection.executemany(
            "INSERT INTO gap (stream, first, last, why) VALUES (?,?,?,?)",
            [(self.id, first, last, why) for first, last in runs],
        )

    def gaps_above(self, seq: int) -> list[Run]:
        """Gaps that begin above a number, ascending."""
        return self._connection.execute(
            "SELECT first, last FROM gap WHERE stream = ? AND first > ? ORDER BY first", (self.id, seq)
        ).fetchall()

    def stored_above(self, seq: int) -> Iterator[int]:
        """Numbers of stored blocks above a number."""
        rows = self._connection.execute(
            "SELECT seq FROM block WHERE stream = ? AND seq > ? ORDER BY seq", (self.id, seq)
        )
        return (number for (number,) in rows)

    def write(self, mark: StreamMark) -> None:
        """Write the row of the stream back."""
        self._connection.execute(
            "UPDATE stream SET mark = ?, declared_gap = ?, duplicates = ?, last_at_ns = MAX(last_at_ns, ?) "
            "WHERE id = ?",
            (mark.mark, mark.declared_gap, mark.duplicates, mark.last_at_ns, self.id),
        )


def load_stream(connection: sqlite3.Connection, agent: str, name: str) -> tuple[EmbeddedStream, StreamRow]:
    """A stream and its row, made if it is new."""
    connection.execute("INSERT OR IGNORE INTO stream (agent, name) VALUES (?,?)", (agent, name))
    row = connection.execute(
        "SELECT id, mark, declared_gap, duplicates FROM stream WHERE agent = ? AND name = ?", (agent, name)
    ).fetchone()
    table = EmbeddedStream(connection, row[0])
    return table, StreamRow(table, agent, name, row[1], row[2], row[3])
