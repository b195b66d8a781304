"""Making room in a spool that is nearly full, in the order in which things may go."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace

from asleft.wire.block import Block
from asleft.wire.codec import WireError, decode_upload, encode_block

_STEP = 64
"""Rows that go at once, at most; fewer in a small spool."""
FULL = "the spool was full"


@dataclass(slots=True)
class Dropped:
    """What had to go before it was acknowledged."""

    blocks: int = 0
    bursts: int = 0


def make_room(db: sqlite3.Connection, payload_bytes: int, max_pages: int, mark: int) -> Dropped:
    """Free pages, within the caller's transaction, until `payload_bytes` more fit below `max_pages`.

    Order: acknowledged blocks (up to `mark`), bursts, blocks (a gap takes their place), oldest first each. Raises
    `sqlite3.Error`.
    """
    dropped = Dropped()
    page_size = _pragma(db, "page_size")
    # Half-filled pages, the gap table and the index need some air: a sixteenth, at least 24 pages.
    budget = max_pages - max(24, max_pages // 16) - 2 * (payload_bytes // page_size + 1)
    step = max(1, min(_STEP, max_pages // 8))
    while _used(db) > budget:
        if _trim(db, mark, step) or _drop_bursts(db, dropped, step) or _drop_blocks(db, dropped, step):
            continue
        break
    return dropped


def _trim(db: sqlite3.Connection, mark: int, step: int) -> bool:
    query = "DELETE FROM block WHERE seq IN (SELECT seq FROM block WHERE seq <= ? ORDER BY seq LIMIT ?)"
    return db.execute(query, (mark, step)).rowcount > 0


def _drop_bursts(db: sqlite3.Connection, dropped: Dropped, step: int) -> bool:
    rows = db.execute("SELECT seq, payload FROM block WHERE has_burst = 1 ORDER BY seq LIMIT ?", (step,)).fetchall()
    for seq, payload in rows:
        try:
            block = decode_upload(payload)
        except WireError:  # damaged on the disk; delivery finds it and declares it
            block = None
        if isinstance(block, Block):
            dropped.bursts += len(block.bursts)
            payload = encode_block(replace(block, bursts=()))
        db.execute("UPDATE block SET has_burst = 0, payload = ? WHERE seq = ?", (payload, seq))
    return bool(rows)


def _drop_blocks(db: sqlite3.Connection, dropped: Dropped, step: int) -> bool:
    """Give up a run of the oldest blocks at once: many small gaps would in the end fill the spool themselves."""
    first, count = db.execute("SELECT min(seq), count(*) FROM block").fetchone()
    if first is None:
        return False
    last = first + max(step, count // 50) - 1
    (stop,) = db.execute("SELECT min(first) FROM gap WHERE first > ?", (first,)).fetchone()
    if stop is not None:
        last = min(last, stop - 1)
    (last,) = db.execute("SELECT max(seq) FROM block WHERE seq <= ?", (last,)).fetchone()
    dropped.blocks += db.execute("DELETE FROM block WHERE seq <= ?", (last,)).rowcount
    db.execute("INSERT INTO gap VALUES (?, ?, ?)", (first, last, FULL))
    return True


def _used(db: sqlite3.Connection) -> int:
    return _pragma(db, "page_count") - _pragma(db, "freelist_count")


def _pragma(db: sqlite3.Connection, name: str) -> int:
    return int(db.execute(f"PRAGMA {name}").fetchone()[0])
