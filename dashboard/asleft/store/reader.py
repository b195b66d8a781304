"""Reading the embedded sample file: any number of threads and processes, while one other process writes."""

from __future__ import annotations

import heapq
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from asleft.store.joining import StoredRow, joined, pieces
from asleft.store.overview import read_overview
from asleft.store.packing import ChannelLayout, layout_from, unpack, unpack_burst
from asleft.store.protocols import BlockRef, Overview, StoredSamples, StreamMark
from asleft.store.schema import SAMPLES_FILE, open_for_reading
from asleft.wire.block import Block, Burst

_CHUNK = 500
"""Ids per statement; SQLite takes at least 999 parameters."""

_BLOCK_COLUMNS = (
    "block.id, stream.agent, stream.name, block.seq, block.from_ns, block.to_ns, block.wall_ns, block.monotonic_ns, "
    "block.clock_synchronised, boot.name, block.layout, block.size, block.marks, block.payload"
)


class _Opened:
    """One thread's connection to one file, with what it has learnt of it."""

    def __init__(self, connection: sqlite3.Connection, identity: tuple[int, int]) -> None:
        self.connection = connection
        self.identity = identity
        self.layouts: dict[int, tuple[ChannelLayout, ...]] = {}

    def layout(self, number: int) -> tuple[ChannelLayout, ...]:
        known = self.layouts.get(number)
        if known is None:
            body = self.connection.execute("SELECT body FROM layout WHERE id = ?", (number,)).fetchone()[0]
            known = self.layouts[number] = layout_from(body)
        return known

    def valve(self, name: str) -> tuple[int, int] | None:
        """Row id and longest block (ns) of a valve."""
        row = self.connection.execute("SELECT id, longest_ns FROM valve WHERE name = ?", (name,)).fetchone()
        return None if row is None else (row[0], row[1])


class EmbeddedReader:
    """`SampleReader` over `samples.db` in a data folder.

    A file that is not there yet reads as empty and is picked up when it appears; so is one that took its place.
    """

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / SAMPLES_FILE
        self._local = threading.local()
        self._all: list[_Opened] = []
        self._all_lock = threading.Lock()

    def valves(self) -> list[str]:
        """Ids of all valves that have samples, sorted."""
        with self._snapshot() as opened:
            if opened is None:
                return []
            rows = opened.connection.execute(
                "SELECT name FROM valve WHERE EXISTS (SELECT 1 FROM block WHERE block.valve = valve.id) ORDER BY name"
            )
            return [name for (name,) in rows]

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
            number, longest_ns = found
            first, last_start = opened.connection.execute(
                "SELECT (SELECT MIN(from_ns) FROM block WHERE valve = ?1), (SELECT MAX(from_ns) FROM block "
                "WHERE valve = ?1)",
                (number,),
            ).fetchone()
            if first is None:
                return None
            last = opened.connection.execute(
                "SELECT MAX(to_ns) FROM block WHERE valve = ? AND from_ns >= ?", (number, last_start - longest_ns)
            ).fetchone()[0]
            return first, last

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
            return joined(valve, pieces(map(StoredRow._make, rows), opened.layout), from_ns, to_ns)

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
            return [_burst(*row) for row in rows]

    def overview(self, valve: str, channel: str, from_ns: int, to_ns: int, points: int) -> Overview:
        """At most about `points` stretches over the span, from stored per-block figures, never from raw rows.

        A block counts where it starts. Stretches without readings are absent. Raises `ValueError` for points < 1.
        """
        with self._snapshot() as opened:
            return read_overview(
                None if opened is None else opened.connection, valve, channel, from_ns, to_ns, points
            )

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
            return _blocks(opened, valve, [row.id for row in _waiting(opened, valve, cursor, limit, from_ns)])

    def refs_after(
        self, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None = None
    ) -> list[BlockRef]:
        """Where the blocks stand that `blocks_after` would give, in the same order, without reading them."""
        with self._snapshot() as opened:
            if opened is None:
                return []
            rows = _waiting(opened, valve, cursor, limit, from_ns)
            return [BlockRef(valve, row.stream, row.seq, row.from_ns, row.to_ns) for row in rows]

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
    def _snapshot(self) -> Iterator[_Opened | None]:
        """This thread's connection inside one read transaction; None while there is no file."""
        opened = self._open()
        if opened is None:
            yield None
            return
        opened.connection.execute("BEGIN")
        try:
            yield opened
        finally:
            opened.connection.execute("COMMIT")

    def _open(self) -> _Opened | None:
        opened: _Opened | None = getattr(self._local, "opened", None)
        identity: tuple[int, int] | None
        try:
            stat = self._path.stat()
            identity = (stat.st_dev, stat.st_ino)
        except FileNotFoundError:
            identity = None
        if opened is not None:
            if opened.identity == identity:
                return opened
            self._forget(opened)
        if identity is None:
            return None
        connection = open_for_reading(self._path)
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            connection.close()
            return None
        self._local.opened = opened = _Opened(connection, identity)
        with self._all_lock:
            self._all.append(opened)
        return opened

    def _forget(self, opened: _Opened) -> None:
        self._local.opened = None
        with self._all_lock:
            if opened in self._all:
                self._all.remove(opened)
        opened.connection.close()


