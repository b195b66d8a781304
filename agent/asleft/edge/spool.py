"""The spool: every block on disk before it is sent, kept until the recorder has it and beyond.

One SQLite file, write-ahead log, `synchronous=FULL`: what `append` has returned for survives a power cut. Its size is
bounded; when room is needed, acknowledged blocks go first, then bursts, then blocks, each oldest first, and blocks
that had to go leave a durable gap that is sent in their place. Gaps never go before they are acknowledged.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from asleft.edge.spool_room import Dropped, make_room
from asleft.wire.block import Block, Gap
from asleft.wire.codec import WireError, encode_block, encode_gap
from asleft.wire.limits import MAX_TEXT

logger = logging.getLogger(__name__)

LEAST_BYTES = 1024 * 1024
"""Smallest size a spool may be bounded to."""

_TRIMMED = "trimmed after it had been acknowledged"
_LOST = "could not be written to the spool"
_SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS block (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, has_burst INTEGER NOT NULL, payload BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS burst_rows ON block (seq) WHERE has_burst = 1;
CREATE TABLE IF NOT EXISTS gap (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, why TEXT NOT NULL);
"""


class SpoolError(Exception):
    """The spool cannot be used; its text says which file and why."""


@dataclass(frozen=True, slots=True)
class Item:
    """One message to send: a block (first = last) or a gap."""

    first: int
    last: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class SpoolCounters:
    """How the spool stands."""

    highest_seq: int
    acknowledged: int
    bytes_used: int
    blocks_dropped: int
    bursts_dropped: int

    @property
    def unacknowledged(self) -> int:
        """Blocks the recorder has not yet confirmed."""
        return self.highest_seq - self.acknowledged


