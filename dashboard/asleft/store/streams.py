"""One stream inside a commit: which of its numbers are stored, which are declared lost, how far its mark may go."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from asleft.store.marks import Run, advance, as_runs, count_upto, subtract
from asleft.store.protocols import StreamMark
from asleft.wire.block import Gap


@dataclass(slots=True)
class StreamRow:
    """A row of `stream`, being changed; `finish` writes it back."""

    connection: sqlite3.Connection
    id: int
    agent: str
    name: str
    mark: int
    declared_gap: int
    duplicates: int

    def takes(self, seq: int) -> bool:
        """Whether a block of this number is wanted: above the mark, or declared lost and here after all.

        At or below the mark everything else has been stored, even if its row has been removed since.
        """
        row = self.connection.execute(
            "SELECT first, last, why FROM gap WHERE stream = ? AND first <= ? ORDER BY first DESC LIMIT 1",
            (self.id, seq),
        ).fetchone()
        if row is None or row[1] < seq:
            return seq > self.mark
        first, last, why = row
        self.connection.execute("DELETE FROM gap WHERE stream = ? AND first = ?", (self.id, first))
        self._keep(subtract((first, last), [(seq, seq)]), why)
        if seq <= self.mark:
            self.declared_gap -= 1
        return True

    def declare(self, gap: Gap) -> None:
        """Keep what of a declared gap is neither stored nor declared already."""
        if gap.last <= self.mark:
            return
        run = (max(gap.first, self.mark + 1), gap.last)
        self._keep(subtract(run, self._held()), gap.why)

    def finish(self, now_ns: int) -> StreamMark:
        """Advance the mark as far as nothing is missing, write the row, and return it."""
        mark = advance(self.mark, self._held())
        if mark > self.mark:
            passed = self._gaps()
            self.declared_gap += count_upto(mark, passed)
            self.mark = mark
        self.connection.execute(
            "UPDATE stream SET mark = ?, declared_gap = ?, duplicates = ?, last_at_ns = MAX(last_at_ns, ?) "
            "WHERE id = ?",
            (self.mark, self.declared_gap, self.duplicates, now_ns, self.id),
        )
        return StreamMark(self.agent, self.name, self.mark, self.declared_gap, self.duplicates, now_ns)

    def _keep(self, runs: list[Run], why: str) -> None:
        self.connection.executemany(
            "INSERT INTO gap (stream, first, last, why) VALUES (?,?,?,?)",
            [(self.id, first, last, why) for first, last in runs],
        )

    def _gaps(self) -> list[Run]:
        """Runs declared lost above the mark as it was."""
        return self.connection.execute(
            "SELECT first, last FROM gap WHERE stream = ? AND first > ? ORDER BY first", (self.id, self.mark)
        ).fetchall()

    def _held(self) -> list[Run]:
        """Runs above the mark that are stored or declared, ascending."""
        stored = self.connection.execute(
            "SELECT seq FROM block WHERE stream = ? AND seq > ? ORDER BY seq", (self.id, self.mark)
        )
        return sorted(as_runs(seq for (seq,) in stored) + self._gaps())


def load_stream(connection: sqlite3.Connection, agent: str, name: str) -> StreamRow:
    """The row of a stream, made if it is new."""
    connection.execute("INSERT OR IGNORE INTO stream (agent, name) VALUES (?,?)", (agent, name))
    row = connection.execute(
        "SELECT id, mark, declared_gap, duplicates FROM stream WHERE agent = ? AND name = ?", (agent, name)
    ).fetchone()
    return StreamRow(connection, row[0], agent, name, row[1], row[2], row[3])
