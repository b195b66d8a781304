"""Reading the embedded sample file: any number of threads and processes, while one other process writes."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from asleft.store.damage import is_damage, request_check
from asleft.store.joining import Piece, RunRow, StoredRow, channels_of, joined, pieces, run_piece
from asleft.store.overview import read_overview
from asleft.store.protocols import BlockRef, Overview, StoredSamples, StoreUnavailable, StreamMark
from asleft.store.rows import Opened, burst_of, read_blocks
from asleft.store.runs import RUN_NS, unpack_heads
from asleft.store.schema import SAMPLES_FILE, SCHEMA_VERSION, open_for_reading
from asleft.store.waiting import waiting_rows
from asleft.wire.block import Block, Burst


def _ends_sql(table: str, longest: str) -> str:
    """First and last time of a valve's rows in one table, as two columns: three looks into its index."""
    of_valve = f"FROM {table} WHERE valve = valve_row.id"
    return (
        f"(SELECT MIN(from_ns) {of_valve}), "
        f"(SELECT MAX(to_ns) {of_valve} AND from_ns >= (SELECT MAX(from_ns) {of_valve}) - {longest})"
    )


_ALL_SPANS = (
    f"SELECT name, {_ends_sql('block', 'longest_ns')}, {_ends_sql('run', ':run_ns')} "
    "FROM valve AS valve_row ORDER BY name"
)


class EmbeddedReader:
    """`SampleReader` over `samples.db` in a data folder.

    A file that is not there yet reads as empty and is picked up when it appears; so is one that took its place. Reads
    raise `StoreUnavailable` once the folder that was there has gone.
    """

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / SAMPLES_FILE
        self._folder_seen = False
        self._local = threading.local()
        self._all: list[Opened] = []
        self._all_lock = threading.Lock()

    def valves(self) -> list[str]:
        """Ids of all valves that have samples, sorted."""
        with self._snapshot() as opened:
            if opened is None:
                return []
            rows = opened.connection.execute(
                "SELECT name FROM valve WHERE EXISTS (SELECT 1 FROM block WHERE block.valve = valve.id) "
                "OR EXISTS (SELECT 1 FROM run WHERE run.valve = valve.id) ORDER BY name"
            )
            return [name for (name,) in rows]

    def feeds(self) -> Mapping[str, str]:
        """Valve -> the agent that its newest samples came from."""
        newest = "SELECT stream FROM {0} WHERE valve = valve.id ORDER BY from_ns DESC LIMIT 1"
        with self._snapshot() as opened:
            if opened is None:
                return {}
            rows = opened.connection.execute(
                "SELECT valve.name, stream.agent FROM valve JOIN stream ON stream.id = "
                f"COALESCE(({newest.format('block')}), ({newest.format('run')}))"
            )
            return dict(rows.fetchall())

    def marks(self) -> list[StreamMark]:
        """All streams."""
        with self._snapshot() as opened:
            if opened is None:
                return []
            rows = opened.connection.execute(
                "SELECT agent, name, mark, declared_gap, duplicates, last_at_ns FROM stream ORDER BY agent, id"
            )
            return [StreamMark(*row) for row in rows]

    def span(self, valve: str) -> tuple[int, int] | None:
        """First and last sample time (ns) of a valve, None if there is none."""
        with self._snapshot() as opened:
            found = opened.valve(valve) if opened is not None else None
            if opened is None or found is None:
                return None
            return _span(opened, *found)

    def all_spans(self) -> Mapping[str, tuple[int, int]]:
        """`span` of every valve that has samples, of one moment."""
        with self._snapshot() as opened:
            if opened is None:
                return {}
            rows = opened.connection.execute(_ALL_SPANS, {"run_ns": RUN_NS}).fetchall()
            held = [(name, [one for one in ends if one is not None]) for name, *ends in rows]
            return {name: (min(ends), max(ends)) for name, ends in held if ends}

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        """Raw readings with from_ns <= time < to_ns, oldest first; a channel is NaN where it was not recorded."""
        with self._snapshot() as opened:
            found = opened.valve(valve) if opened is not None else None
            if opened is None or found is None:
                return joined(valve, [], from_ns, to_ns)
            number, longest_ns = found
            rows = opened.connection.execute(
                "SELECT wall_ns, layout, size, marks, payload FROM block "
                "WHERE valve = ? AND from_ns >= ? AND from_ns < ? AND to_ns >= ? ORDER BY from_ns, id",
                (number, from_ns - longest_ns, to_ns, from_ns),
            )
            runs = _run_pieces(opened, number, from_ns, to_ns)
            singles = pieces(map(StoredRow._make, rows), opened.layout)
            return joined(valve, [*runs, *singles], from_ns, to_ns)

    def channels(self, valve: str, from_ns: int, to_ns: int) -> list[tuple[str, str]]:
        """Channels and units that were recorded from_ns <= time < to_ns, about; one of several units comes twice."""
        with self._snapshot() as opened:
            found = opened.valve(valve) if opened is not None else None
            if opened is None or found is None:
                return []
            number, longest_ns = found
            layouts = opened.connection.execute(
                "SELECT layout FROM block WHERE valve = ?1 AND from_ns >= ?2 - ?4 AND from_ns < ?3 AND to_ns >= ?2 "
                "UNION "
                "SELECT layout FROM run WHERE valve = ?1 AND from_ns >= ?2 - ?5 AND from_ns < ?3 AND to_ns >= ?2 "
                "ORDER BY layout",
                (number, from_ns, to_ns, longest_ns, RUN_NS),
            )
            return channels_of(opened.layout(layout) for (layout,) in layouts)

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Burst]:
        """Fast bursts that start in the span, oldest first."""
        with self._snapshot() as opened:
            found = opened.valve(valve) if opened is not None else None
            if opened is None or found is None:
                return []
            rows = opened.connection.execute(
                "SELECT channel, unit, start_ns, rate_hz, payload, sequence FROM burst "
                "WHERE valve = ? AND start_ns >= ? AND start_ns < ? ORDER BY start_ns, id",
                (found[0], from_ns, to_ns),
            )
            return [burst_of(*row) for row in rows]

    def overview(self, valve: str, channel: str, from_ns: int, to_ns: int, points: int) -> Overview:
        """At most about `points` stretches over the span, from stored per-block figures, never from raw rows.

        A block counts where it starts. Stretches without readings are absent. Raises `ValueError` for points < 1.
        """
        with self._snapshot() as opened:
            return read_overview(opened, valve, channel, (from_ns, to_ns), points)

    def blocks_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[tuple[BlockRef, Block]]:
        """Up to `limit` blocks of a valve not yet in `cursor` (stream -> last judged seq), in time order.

        Within a stream they come by seq and end at its mark: what lies beyond a hole waits until the hole is filled
        or declared. With `from_ns`, blocks that end earlier are left out.
        """
        with self._snapshot() as opened:
            if opened is None:
                return []
            return read_blocks(opened, valve, waiting_rows(opened, valve, cursor, limit, from_ns))

    def refs_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[BlockRef]:
        """Where the blocks stand that `blocks_after` would give, in the same order, without reading them."""
        with self._snapshot() as opened:
            if opened is None:
                return []
            rows = waiting_rows(opened, valve, cursor, limit, from_ns)
            return [BlockRef(valve, row.stream, row.seq, row.from_ns, row.to_ns) for row in rows]

    def check(self) -> None:
        """Raise what reading raises while the file cannot be read."""
        with self._snapshot() as opened:
            if opened is not None:
                opened.connection.execute("SELECT 1 FROM stream LIMIT 1").fetchone()

    def size_bytes(self) -> int:
        """Bytes on disk, the write-ahead log included."""
        total = 0
        for path in (self._path, self._path.with_name(self._path.name + "-wal")):
            try:
                total += path.stat().st_size
            except FileNotFoundError:
                continue
        return total

    def close(self) -> None:
        """Close the connections of all threads."""
        with self._all_lock:
            for opened in self._all:
                opened.connection.close()
            self._all.clear()
        self._local = threading.local()

    @contextmanager
    def _snapshot(self) -> Iterator[Opened | None]:
        """This thread's connection inside one read transaction; None while there is no file."""
        try:
            opened = self._open()
            if opened is None:
                yield None
                return
            opened.connection.execute("BEGIN")
            try:
                yield opened
            finally:
                opened.connection.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            if is_damage(error):
                request_check(self._path)
            raise

    def _open(self) -> Opened | None:
        opened: Opened | None = getattr(self._local, "opened", None)
        identity: tuple[int, int] | None
        try:
            stat = self._path.stat()
            identity = (stat.st_dev, stat.st_ino)
            self._folder_seen = True
        except FileNotFoundError:
            self._check_folder()
            identity = None
        if opened is not None:
            if opened.identity == identity:
                return opened
            self._forget(opened)
        if identity is None:
            return None
        connection = open_for_reading(self._path)
        if connection.execute("PRAGMA user_version").fetchone()[0] < SCHEMA_VERSION:  # not laid out yet, or of old
            connection.close()
            return None
        self._local.opened = opened = Opened(connection, identity)
        with self._all_lock:
            self._all.append(opened)
        return opened

    def _check_folder(self) -> None:
        """A folder that has gone is no empty store: its disk is away."""
        there = self._path.parent.is_dir()
        if self._folder_seen and not there:
            raise StoreUnavailable(f"{self._path.parent}: the data folder is not there any more")
        self._folder_seen = there

    def _forget(self, opened: Opened) -> None:
        self._local.opened = None
        with self._all_lock:
            if opened in self._all:
                self._all.remove(opened)
        opened.connection.close()


