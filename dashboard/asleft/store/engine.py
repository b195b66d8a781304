"""Connections to the records store: how they are opened, and how a transaction begins.

On SQLite every write transaction begins IMMEDIATE: a deferred one that turns to writing fails at once, without
waiting, when another process writes in between.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, Table, create_engine, event, make_url
from sqlalchemy.dialects import postgresql, sqlite

BUSY_TIMEOUT_MS = 20_000
"""How long a transaction waits for another process to finish its own."""
_WRITES = "asleft_writes"


def make_engine(where: Path | str) -> Engine:
    """An engine for a SQLite file (a path), or for any database SQLAlchemy names (a URL)."""
    url: URL = make_url(where) if isinstance(where, str) and "://" in where else _file_url(Path(where))
    if url.get_backend_name() != "sqlite":
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, pool_size=16, max_overflow=16, connect_args={"check_same_thread": False})
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that only reads."""
    with engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes: committed at the end, undone by an exception."""
    with engine.connect().execution_options(**{_WRITES: True}) as connection, connection.begin():
        yield connection


def insert_ignoring(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    """Insert rows; one whose key is there already is left as it is."""
    if rows:
        connection.execute(_insert(connection, table).on_conflict_do_nothing(), rows)


def insert_replacing(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    """Insert rows; one whose key is there already takes the new values."""
    if rows:
        statement = _insert(connection, table)
        keys = [column.name for column in table.primary_key]
        values = {column.name: statement.excluded[column.name] for column in table.c if column.name not in keys}
        connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=values), rows)


def _insert(connection: Connection, table: Table) -> sqlite.Insert | postgresql.Insert:
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)


def _file_url(path: Path) -> URL:
    path.parent.mkdir(parents=True, exist_ok=True)
    return URL.create("sqlite", database=str(path))


def _on_connect(connection: sqlite3.Connection, _record: object) -> None:
    # The journal stays the rollback journal that new files have. Transactions are begun by _on_begin, not the driver.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA synchronous = FULL")


def _on_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
