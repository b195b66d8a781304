"""Rows of the sample file as values: one connection with what it has learnt, waiting blocks, blocks, bursts."""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator, Mapping
from itertools import islice
from typing import NamedTuple

from asleft.store.packing import ChannelLayout, layout_from, unpack, unpack_burst
from asleft.store.protocols import BlockRef
from asleft.wire.block import Block, Burst

_CHUNK = 500
"""Ids per statement; SQLite takes at least 999 parameters."""

_BLOCK_COLUMNS = (
    "block.id, stream.agent, stream.name, block.seq, block.from_ns, block.to_ns, block.wall_ns, block.monotonic_ns, "
    "block.clock_synchronised, boot.name, block.layout, block.size, block.marks, block.payload"
)


class Opened:
    """One thread's connection to one file, with what it has learnt of it."""

    def __init__(self, connection: sqlite3.Connection, identity: tuple[int, int]) -> None:
        self.connection = connection
        self.identity = identity
        self.layouts: dict[int, tuple[ChannelLayout, ...]] = {}

    def layout(self, number: int) -> tuple[ChannelLayout, ...]:
        """The layout of that number."""
        known = self.layouts.get(number)
        if known is None:
            body = self.connection.execute("SELECT body FROM layout WHERE id = ?", (number,)).fetchone()[0]
            known = self.layouts[number] = layout_from(body)
        return known

    def valve(self, name: str) -> tuple[int, int] | None:
        """Row id and longest block (ns) of a valve."""
        row = self.connection.execute("SELECT id, longest_ns FROM valve WHERE name = ?", (name,)).fetchone()
        return None if row is None else (row[0], row[1])


class Waiting(NamedTuple):
    """Where a block stands that is not judged yet."""

    from_ns: int
    id: int
    seq: int
    to_ns: int
    stream: str


def waiting_rows(
    opened: Opened, valve: str, cursor: Mapping[str, int], limit: int, from_ns: int | None
) -> list[Waiting]:
    """Streams merged by time; within a stream the order of its seqs is kept, even where its clock was put back."""
    found = opened.valve(valve)
    if found is None:
        return []
    number, longest_ns = found
    bound = ""
    span: tuple[int, ...] = ()
    if from_ns is not None:
        bound, span = "AND from_ns >= ? AND to_ns >= ? ", (from_ns - longest_ns, from_ns)
    streams: list[Iterator[Waiting]] = []
    for stream, name, mark in opened.connection.execute("SELECT id, name, mark FROM stream ORDER BY id").fetchall():
        rows = opened.connection.execute(
            "SELECT from_ns, id, seq, to_ns FROM block WHERE valve = ? AND stream = ? AND seq > ? AND seq <= ? "
            f"{bound}ORDER BY seq LIMIT ?",
            (number, stream, cursor.get(name, 0), mark, *span, limit),
        ).fetchall()
        streams.append(iter([Waiting(start, key, seq, end, name) for start, key, seq, end in rows]))
    return list(islice(heapq.merge(*streams, key=lambda row: row.from_ns), limit))


def read_blocks(opened: Opened, valve: str, ids: list[int]) -> list[tuple[BlockRef, Block]]:
    """The blocks of these row ids, in the order of the ids."""
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
            bursts.setdefault(block, []).append(burst_of(*row))
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


def burst_of(channel: str, unit: str, start_ns: int, rate_hz: float, payload: bytes, sequence: int) -> Burst:
    """The burst in a row."""
    return Burst(channel, unit, start_ns, rate_hz, unpack_burst(payload), sequence % 2**64)