def _span(opened: Opened, valve: int, longest_ns: int) -> tuple[int, int] | None:
    """First and last time of a valve's readings, wherever they are kept."""
    ends = [_ends(opened, "block", valve, longest_ns), _ends(opened, "run", valve, RUN_NS)]
    held = [end for end in ends if end is not None]
    return (min(first for first, _ in held), max(last for _, last in held)) if held else None


def _ends(opened: Opened, table: str, valve: int, longest_ns: int) -> tuple[int, int] | None:
    """First and last time of a valve's rows in one table."""
    first, last_start = opened.connection.execute(
        f"SELECT (SELECT MIN(from_ns) FROM {table} WHERE valve = ?1), "
        f"(SELECT MAX(from_ns) FROM {table} WHERE valve = ?1)",
        (valve,),
    ).fetchone()
    if first is None:
        return None
    last = opened.connection.execute(
        f"SELECT MAX(to_ns) FROM {table} WHERE valve = ? AND from_ns >= ?", (valve, last_start - longest_ns)
    ).fetchone()[0]
    return first, last


def _run_pieces(opened: Opened, valve: int, from_ns: int, to_ns: int) -> Iterator[Piece]:
    """Readings of the runs that touch a span."""
    rows = opened.connection.execute(
        "SELECT blocks, heads, layout, size, marks, payload FROM run "
        "WHERE valve = ? AND from_ns >= ? AND from_ns < ? AND to_ns >= ? ORDER BY from_ns, id",
        (valve, from_ns - RUN_NS, to_ns, from_ns),
    )
    for blocks, heads, layout, size, marks, payload in rows:
        table = unpack_heads(blocks, heads)
        yield run_piece(RunRow(table[:, 1], table[:, 4], layout, size, marks, payload), opened.layout(layout))
