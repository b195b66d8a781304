"""The embedded sample store: SQLite, one process writing, blocks of about a second merged into runs of a minute.

A commit is one transaction with `synchronous=FULL`: blocks, figures, gaps and marks together or not at all.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from asleft.store.damage import IntegrityCheck, StoreReplaced, damaged_files, is_damage, keep_from_others, set_aside
from asleft.store.disk_space import folder_bytes, free_bytes
from asleft.store.expiry import Expiry
from asleft.store.id_cache import Known
from asleft.store.lock import FolderLock
from asleft.store.merging import Merging
from asleft.store.packing import Figures, Packed, figures, pack, pack_burst
from asleft.store.protocols import SampleReader, SampleStore, StreamMark
from asleft.store.reader import EmbeddedReader
from asleft.store.retention import Retention, days_words
from asleft.store.runs import RUN_BLOCKS
from asleft.store.schema import MINUTE_NS, open_for_reading, open_for_writing
from asleft.store.stream_table import EmbeddedStream, load_stream
from asleft.store.streams import StreamRow, check_gaps
from asleft.wire.block import Block, Gap

log = logging.getLogger(__name__)

_LARGEST = 2**63 - 1


def open_samples(data_dir: Path, retention: Retention | None = None) -> SampleStore:
    """The embedded store of a data folder, for writing; makes the folder and the file if need be.

    Raises `FolderInUse` if another process writes there, `SchemaError` for a file of another version.
    """
    return EmbeddedSamples(data_dir, retention or Retention())


def open_samples_reader(data_dir: Path) -> SampleReader:
    """The embedded store of a data folder, for reading; it need not exist yet. Use it from any number of threads."""
    return EmbeddedReader(data_dir)


class EmbeddedSamples(EmbeddedReader):
    """`SampleStore` over `samples.db`; reads go through read-only connections of their own."""

    def __init__(self, data_dir: Path, retention: Retention, run_blocks: int = RUN_BLOCKS) -> None:
        data_dir.mkdir(parents=True, exist_ok=True)
        super().__init__(data_dir)
        self._lock_file = FolderLock(data_dir)
        self._one_commit = threading.Lock()
        self._retention, self._run_blocks = retention, run_blocks
        self._integrity = IntegrityCheck(self._path, open_for_reading)
        self._writer: sqlite3.Connection
        self._half_replaced = False
        try:
            try:
                self._open_writer()
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                self._replace(error)
        except BaseException:
            self._lock_file.release()
            raise

    def commit(self, blocks: Sequence[Block], gaps: Sequence[Gap], now_ns: int) -> list[StreamMark]:
        """Store what has arrived, durably, in one transaction; the marks of every stream touched.

        Insert-or-ignore on (stream, seq); advances contiguous marks; stores declared gaps, less what is stored; a
        block that arrives after its gap was declared fills it. Returns only when a power cut could no longer undo it.
        Raises `ValueError` for a block or gap that breaks the contract, `sqlite3.Error` if the disk fails,
        `StoreReplaced` where the file was damaged; nothing of the call is stored then.
        """
        ready = [(block, pack(block), figures(block)) for block in blocks]
        check_gaps(gaps)
        with self._one_commit, self._replacing():
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                marks = self._store(ready, gaps, now_ns)
                self._writer.execute("COMMIT")
            except BaseException:
                self._known.forget()
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise
            return marks

    def prove(self) -> None:
        """A commit that stores nothing: the file can be written. Raises `sqlite3.Error`."""
        self.commit([], [], 0)

    def maintain(self, now_ns: int) -> bool:
        """Merge a few blocks, remove a few that are too old; whether more of either waits.

        Raises `sqlite3.Error` if the disk fails; nothing is changed by that step then. `StoreReplaced` as `commit`.
        """
        with self._one_commit, self._replacing():
            merging = self._merging.step()
            return self._expiry.step(now_ns) or merging

    def about(self) -> dict[str, Any]:
        """What the health page says of the store."""
        return {
            "where": str(self._path),
            "keeps_raw": days_words(self._retention.raw_days),
            "keeps_overview": days_words(self._retention.overview_days),
            "unmerged_blocks": self._merging.unmerged,
            "set_aside": damaged_files(self._path.parent),
            "folder_bytes": folder_bytes(self._path.parent),
            "free_bytes": free_bytes(self._path.parent),
        }

    def close(self) -> None:
        """Close all connections and let another process write.

        The write-ahead log is folded into the file first: whoever copies or restores `samples.db` afterwards has all
        of it, even while readers are open.
        """
        with self._one_commit:
            super().close()
            self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._writer.close()
            self._lock_file.release()

    def _open_writer(self) -> None:
        """Raises `sqlite3.Error`, `SchemaError`."""
        keep_from_others(self._path)
        writer = open_for_writing(self._path)
        try:
            for table in ("valve", "stream", "gap", "layout", "boot", "series"):  # small, and needed at once
                writer.execute(f"SELECT * FROM {table}").fetchall()
            self._known = Known(writer)
            self._merging = Merging(writer, self._run_blocks)
            self._expiry = Expiry(writer, self._retention)
        except BaseException:
            writer.close()
            raise
        self._writer, self._half_replaced = writer, False

    @contextmanager
    def _replacing(self) -> Iterator[None]:
        """Round a call to the writer: a damaged file is set aside. Raises `StoreReplaced` then."""
        try:
            if self._half_replaced:
                self._open_writer()
                raise StoreReplaced(f"{self._path} was damaged and set aside; a fresh one is in use now")
            found = self._integrity.found()
            if found is not None:
                raise found
            yield
        except sqlite3.DatabaseError as error:
            if not is_damage(error) and error is not self._integrity.found():
                raise
            raise StoreReplaced(self._replace(error)) from error

    def _replace(self, damage: sqlite3.DatabaseError) -> str:
        """Set the file aside and begin a fresh one; what there is to say. Raises `OSError`, `sqlite3.Error`."""
        super().close()
        if hasattr(self, "_writer"):  # at the start there is none
            self._writer.close()
        self._half_replaced = True  # should the disk refuse what follows, the next call tries again
        aside = set_aside(self._path)
        self._integrity.forget()
        self._open_writer()
        words = (
            f"{self._path} is damaged ({damage}): it is kept as {aside.name}, and a fresh one is in use. Readings "
            "stored so far are in the file that was set aside, no longer on the pages; sheets, judgements and alarms "
            "are kept elsewhere, and agents send again what their spools still have. To bring back what can be read: "
            f"stop the recorder, asleft restore --readings {aside} --data {self._path.parent}, start it again"
        )
        log.critical("%s", words)
        return words

    def _store(
        self, ready: Sequence[tuple[Block, Packed, list[Figures]]], gaps: Sequence[Gap], now_ns: int
    ) -> list[StreamMark]:
        streams: dict[tuple[str, str], tuple[EmbeddedStream, StreamRow]] = {}

        def stream_of(agent: str, name: str) -> tuple[EmbeddedStream, StreamRow]:
            if (agent, name) not in streams:
                streams[agent, name] = load_stream(self._writer, agent, name)
            return streams[agent, name]

        for block, packed, block_figures in ready:
            table, stream = stream_of(block.agent, block.stream)
            if not stream.takes(block.seq) or not self._insert(table.id, block, packed, block_figures):
                stream.duplicates += 1
        for gap in gaps:
            stream_of(gap.agent, gap.stream)[1].declare(gap)
        marks: list[StreamMark] = []
        for table, stream in streams.values():
            marks.append(stream.finish(now_ns))
            table.write(marks[-1])
        return marks

    def _insert(self, stream: int, block: Block, packed: Packed, block_figures: list[Figures]) -> bool:
        """False if (stream, seq) is there already."""
        known = self._known
        valve = known.valve(block.valve)
        from_ns = to_ns = block.wall_ns
        if block.size:
            from_ns = min(block.wall_ns + 1000 * int(block.offsets_us[0]), _LARGEST)
            to_ns = min(block.wall_ns + 1000 * int(block.offsets_us[-1]), _LARGEST)
        inserted = self._writer.execute(
            "INSERT OR IGNORE INTO block (stream, seq, valve, from_ns, to_ns, wall_ns, monotonic_ns, "
            "clock_synchronised, boot, layout, size, marks, payload) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)",
            (
                *(stream, block.seq, valve, from_ns, to_ns, block.wall_ns, block.monotonic_ns),
                *(block.clock_synchronised, known.boot(block.boot_id), known.layout(packed.layout), block.size),
                *(packed.marks, packed.payload),
            ),
        )
        if inserted.rowcount == 0:
            return False
        number = inserted.lastrowid
        known.lengthen(block.valve, to_ns - from_ns)
        rows = [(known.series(valve, one.channel), one) for one in block_figures]
        self._writer.executemany(
            "INSERT INTO block_figure VALUES (?,?,?,?,?,?,?)",
            [(series, from_ns, number, one.minimum, one.mean, one.maximum, one.count) for series, one in rows],
        )
        self._writer.executemany(
            "INSERT INTO minute_figure VALUES (?,?,?,?,?,?) ON CONFLICT (series, minute) DO UPDATE SET "
            "minimum = MIN(minimum, excluded.minimum), total = total + excluded.total, "
            "maximum = MAX(maximum, excluded.maximum), count = count + excluded.count",
            [
                (series, from_ns // MINUTE_NS, one.minimum, one.mean * one.count, one.maximum, one.count)
                for series, one in rows
            ],
        )
        self._writer.executemany(
            "INSERT INTO burst (stream, seq, valve, channel, unit, start_ns, rate_hz, sequence, payload) "
            "VALUES (?,?,?,?,?,?,?,?,?)",
            [
                (
                    *(stream, block.seq, valve, burst.channel, burst.unit, burst.start_ns, burst.rate_hz),
                    *(_signed(burst.sequence), pack_burst(burst.values)),
                )
                for burst in block.bursts
            ],
        )
        self._merging.stored(valve, stream)
        return True


def _signed(number: int) -> int:
    """The instrument's count may use all 64 bits; SQLite's integers are signed."""
    return number - 2**64 if number >= 2**63 else number
