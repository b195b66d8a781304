"""Merging blocks into runs inside the embedded sample file, a little at a time, on the one writing connection.

Each merge is one transaction: the run appears and the rows of its blocks go at the same moment, for every reader and
for every crash. A reader sees each reading once, before, in the middle and after.
"""

from __future__ import annotations

import logging
import sqlite3
from collections import deque
from collections.abc import Sequence

from asleft.store.rows import Opened, read_singles
from asleft.store.runs import RUN_BLOCKS, PackedRun, Stand, leading_run, pack_run

log = logging.getLogger(__name__)

Pair = tuple[int, int]
"""Row ids of a valve and a stream."""
RUNS_AT_ONCE = 4
"""Merged in one transaction."""


class Merging:
    """Which valves have blocks to merge, and their merging. For one thread at a time."""

    def __init__(self, connection: sqlite3.Connection, run_blocks: int = RUN_BLOCKS) -> None:
        self._run_blocks = run_blocks
        self._opened = Opened(connection, (0, 0))
        self._waiting: deque[Pair] = deque(self._pairs())
        self._queued = set(self._waiting)
        self._since: dict[Pair, int] = {}
        self.unmerged = 0
        """Blocks stored since the start and still in rows of their own."""

    def stored(self, valve: int, stream: int) -> None:
        """A block of that valve and stream was stored in a row of its own."""
        pair = (valve, stream)
        self.unmerged += 1
        self._since[pair] = self._since.get(pair, 0) + 1
        if self._since[pair] > self._run_blocks and pair not in self._queued:
            self._waiting.append(pair)
            self._queued.add(pair)

    def step(self) -> bool:
        """Make up to a few runs in one transaction; whether more waits. Raises `sqlite3.Error` if the disk fails."""
        if not self._waiting:
            return False
        connection = self._opened.connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            made = done = 0
            for _ in range(RUNS_AT_ONCE):
                if done >= len(self._waiting):
                    break
                pair = self._waiting[done]
                try:
                    merged = self._merge(*pair)
                except (ValueError, RuntimeError) as error:  # RuntimeError: what zstd says of spoilt bytes
                    log.error("blocks of valve %d, stream %d stay as they are, one is spoilt: %s", *pair, error)
                    merged = 0
                made += merged
                done += merged == 0
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        for _ in range(done):
            pair = self._waiting.popleft()
            self._queued.discard(pair)
            self._since[pair] = 0
        self._waiting.rotate(-1)
        self.unmerged = max(0, self.unmerged - made)
        return bool(self._waiting)

    def _pairs(self) -> list[Pair]:
        """Valves and streams with blocks in rows of their own."""
        return self._opened.connection.execute(
            "SELECT valve.id, stream.id FROM valve, stream WHERE EXISTS "
            "(SELECT 1 FROM block WHERE block.valve = valve.id AND block.stream = stream.id)"
        ).fetchall()

    def _merge(self, valve: int, stream: int) -> int:
        """One run of the oldest blocks, if they make one that nothing can join any more; how many blocks it has."""
        rows = self._opened.connection.execute(
            "SELECT block.id, seq, from_ns, to_ns, layout, boot FROM block JOIN stream ON stream.id = block.stream "
            "WHERE valve = ? AND stream = ? AND seq <= stream.mark ORDER BY seq LIMIT ?",
            (valve, stream, self._run_blocks + 1),
        )
        run, closed = leading_run([Stand(*row) for row in rows], self._run_blocks)
        if not run or not closed:
            return 0
        self._replace(valve, stream, run)
        return len(run)

    def _replace(self, valve: int, stream: int, run: Sequence[Stand]) -> None:
        connection = self._opened.connection
        (name,) = connection.execute("SELECT name FROM valve WHERE id = ?", (valve,)).fetchone()
        ids = [stand.id for stand in run]
        found = read_singles(self._opened, name, ids)
        blocks = [found[number] for number in ids]
        self._insert(valve, stream, run, pack_run(blocks), sum(block.size for block in blocks))
        among = ",".join("?" * len(ids))
        connection.execute(
            "DELETE FROM block_figure WHERE series IN (SELECT id FROM series WHERE valve = ?) "
            f"AND from_ns >= ? AND from_ns <= ? AND block IN ({among})",
            (valve, run[0].from_ns, run[-1].from_ns, *ids),
        )
        connection.execute(f"DELETE FROM block WHERE id IN ({among})", ids)

    def _insert(self, valve: int, stream: int, run: Sequence[Stand], made: PackedRun, size: int) -> None:
        first, last = run[0], run[-1]
        self._opened.connection.execute(
            "INSERT INTO run (stream, valve, first_seq, last_seq, from_ns, to_ns, boot, layout, blocks, size, heads, "
            "figures, marks, payload) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
            (
                *(stream, valve, first.seq, last.seq, first.from_ns, last.to_ns, first.boot, first.layout),
                *(len(run), size, made.heads, made.figures, made.packed.marks, made.packed.payload),
            ),
        )