class Spool:
    """The spool of one agent. Safe for several threads; the file is this process's alone."""

    def __init__(self, file: Path, agent: str, max_bytes: int) -> None:
        """Open or create it. Raises `SpoolError` if another process holds it or it belongs to another agent."""
        self._agent = agent
        self._lock = threading.Lock()
        self._file = file
        self._highest = 0
        self._mark = 0
        self._page_size = 4096
        self._max_pages = 0
        self._dropped_blocks = 0
        self._dropped_bursts = 0
        self.stream = ""
        """UUID made when the file was created."""
        self.set_aside: Path | None = None
        """Where a damaged spool was moved to, so that reading could go on with a new one."""
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            self._open(max_bytes)
        except (OSError, sqlite3.OperationalError) as error:
            raise SpoolError(f"spool {file}: {error} (does another agent use it?)") from error
        except sqlite3.DatabaseError as error:
            self._set_aside(error)
            self._open(max_bytes)
        if self._meta("agent") != agent:
            owner = self._meta("agent")
            self._db.close()
            raise SpoolError(f"spool {file} belongs to agent {owner!r}, not to {agent!r}: name another file")

    def append(self, blocks: Sequence[Block], lost: int = 0) -> int:
        """Number and store blocks durably, in one transaction; the highest sequence number so far.

        `lost` blocks that could not be stored before are declared as a gap ahead of them. Raises `SpoolError` if the
        disk refuses; then nothing has changed.
        """
        with self._lock:
            seq = self._highest
            gaps = [(seq + 1, seq + lost, _LOST)] if lost else []
            seq += lost
            rows = []
            for block in blocks:
                seq += 1
                try:
                    payload = encode_block(replace(block, stream=self.stream, seq=seq))
                except WireError as error:
                    logger.error("a block of %s cannot be sent: %s", block.valve, error)
                    gaps.append((seq, seq, f"cannot be sent: {error}"[:MAX_TEXT]))
                else:
                    rows.append((seq, int(bool(block.bursts)), payload))
            dropped = self._write(rows, gaps, seq)
            self._highest = seq
            self._dropped_blocks += dropped.blocks
            self._dropped_bursts += dropped.bursts
            return seq

    def _write(self, rows: list[tuple[int, int, bytes]], gaps: list[tuple[int, int, str]], highest: int) -> Dropped:
        """One transaction, all or nothing. Raises `SpoolError`."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._write_mark()
            dropped = make_room(self._db, sum(len(row[2]) for row in rows), self._max_pages, self._mark)
            self._db.executemany("INSERT INTO gap VALUES (?, ?, ?)", gaps)
            self._db.executemany("INSERT INTO block VALUES (?, ?, ?)", rows)
            if gaps:
                self._bump_sequence(highest)
            self._count("blocks_dropped", dropped.blocks)
            self._count("bursts_dropped", dropped.bursts)
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise SpoolError(f"spool {self._file}: {error}") from error
        return dropped

    def items(self, first: int, last: int, limit: int) -> list[Item]:
        """Up to `limit` messages covering first..last in order, without a hole.

        Numbers of which nothing is left (acknowledged and trimmed, then asked for again by a recorder restored from
        an older backup) become a durable gap on the spot: the recorder could never get past them otherwise.
        """
        with self._lock:
            try:
                return self._items(first, last, limit)
            except sqlite3.Error as error:
                raise SpoolError(f"spool {self._file}: {error}") from error

    def acknowledge(self, mark: int) -> None:
        """The recorder has everything up to `mark`.

        Written with the next blocks: after a crash in between, some are sent again and nothing else happens.
        """
        with self._lock:
            self._mark = mark

    def counters(self) -> SpoolCounters:
        """How it stands now."""
        with self._lock:
            pages = self._pragma("page_count") - self._pragma("freelist_count")
            return SpoolCounters(
                self._highest, self._mark, pages * self._page_size, self._dropped_blocks, self._dropped_bursts
            )

    @property
    def highest_seq(self) -> int:
        """Highest sequence number given so far."""
        return self._highest

    @property
    def acknowledged(self) -> int:
        """The mark."""
        return self._mark

    def close(self) -> None:
        """Write the mark and close the file. May be called twice."""
        with self._lock:
            try:
                self._write_mark()
            except sqlite3.ProgrammingError:
                return  # closed before
            except sqlite3.Error as error:
                logger.warning("spool %s: the mark could not be written: %s", self._file, error)
            self._db.close()

    def _open(self, max_bytes: int) -> None:
        self._db = sqlite3.connect(self._file, isolation_level=None, check_same_thread=False, timeout=1.0)
        try:
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute(f"PRAGMA journal_size_limit = {4 * LEAST_BYTES}")
            self._db.executescript(_SCHEMA)
            self._page_size = self._pragma("page_size")
            self._max_pages = max(max_bytes, LEAST_BYTES) // self._page_size
            # Never below what is there: SQLite would refuse to write at all, even to make room.
            self._db.execute(f"PRAGMA max_page_count = {max(self._max_pages, self._pragma('page_count') + 16)}")
            self._db.execute("BEGIN IMMEDIATE")
            start = {"agent": self._agent, "stream": str(uuid.uuid4()), "mark": "0"}
            self._db.executemany("INSERT OR IGNORE INTO meta VALUES (?, ?)", start.items())
            self._db.execute("COMMIT")
            row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'block'").fetchone()
            self._highest = int(row[0]) if row else 0
            self.stream = self._meta("stream")
            self._mark = int(self._meta("mark"))
            self._dropped_blocks = int(self._meta("blocks_dropped", "0"))
            self._dropped_bursts = int(self._meta("bursts_dropped", "0"))
        except BaseException:
            self._db.close()
            raise

    def _set_aside(self, error: sqlite3.DatabaseError) -> None:
        """Keep a damaged file for whoever wants to look into it, out of the way of new readings."""
        self.set_aside = self._file.with_name(f"{self._file.name}.damaged-{uuid.uuid4().hex[:8]}")
        logger.error("spool %s is damaged (%s): kept as %s, starting a new one", self._file, error, self.set_aside)
        for ending in ("", "-wal", "-shm"):
            part = self._file.with_name(self._file.name + ending)
            if part.exists():
                part.rename(self.set_aside.with_name(self.set_aside.name + ending))

    def _write_mark(self) -> None:
        self._db.execute("UPDATE meta SET value = ? WHERE key = 'mark'", (str(self._mark),))
        self._db.execute("DELETE FROM gap WHERE last <= ?", (self._mark,))

    def _bump_sequence(self, seq: int) -> None:
        """Let AUTOINCREMENT know numbers that only a gap holds, or a restart would give them out again."""
        if self._db.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = 'block'", (seq,)).rowcount == 0:
            self._db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('block', ?)", (seq,))

    def _count(self, key: str, more: int) -> None:
        if more:
            self._db.execute("INSERT OR IGNORE INTO meta VALUES (?, '0')", (key,))
            self._db.execute("UPDATE meta SET value = CAST(value AS INTEGER) + ? WHERE key = ?", (more, key))

    def _items(self, first: int, last: int, limit: int) -> list[Item]:
        rows = self._db.execute(
            "SELECT seq, payload FROM block WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?", (first, last, limit)
        ).fetchall()
        if len(rows) == limit:
            last = rows[-1][0]
        found = [Item(seq, seq, payload) for seq, payload in rows] + self._gaps(first, last)
        found.sort(key=lambda item: item.first)
        holes = _holes(found, first, last)
        if holes:
            self._db.executemany("INSERT INTO gap VALUES (?, ?, ?)", [(*hole, _TRIMMED) for hole in holes])
            found += [self._gap_item(*hole, _TRIMMED) for hole in holes]
            found.sort(key=lambda item: item.first)
        return found[:limit]

    def _gaps(self, first: int, last: int) -> list[Item]:
        rows = self._db.execute(
            "SELECT first, last, why FROM gap WHERE last >= ? AND first <= ? ORDER BY first", (first, last)
        )
        return [self._gap_item(*row) for row in rows.fetchall()]

    def _gap_item(self, first: int, last: int, why: str) -> Item:
        return Item(first, last, encode_gap(Gap(self._agent, self.stream, first, last, why)))

    def _meta(self, key: str, default: str = "") -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])


def _holes(items: Sequence[Item], first: int, last: int) -> list[tuple[int, int]]:
    holes = []
    expected = first
    for item in items:
        if item.first > expected:
            holes.append((expected, item.first - 1))
        expected = max(expected, item.last + 1)
    if expected <= last:
        holes.append((expected, last))
    return holes
