"""Readings out of a sample file that was set aside, or is older: whatever can still be read is added to the store.

Blocks are known by stream and number, so that what the store has already is left alone, and what it had to declare
lost is filled. Row by row, because one spoilt page must cost no more than what is on it.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from asleft.store.protocols import SampleStore
from asleft.store.rows import Opened, burst_of, read_run, read_singles
from asleft.wire.block import Block, Gap

LOST = "lost with a damaged file of the recorder"
_AT_ONCE = 200
_SPOILT = (sqlite3.Error, ValueError, RuntimeError, TypeError, KeyError, IndexError)
"""What reading raises where bytes are wrong; RuntimeError: zstd."""


@dataclass(slots=True)
class Salvaged:
    """What became of the rows of a file."""

    added: int = 0
    known: int = 0  # the store had them
    spoilt: int = 0  # rows that cannot be read; a row is a block, or a minute of blocks


def add_readings(file: Path, store: SampleStore, now_ns: int) -> Salvaged:
    """Add every block of a sample file that can be read. Raises `sqlite3.Error` where nothing of it can be."""
    done = Salvaged()
    ours = {(mark.agent, mark.stream) for mark in store.marks()}
    with closing(_opened(file)) as connection:
        opened = Opened(connection, (0, 0))
        valves = dict(connection.execute("SELECT id, name FROM valve").fetchall())
        rows = (_rows(opened, valves, done, "run", read_run), _rows(opened, valves, done, "block", _single))
        waiting: list[Block] = []
        for blocks in itertools.chain(*rows):
            waiting += blocks
            if len(waiting) >= _AT_ONCE:
                _commit(store, waiting, [], done, now_ns)
                waiting = []
        _commit(store, waiting, _gaps(connection, ours), done, now_ns)
    return done


def _opened(file: Path) -> sqlite3.Connection:
    """With its write-ahead log, where that can be used."""
    where = f"{file.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(where, uri=True)
    try:
        connection.execute("SELECT 1 FROM stream LIMIT 1").fetchone()
    except sqlite3.Error:
        connection.close()
        return sqlite3.connect(f"{where}&immutable=1", uri=True)
    return connection


def _gaps(connection: sqlite3.Connection, ours: set[tuple[str, str]]) -> list[Gap]:
    """What is lost of streams that no agent sends any more: what was declared, and what cannot be read.

    Of a stream that the store has heard from since, the agent itself says what it no longer has.
    """
    try:
        streams = connection.execute("SELECT agent, name, mark FROM stream WHERE mark > 0").fetchall()
    except _SPOILT:
        return []
    return [Gap(agent, name, 1, mark, LOST) for agent, name, mark in streams if (agent, name) not in ours]


def _commit(store: SampleStore, blocks: list[Block], gaps: list[Gap], done: Salvaged, now_ns: int) -> None:
    before = {(mark.agent, mark.stream): mark.duplicates for mark in store.marks()}
    marks = store.commit(blocks, gaps, now_ns)
    known = sum(mark.duplicates - before.get((mark.agent, mark.stream), 0) for mark in marks)
    done.known += known
    done.added += len(blocks) - known
    store.maintain(now_ns)


def _rows(
    opened: Opened,
    valves: dict[int, str],
    done: Salvaged,
    table: str,
    read: Callable[[Opened, str, int], list[Block]],
) -> Iterator[list[Block]]:
    for number in _numbers(opened.connection, table):
        try:
            row = opened.connection.execute(f"SELECT valve FROM {table} WHERE id = ?", (number,)).fetchone()
            if row is None:
                continue
            blocks = [_with_bursts(opened, block) for block in read(opened, valves[row[0]], number)]
        except _SPOILT:
            done.spoilt += 1
            continue
        yield blocks


def _numbers(connection: sqlite3.Connection, table: str) -> list[int]:
    """Row ids of a table: of its own, or where its pages are spoilt, of its index, or all that there may be."""
    for index in ("NOT INDEXED", f"INDEXED BY {table}_by_time", f"INDEXED BY {table}_by_valve"):
        try:
            return [n for (n,) in connection.execute(f"SELECT id FROM {table} {index} WHERE from_ns > -1 ORDER BY 1")]
        except _SPOILT:
            continue
    pages = int(connection.execute("PRAGMA page_count").fetchone()[0])
    return list(range(1, 100 * pages))


def _single(opened: Opened, valve: str, number: int) -> list[Block]:
    return list(read_singles(opened, valve, [number]).values())


def _with_bursts(opened: Opened, block: Block) -> Block:
    try:
        rows = opened.connection.execute(
            "SELECT channel, unit, start_ns, rate_hz, payload, sequence FROM burst WHERE seq = ? AND stream = "
            "(SELECT id FROM stream WHERE agent = ? AND name = ?) ORDER BY id",
            (block.seq, block.agent, block.stream),
        ).fetchall()
        bursts = tuple(burst_of(*row) for row in rows)
    except _SPOILT:  # the block itself can be read
        return block
    return replace(block, bursts=bursts) if bursts else block
