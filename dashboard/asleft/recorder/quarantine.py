"""Where messages go that cannot be used: kept for inspection, counted, and out of the way."""

from __future__ import annotations

import logging
import sqlite3
import threading
from pathlib import Path

from asleft.store.damage import is_damage, keep_from_others, set_aside

log = logging.getLogger(__name__)

QUARANTINE_FILE = "quarantine.db"
"""Name of the file inside the data folder."""
KEPT_MESSAGES = 500
"""The newest so many are kept; the count goes on."""
KEPT_BYTES = 256 * 1024
"""So much of a message is kept."""


class Quarantine:
    """A small file of its own, so that no poisonous message can fill or harm the sample store."""

    def __init__(self, data_dir: Path) -> None:
        """Open or make the file; a damaged one is set aside."""
        self._lock = threading.Lock()
        self._path = data_dir / QUARANTINE_FILE
        try:
            self._open()
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            self._replace(error)

    def put(self, topic: str, payload: bytes, why: str, at_ns: int) -> None:
        """Keep a message durably. Raises `sqlite3.Error` if the disk fails."""
        with self._lock:
            try:
                self._put(topic, payload, why, at_ns)
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                self._replace(error)
                self._put(topic, payload, why, at_ns)

    def count(self) -> int:
        """How many messages have ever been put here, since the file was made."""
        with self._lock:
            row = self._connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'message'").fetchone()
            return 0 if row is None else int(row[0])

    def newest(self, limit: int = 20) -> list[tuple[int, str, str, int, bytes]]:
        """The newest messages: time, topic, why, size as received, payload as kept."""
        with self._lock:
            return self._connection.execute(
                "SELECT at_ns, topic, why, size, payload FROM message ORDER BY id DESC LIMIT ?", (limit,)
            ).fetchall()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    def _open(self) -> None:
        keep_from_others(self._path)
        self._connection = connection = sqlite3.connect(
            self._path, isolation_level=None, check_same_thread=False, timeout=30.0
        )
        try:
            # EXTRA and not FULL: a commit is the deletion of the journal, which FULL does not make durable.
            connection.execute("PRAGMA synchronous = EXTRA")
            # AUTOINCREMENT: numbers are never used again, so that the highest one is the count.
            connection.execute(
                "CREATE TABLE IF NOT EXISTS message (id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, "
                "topic TEXT NOT NULL, why TEXT NOT NULL, size INTEGER NOT NULL, payload BLOB NOT NULL)"
            )
        except BaseException:
            connection.close()
            raise

    def _replace(self, damage: sqlite3.DatabaseError) -> None:
        self._connection.close()
        log.error("%s is damaged (%s): kept as %s, starting anew", self._path, damage, set_aside(self._path).name)
        self._open()

    def _put(self, topic: str, payload: bytes, why: str, at_ns: int) -> None:
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            added = connection.execute(
                "INSERT INTO message (at_ns, topic, why, size, payload) VALUES (?,?,?,?,?)",
                (at_ns, topic, why, len(payload), payload[:KEPT_BYTES]),
            )
            connection.execute("DELETE FROM message WHERE id <= ?", ((added.lastrowid or 0) - KEPT_MESSAGES,))
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
