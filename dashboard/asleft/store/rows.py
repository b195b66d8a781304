"""Rows of the sample file as values: one connection with what it has learnt, blocks, runs, bursts."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from asleft.store.packing import ChannelLayout, layout_from, unpack, unpack_burst
from asleft.store.protocols import BlockRef
from asleft.store.runs import unpack_blocks, unpack_heads
from asleft.wire.block import Block, Burst

_CHUNK = 500
"""Ids per statement; SQLite takes at least 999 parameters."""


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
    """Where a block stands that is not judged yet: in a row of its own, or at `place` in a run."""

    seq: int
    from_ns: int
    to_ns: int
    id: int  # of the row in `block`, or in `run`
    place: int | None
    stream: str


def read_singles(opened: Opened, valve: str, ids: Sequence[int]) -> dict[int, Block]:
    """Blocks in rows of their own, by row id, without bursts."""
    blocks: dict[int, Block] = {}
    for start in range(0, len(ids), _CHUNK):
        chunk = ids[start : start + _CHUNK]
        rows = opened.connection.execute(
            "SELECT block.id, stream.agent, stream.name, seq, boot.name, wall_ns, monotonic_ns, clock_synchronised, "
            "layout, size, marks, payload FROM block JOIN stream ON stream.id = block.stream "
            f"JOIN boot ON boot.id = block.boot WHERE block.id IN ({','.join('?' * len(chunk))})",
            chunk,
        ).fetchall()  # a block that cannot be unpacked must leave no statement open
        for number, agent, stream, seq, boot, wall_ns, monotonic_ns, clock, layout, size, marks, payload in rows:
            offsets, channels = unpack(opened.layout(layout), size, marks, payload)
            known = None if clock is None else bool(clock)
            blocks[number] = Block(
                *(agent, valve, stream, seq, boot, wall_ns, monotonic_ns, known), offsets, channels
            )
    return blocks


def read_run(opened: Opened, valve: str, run: int) -> list[Block]:
    """The blocks of a run, in its order, without bursts."""
    agent, stream, boot, layout, count, heads, marks, payload = opened.connection.execute(
        "SELECT stream.agent, stream.name, boot.name, layout, blocks, heads, marks, payload FROM run "
        "JOIN stream ON stream.id = run.stream JOIN boot ON boot.id = run.boot WHERE run.id = ?",
        (run,),
    ).fetchone()
    names = (agent, valve, stream, boot)
    return unpack_blocks(names, opened.layout(layout), unpack_heads(count, heads), marks, payload)


def read_blocks(opened: Opened, valve: str, waiting: Sequence[Waiting]) -> list[tuple[BlockRef, Block]]:
    """The blocks that stand there, in the order given."""
    singles = read_singles(opened, valve, [row.id for row in waiting if row.place is None])
    runs = {run: read_run(opened, valve, run) for run in {row.id for row in waiting if row.place is not None}}
    bursts = _bursts(opened, valve, waiting)
    out: list[tuple[BlockRef, Block]] = []
    for row in waiting:
        block = singles[row.id] if row.place is None else runs[row.id][row.place]
        held = bursts.get((block.agent, block.stream, block.seq))
        out.append(
            (
                BlockRef(valve, row.stream, row.seq, row.from_ns, row.to_ns),
                replace(block, bursts=tuple(held)) if held else block,
            )
        )
    return out


def _bursts(opened: Opened, valve: str, waiting: Sequence[Waiting]) -> dict[tuple[str, str, int], list[Burst]]:
    """Bursts of the blocks that stand there, by agent, stream and seq."""
    seqs: dict[str, list[int]] = {}
    for row in waiting:
        seqs.setdefault(row.stream, []).append(row.seq)
    out: dict[tuple[str, str, int], list[Burst]] = {}
    for name, held in seqs.items():
        rows = opened.connection.execute(
            "SELECT stream.agent, seq, channel, unit, start_ns, rate_hz, payload, sequence FROM stream "
            "JOIN burst ON burst.stream = stream.id WHERE stream.name = ? AND seq >= ? AND seq <= ? "
            "AND valve = (SELECT id FROM valve WHERE name = ?) ORDER BY burst.id",
            (name, min(held), max(held), valve),
        )
        for agent, seq, *burst in rows:
            out.setdefault((agent, name, seq), []).append(burst_of(*burst))
    return out


def burst_of(channel: str, unit: str, start_ns: int, rate_hz: float, payload: bytes, sequence: int) -> Burst:
    """The burst in a row."""
    return Burst(channel, unit, start_ns, rate_hz, unpack_burst(payload), sequence % 2**64)
