"""Connections to the records store: how they are opened, and how a transaction begins.

On SQLite every write transaction begins IMMEDIATE: a deferred one that turns to writing fails at once, without
waiting, when another process writes in between. On PostgreSQL writers of different things do not wait for each other:
a transaction names what it reads before it writes, and holds a lock of that name until it ends.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from asleft.store.damage import keep_from_others
from sqlalchemy import URL, Connection, Engine, Table, create_engine, event, make_url, text
from sqlalchemy.dialects import postgresql, sqlite

BUSY_TIMEOUT_MS = 20_000
"""How long a transaction waits for another process to finish its own."""
FROZEN_AFTER_S = 5.0
"""A process that writes and says nothing for so long, in the middle of a transaction, is taken for frozen: PostgreSQL
ends its session, or the rows it has locked would keep others from taking over its agents."""
_WRITES, _AFTERWARDS = "asleft_writes", "asleft_afterwards"
# A server that vanished without a word is noticed in under a minute, not after the system's two hours.
_CONNECT = {"connect_timeout": 10, "keepalives_idle": 15, "keepalives_interval": 5, "keepalives_count": 4}


def make_engine(where: Path | str) -> Engine:
    """An engine for a SQLite file (a path) or a PostgreSQL database (a URL as SQLAlchemy writes them).

    Raises `ValueError` for another kind of database, or a URL that is none.
    """
    url: URL = make_url(where) if isinstance(where, str) and "://" in where else _file_url(Path(where))
    if url.get_backend_name() == "postgresql":
        if url.drivername == "postgresql":  # SQLAlchemy would take a driver that is no longer developed
            url = url.set(drivername="postgresql+psycopg")
        return create_engine(url, pool_size=8, max_overflow=24, pool_pre_ping=True, connect_args=_CONNECT)
    if url.get_backend_name() != "sqlite":
        raise ValueError(f"{url.get_backend_name()} cannot keep records: a file or postgresql://... is expected")
    engine = create_engine(url, pool_size=16, max_overflow=16, connect_args={"check_same_thread": False})
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that only reads, and sees the store as it was at one moment."""
    with engine.connect() as connection:
        if connection.dialect.name == "postgresql":
            connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        with connection.begin():
            yield connection


@contextmanager
def writing(engine: Engine, *names: str, frozen_after_s: float | None = None) -> Iterator[Connection]:
    """A transaction that writes: committed at the end, undone by an exception.

    `names` say what it reads before it writes (the sheets of a valve, say): two transactions with a name in common
    run one after the other, on SQLite any two. `frozen_after_s`: instead of `FROZEN_AFTER_S`.
    """
    silence_s = FROZEN_AFTER_S if frozen_after_s is None else frozen_after_s
    with engine.connect().execution_options(**{_WRITES: True}) as connection:
        connection.info[_AFTERWARDS] = acts = list[Callable[[], None]]()
        with connection.begin():
            if connection.dialect.name == "postgresql":
                silence = f"SET LOCAL idle_in_transaction_session_timeout = {round(silence_s * 1000)}"
                connection.exec_driver_sql(silence)
                for key in sorted({_lock_key(name) for name in names}):  # in one order, lest two wait for each other
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": key})
            yield connection
    for act in acts:
        act()


def afterwards(connection: Connection, act: Callable[[], None]) -> None:
    """Have something done once the transaction of `writing` is committed, and never if it is not."""
    acts: list[Callable[[], None]] = connection.info.setdefault(_AFTERWARDS, [])
    acts.append(act)


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


def _lock_key(name: str) -> int:
    """64 signed bits of a name's hash. Two names of one key only wait for one another without need."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big", signed=True)


def _insert(connection: Connection, table: Table) -> sqlite.Insert | postgresql.Insert:
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)


def _file_url(path: Path) -> URL:
    path.parent.mkdir(parents=True, exist_ok=True)
    keep_from_others(path)  # password hashes are in it
    return URL.create("sqlite", database=str(path))


def _on_connect(connection: sqlite3.Connection, _record: object) -> None:
    # The journal stays the rollback journal that new files have. Transactions are begun by _on_begin, not the driver.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    # EXTRA and not FULL: a commit is the deletion of the journal, which FULL does not make durable.
    connection.execute("PRAGMA synchronous = EXTRA")


def _on_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