class _Waiting(NamedTuple):
    from_ns: int
    id: int
    seq: int
    to_ns: int
    stream: str


def _waiting(
    opened: _Opened, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None
) -> list[_Waiting]:
    """Streams merged by time; within a stream the order of its seqs is kept, even where its clock was put back."""
    found = opened.valve(valve)
    if found is None:
        return []
    number, longest_ns = found
    bound = ""
    span: tuple[int, ...] = ()
    if from_ns is not None:
        bound, span = "AND from_ns >= ? AND to_ns >= ? ", (from_ns - longest_ns, from_ns)
    streams: list[Iterator[_Waiting]] = []
    for stream, name, mark in opened.connection.execute("SELECT id, name, mark FROM stream ORDER BY id").fetchall():
        rows = opened.connection.execute(
            "SELECT from_ns, id, seq, to_ns FROM block WHERE valve = ? AND stream = ? AND seq > ? AND seq <= ? "
            f"{bound}ORDER BY seq LIMIT ?",
            (number, stream, cursor.get(name, 0), mark, *span, limit),
        ).fetchall()
        streams.append(iter([_Waiting(start, key, seq, end, name) for start, key, seq, end in rows]))
    return list(islice(heapq.merge(*streams, key=lambda row: row.from_ns), limit))


def _blocks(opened: _Opened, valve: str, ids: list[int]) -> list[tuple[BlockRef, Block]]:
    bursts: dict[int, list[Burst]] = {}
    blocks: dict[int, tuple[BlockRef, Block]] = {}
    for start in range(0, len(ids), _CHUNK):
        chunk = ids[start : start + _CHUNK]
        among = ",".join("?" * len(chunk))
        for block, *row in opened.connection.execute(
            f"SELECT block, channel, unit, start_ns, rate_hz, payload, sequence FROM burst WHERE block IN ({among}) "
            "ORDER BY id",
            chunk,
        ):
            bursts.setdefault(block, []).append(_burst(*row))
        for row in opened.connection.execute(
            f"SELECT {_BLOCK_COLUMNS} FROM block JOIN stream ON stream.id = block.stream "
            f"JOIN boot ON boot.id = block.boot WHERE block.id IN ({among})",
            chunk,
        ):
            (
                number,
                agent,
                stream,
                seq,
                from_ns,
                to_ns,
                wall_ns,
                monotonic_ns,
                clock,
                boot,
                layout,
                size,
                marks,
                data,
            ) = row
            offsets, channels = unpack(opened.layout(layout), size, marks, data)
            blocks[number] = (
                BlockRef(valve, stream, seq, from_ns, to_ns),
                Block(
                    agent=agent,
                    valve=valve,
                    stream=stream,
                    seq=seq,
                    boot_id=boot,
                    wall_ns=wall_ns,
                    monotonic_ns=monotonic_ns,
                    clock_synchronised=None if clock is None else bool(clock),
                    offsets_us=offsets,
                    channels=channels,
                    bursts=tuple(bursts.get(number, ())),
                ),
            )
    return [blocks[number] for number in ids]


def _burst(channel: str, unit: str, start_ns: int, rate_hz: float, payload: bytes, sequence: int) -> Burst:
    return Burst(channel, unit, start_ns, rate_hz, unpack_burst(payload), sequence % 2**64)
