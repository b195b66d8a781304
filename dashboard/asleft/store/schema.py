"""Tables of the embedded sample file, and how its connections are opened.

One process writes (`synchronous=FULL`: a commit that returned survives a power cut) and is the only one that
checkpoints. Readers open the file read-only.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from asleft.store.copying import CopyError, copy_before

SAMPLES_FILE = "samples.db"
"""Name of the file inside the data folder."""
SCHEMA_VERSION = 2
"""Kept in the file's `user_version`. Version 1 had no runs; the writer brings such a file up to date."""
MINUTE_NS = 60_000_000_000
"""Length of the longer figures, which long overviews read instead of those of single blocks."""

_TABLES = """
CREATE TABLE valve (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    longest_ns INTEGER NOT NULL DEFAULT 0      -- of any block: how far before a span its first block may start
);
CREATE TABLE stream (
    id INTEGER PRIMARY KEY,
    agent TEXT NOT NULL,
    name TEXT NOT NULL,                        -- UUID of the spool that numbered its blocks
    mark INTEGER NOT NULL DEFAULT 0,           -- every seq up to it is stored or declared lost
    declared_gap INTEGER NOT NULL DEFAULT 0,   -- of those, how many are declared lost
    duplicates INTEGER NOT NULL DEFAULT 0,
    last_at_ns INTEGER NOT NULL DEFAULT 0,
    UNIQUE (agent, name)
);
CREATE TABLE gap (                             -- disjoint runs of seqs that are declared lost and not stored
    stream INTEGER NOT NULL REFERENCES stream (id),
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    why TEXT NOT NULL,
    PRIMARY KEY (stream, first)
) WITHOUT ROWID;
CREATE TABLE layout (                          -- names, units and coding of the channels of many blocks alike
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL UNIQUE
);
CREATE TABLE boot (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);
CREATE TABLE block (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    seq INTEGER NOT NULL,
    valve INTEGER NOT NULL REFERENCES valve (id),
    from_ns INTEGER NOT NULL,                  -- first and last reading, wall clock as the agent read it
    to_ns INTEGER NOT NULL,
    wall_ns INTEGER NOT NULL,
    monotonic_ns INTEGER NOT NULL,
    clock_synchronised INTEGER,                -- NULL: the agent's machine does not say
    boot INTEGER NOT NULL REFERENCES boot (id),
    layout INTEGER NOT NULL REFERENCES layout (id),
    size INTEGER NOT NULL,                     -- readings per channel
    marks TEXT,                                -- failed readings; NULL where none failed
    payload BLOB NOT NULL
);
CREATE UNIQUE INDEX block_by_seq ON block (stream, seq);
CREATE INDEX block_by_time ON block (valve, from_ns);
CREATE INDEX block_by_valve ON block (valve, stream, seq, from_ns);
CREATE TABLE run (                             -- blocks one after the other, merged; their rows are gone
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    valve INTEGER NOT NULL REFERENCES valve (id),
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    from_ns INTEGER NOT NULL,
    to_ns INTEGER NOT NULL,
    boot INTEGER NOT NULL REFERENCES boot (id),
    layout INTEGER NOT NULL REFERENCES layout (id),
    blocks INTEGER NOT NULL,
    size INTEGER NOT NULL,                     -- readings per channel, of all blocks
    heads BLOB NOT NULL,                       -- what of each block is its own: numbers, clocks, size
    figures BLOB NOT NULL,                     -- minimum, mean, maximum and count of each channel of each block
    marks TEXT,
    payload BLOB NOT NULL
);
CREATE INDEX run_by_time ON run (valve, from_ns);
CREATE INDEX run_by_valve ON run (valve, stream, first_seq, last_seq);
CREATE TABLE burst (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    seq INTEGER NOT NULL,                      -- of the block it came in
    valve INTEGER NOT NULL REFERENCES valve (id),
    channel TEXT NOT NULL,
    unit TEXT NOT NULL,
    start_ns INTEGER NOT NULL,
    rate_hz REAL NOT NULL,
    sequence INTEGER NOT NULL,
    payload BLOB NOT NULL
);
CREATE INDEX burst_by_time ON burst (valve, start_ns);
CREATE INDEX burst_by_seq ON burst (stream, seq);
CREATE TABLE series (                          -- one channel of one valve
    id INTEGER PRIMARY KEY,
    valve INTEGER NOT NULL REFERENCES valve (id),
    channel TEXT NOT NULL,
    UNIQUE (valve, channel)
);
CREATE TABLE block_figure (                    -- of the readings that did not fail; no row where all failed
    series INTEGER NOT NULL REFERENCES series (id),
    from_ns INTEGER NOT NULL,
    block INTEGER NOT NULL REFERENCES block (id),
    minimum REAL NOT NULL,
    mean REAL NOT NULL,
    maximum REAL NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (series, from_ns, block)
) WITHOUT ROWID;
CREATE TABLE minute_figure (                   -- the same of all blocks that start in one minute
    series INTEGER NOT NULL REFERENCES series (id),
    minute INTEGER NOT NULL,                   -- from_ns / 60 s
    minimum REAL NOT NULL,
    total REAL NOT NULL,                       -- sum of the readings
    maximum REAL NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (series, minute)
) WITHOUT ROWID;
"""


