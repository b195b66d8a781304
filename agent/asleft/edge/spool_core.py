"""The spool's rules over a database connection it is given: numbers, mark, gaps, what goes first when room is short.

No file is opened here and no clock is read, so that thousands of crashes can be tried in memory. What makes a commit
durable (the file's pragmas) is the business of `asleft.edge.spool`.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from asleft.edge.spool_room import Dropped, make_room
from asleft.wire.block import SOURCE_TIME, Block, Gap
from asleft.wire.codec import WireError, decode_upload, encode_block, encode_gap
from asleft.wire.limits import MAX_TEXT

logger = logging.getLogger(__name__)

TRIMMED = "trimmed after it had been acknowledged"
LOST = "could not be written to the spool"
_LAST_OF_SOURCE = "last of source "
_SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS block (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, has_burst INTEGER NOT NULL, payload BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS burst_rows ON block (seq) WHERE has_burst = 1;
CREATE TABLE IF NOT EXISTS gap (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, why TEXT NOT NULL);
"""


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


class SpoolCore:
    """The spool of one agent in one database. Not locked. Every method may raise `sqlite3.Error`."""

    def __init__(
        self,
        db: sqlite3.Connection,
        agent: str,
        max_bytes: int,
        new_stream: Callable[[], str],
        encode: Callable[[Block], bytes] = encode_block,
    ) -> None:
        """`db` in autocommit mode; `new_stream` names the stream of a database that has none yet."""
        self._db = db
        self._agent = agent
        self._encode = encode
        db.executescript(_SCHEMA)
        self._page_size = self._pragma("page_size")
        self.max_pages = 0
        self.bound(max_bytes)
        db.execute("BEGIN IMMEDIATE")
        start = {"agent": agent, "stream": new_stream(), "mark": "0"}
        db.executemany("INSERT OR IGNORE INTO meta VALUES (?, ?)", start.items())
        db.execute("COMMIT")
        row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'block'").fetchone()
        self.highest_seq = int(row[0]) if row else 0
        """Highest sequence number given so far."""
        self.stream = self._meta("stream")
        """UUID made with the database."""
        self.owner = self._meta("agent")
        """The agent whose blocks are in it."""
        self.acknowledged = int(self._meta("mark"))
        """The mark. One that is set here is written with the next blocks, or by `write_mark`."""
        self._dropped = Dropped(int(self._meta("blocks_dropped", "0")), int(self._meta("bursts_dropped", "0")))

    def bound(self, max_bytes: int) -> None:
        """Bound its size."""
        self.max_pages = max_bytes // self._page_size
        # Never below what is there: SQLite would refuse to write at all, even to make room.
        self._db.execute(f"PRAGMA max_page_count = {max(self.max_pages, self._pragma('page_count') + 16)}")

    def bound_to_present(self, more_bytes: int) -> None:
        """Let it grow by no more than that: from then on new blocks take the place of what may go first."""
        self.max_pages = min(self.max_pages, self._pragma("page_count") + more_bytes // self._page_size)

    def append(self, blocks: Sequence[Block], lost: int = 0) -> int:
        """Number and store blocks in one transaction, all or nothing; the highest sequence number so far.

        `lost` blocks that could not be stored before are declared as a gap ahead of them.
        """
        seq = self.highest_seq
        gaps = [(seq + 1, seq + lost, LOST)] if lost else []
        seq += lost
        rows = []
        for block in blocks:
            seq += 1
            try:
                payload = self._encode(replace(block, stream=self.stream, seq=seq))
            except WireError as error:
                logger.error("a block of %s cannot be sent: %s", block.valve, error)
                gaps.append((seq, seq, f"cannot be sent: {error}"[:MAX_TEXT]))
            else:
                rows.append((seq, int(bool(block.bursts)), payload))
        dropped = self._write(rows, gaps, seq, _ends(blocks))
        self.highest_seq = seq
        self._dropped.blocks += dropped.blocks
        self._dropped.bursts += dropped.bursts
        return seq

    def items(self, first: int, last: int, limit: int) -> list[Item]:
        """Up to `limit` messages covering first..last in order, without a hole.

        Numbers of which nothing is left (acknowledged and trimmed, then asked for again by a recorder restored from
        an older backup) become a durable gap on the spot: the recorder could never get past them otherwise.
        """
        last = min(last, self.highest_seq)  # the numbers may be those of a file that was damaged and set aside
        rows = self._db.execute(
            "SELECT seq, payload FROM block WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?", (first, last, limit)
        ).fetchall()
        if len(rows) == limit:
            last = rows[-1][0]
        found = [Item(seq, seq, payload) for seq, payload in rows] + self._gaps(first, last)
        found.sort(key=lambda item: item.first)
        holes = _holes(found, first, last)
        if holes:
            self._db.executemany("INSERT INTO gap VALUES (?, ?, ?)", [(*hole, TRIMMED) for hole in holes])
            found += [self._gap_item(*hole, TRIMMED) for hole in holes]
            found.sort(key=lambda item: item.first)
        return found[:limit]

    def give_up(self, seq: int, why: str) -> Item:
        """Declare a block lost that lies here and can never be sent; the gap in its place."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._db.execute("DELETE FROM block WHERE seq = ?", (seq,))
            self._db.execute("INSERT INTO gap VALUES (?, ?, ?)", (seq, seq, why[:MAX_TEXT]))
            self._count("blocks_dropped", 1)
            self._db.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        self._dropped.blocks += 1
        return self._gap_item(seq, seq, why[:MAX_TEXT])

    def begin_anew(self, stream: str) -> None:
        """Number what the recorder is not known to have from 1 on, as a new stream; the rest goes. One transaction.

        For a file that is an older copy: its next numbers were given out before, and the recorder would take new
        blocks for old ones sent twice. What the copy held unacknowledged may be stored twice, under both streams.
        """
        mark = self.acknowledged
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._db.execute("DELETE FROM block WHERE seq <= ?", (mark,))
            self._db.execute("DELETE FROM gap WHERE last <= ?", (mark,))
            gaps = self._db.execute("SELECT max(first, ?), last, why FROM gap", (mark + 1,)).fetchall()
            self._db.execute("DELETE FROM gap")
            self._db.executemany(
                "INSERT INTO gap VALUES (?, ?, ?)", [(a - mark, b - mark, why) for a, b, why in gaps]
            )
            for (seq,) in self._db.execute("SELECT seq FROM block ORDER BY seq").fetchall():
                self._renumber(seq, seq - mark, stream)
            self._bump_sequence(self.highest_seq - mark)
            for key, value in (("stream", stream), ("mark", "0")):
                self._db.execute("UPDATE meta SET value = ? WHERE key = ?", (value, key))
            self._db.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        self.stream, self.highest_seq, self.acknowledged = stream, self.highest_seq - mark, 0

    def _renumber(self, seq: int, new: int, stream: str) -> None:
        (payload,) = self._db.execute("SELECT payload FROM block WHERE seq = ?", (seq,)).fetchone()
        try:
            block = decode_upload(payload)
            assert isinstance(block, Block)
            payload = self._encode(replace(block, stream=stream, seq=new))
        except WireError as error:
            self._db.execute("DELETE FROM block WHERE seq = ?", (seq,))
            why = f"damaged in the spool: {error}"[:MAX_TEXT]
            self._db.execute("INSERT INTO gap VALUES (?, ?, ?)", (new, new, why))
        else:
            self._db.execute("UPDATE block SET seq = ?, payload = ? WHERE seq = ?", (new, payload, seq))

    def counters(self) -> SpoolCounters:
        """How it stands now."""
        pages = self._pragma("page_count") - self._pragma("freelist_count")
        return SpoolCounters(
            self.highest_seq,
            self.acknowledged,
            pages * self._page_size,
            self._dropped.blocks,
            self._dropped.bursts,
        )

    def write_mark(self) -> None:
        """Write the mark, and forget gaps that the recorder has."""
        self._db.execute("UPDATE meta SET value = ? WHERE key = 'mark'", (str(self.acknowledged),))
        self._db.execute("DELETE FROM gap WHERE last <= ?", (self.acknowledged,))

    def last_of_sources(self) -> dict[str, int]:
        """Valve -> time (ns) of its last stored reading with a source's time, for valves that had one."""
        rows = self._db.execute("SELECT key, value FROM meta WHERE key GLOB ?", (f"{_LAST_OF_SOURCE}*",))
        return {key.removeprefix(_LAST_OF_SOURCE): int(value) for key, value in rows.fetchall()}

    def _write(
        self,
        rows: list[tuple[int, int, bytes]],
        gaps: list[tuple[int, int, str]],
        highest: int,
        ends: Mapping[str, int],
    ) -> Dropped:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self.write_mark()
            needed = sum(len(row[2]) for row in rows)
            dropped = make_room(self._db, needed, self.max_pages, self.acknowledged)
            self._db.executemany("INSERT INTO gap VALUES (?, ?, ?)", gaps)
            self._db.executemany("INSERT INTO block VALUES (?, ?, ?)", rows)
            self._db.executemany(
                "INSERT OR REPLACE INTO meta VALUES (?, ?)",
                [(_LAST_OF_SOURCE + valve, str(end_ns)) for valve, end_ns in ends.items()],
            )
            if gaps:
                self._bump_sequence(highest)
            self._count("blocks_dropped", dropped.blocks)
            self._count("bursts_dropped", dropped.bursts)
            self._db.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        return dropped

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def _bump_sequence(self, seq: int) -> None:
        """Let AUTOINCREMENT know numbers that only a gap holds, or a restart would give them out again."""
        if self._db.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = 'block'", (seq,)).rowcount == 0:
            self._db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('block', ?)", (seq,))

    def _count(self, key: str, more: int) -> None:
        if more:
            self._db.execute("INSERT OR IGNORE INTO meta VALUES (?, '0')", (key,))
            self._db.execute("UPDATE meta SET value = CAST(value AS INTEGER) + ? WHERE key = ?", (more, key))

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


def _ends(blocks: Iterable[Block]) -> dict[str, int]:
    """Valve -> time of the last reading, of blocks that have their times from a source."""
    return {
        block.valve: block.wall_ns + 1000 * int(block.offsets_us[-1])
        for block in blocks
        if block.boot_id == SOURCE_TIME and block.size
    }


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