# From version 1: bursts know their block by its number, as blocks are merged.
_FROM_1 = """
ALTER TABLE burst RENAME TO burst_1;
DROP INDEX burst_by_time;
DROP INDEX burst_by_block;
{new_tables}
INSERT INTO burst SELECT burst_1.id, block.stream, block.seq, burst_1.valve, channel, unit, start_ns, rate_hz,
    sequence, burst_1.payload FROM burst_1 JOIN block ON block.id = burst_1.block;
DROP TABLE burst_1
"""


class SchemaError(Exception):
    """A sample file this version cannot use."""


def open_for_writing(path: Path) -> sqlite3.Connection:
    """The one writing connection, in autocommit mode (transactions are begun by name).

    Makes the file and its tables if need be; of an older layout a copy is kept beside it first. Raises `SchemaError`
    for a file of another version, or where no copy can be made.
    """
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=30.0)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA cache_size = -32000")
        if 0 < connection.execute("PRAGMA user_version").fetchone()[0] < SCHEMA_VERSION:
            _keep_copy(path, connection)
        connection.execute("BEGIN IMMEDIATE")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            _run_all(connection, _TABLES)
        elif version == 1:
            first = _TABLES.index("CREATE TABLE run (")
            last = _TABLES.index("CREATE TABLE series (")
            _run_all(connection, _FROM_1.format(new_tables=_TABLES[first:last].strip()))
        else:
            check_version(path, version)
        if version != SCHEMA_VERSION:
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.close()
        raise
    return connection


def _keep_copy(path: Path, connection: sqlite3.Connection) -> None:
    """The file as the program before knew it: the way back. Raises `SchemaError`, and nothing is changed."""
    try:
        copy_before(path, connection.execute("PRAGMA user_version").fetchone()[0])
    except (CopyError, OSError) as error:
        raise SchemaError(f"before the layout is changed a copy is made, and that failed: {error}") from error


def _run_all(connection: sqlite3.Connection, statements: str) -> None:
    for statement in statements.split(";\n"):
        connection.execute(statement)


def open_for_reading(path: Path) -> sqlite3.Connection:
    """A read-only connection, which never checkpoints; the caller looks at its version.

    Raises `sqlite3.OperationalError` if there is no file yet, `SchemaError` for a file of a newer version.
    """
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, check_same_thread=False, timeout=30.0
    )
    try:
        check_version(path, connection.execute("PRAGMA user_version").fetchone()[0])
    except BaseException:
        connection.close()
        raise
    return connection


def check_version(path: Path, version: int) -> None:
    """Refuse a file that a newer version of the program laid out. An older one waits for the writer."""
    if not 0 <= version <= SCHEMA_VERSION:
        raise SchemaError(f"{path}: laid out as version {version}, this program reads version {SCHEMA_VERSION}")
