"""The spool: every block on disk before it is sent, kept until the recorder has it and beyond.

One SQLite file, write-ahead log, `synchronous=FULL`: what `append` has returned for survives a power cut. Its size is
bounded; when room is needed, acknowledged blocks go first, then bursts, then blocks, each oldest first, and blocks
that had to go leave a durable gap that is sent in their place. Gaps never go before they are acknowledged.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from asleft.edge.ballast import BALLAST_BYTES, Ballast
from asleft.edge.spool_core import Item, SpoolCore, SpoolCounters
from asleft.wire.block import Block

__all__ = ["LEAST_BYTES", "Item", "Spool", "SpoolCounters", "SpoolError"]

logger = logging.getLogger(__name__)

LEAST_BYTES = 1024 * 1024
"""Smallest size a spool may be bounded to."""
_LAY_UP_EVERY_S = 60.0

T = TypeVar("T")


class SpoolError(Exception):
    """The spool cannot be used; its text says which file and why."""


class Spool:
    """The spool of one agent. Safe for several threads; the file is this process's alone."""

    def __init__(self, file: Path, agent: str, max_bytes: int, ballast_bytes: int = BALLAST_BYTES) -> None:
        """Open or create it. Raises `SpoolError` if another process holds it or it belongs to another agent.

        A reserve of at most `ballast_bytes`, and no more than a sixteenth of the spool, lies beside it.
        """
        self._agent = agent
        self._lock = threading.Lock()
        self._file = file
        self._max_bytes = max(max_bytes, LEAST_BYTES)
        self._ballast = Ballast(file, min(ballast_bytes, max(LEAST_BYTES, self._max_bytes // 16)))
        self._log_bytes = self._ballast.size_bytes // 2
        self._lay_up_at_s = float("-inf")
        self.disk_full = False
        """The disk has no room: the spool goes on in the room it has, on the reserve."""
        self.set_aside: Path | None = None
        """Where a damaged spool was moved to, so that reading could go on with a new one."""
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            self._open()
        except (OSError, sqlite3.OperationalError) as error:
            raise SpoolError(f"spool {file}: {error} (does another agent use it?)") from error
        except sqlite3.DatabaseError as error:
            self._set_aside(error)
            self._open()
        if self._core.owner != agent:
            self._db.close()
            raise SpoolError(
                f"spool {file} belongs to agent {self._core.owner!r}, not to {agent!r}: name another file"
            )

    def append(self, blocks: Sequence[Block], lost: int = 0) -> int:
        """Number and store blocks durably, in one transaction; the highest sequence number so far.

        `lost` blocks that could not be stored before are declared as a gap ahead of them. Raises `SpoolError` if the
        disk refuses; then nothing has changed.
        """
        with self._lock:
            self._look_after_reserve()
            return self._on_disk(lambda: self._core.append(blocks, lost))

    def items(self, first: int, last: int, limit: int) -> list[Item]:
        """Up to `limit` messages covering first..last in order, without a hole. Raises `SpoolError`.

        Numbers of which nothing is left (acknowledged and trimmed, then asked for again by a recorder restored from
        an older backup) become a durable gap on the spot: the recorder could never get past them otherwise.
        """
        with self._lock:
            return self._on_disk(lambda: self._core.items(first, last, limit))

    def give_up(self, seq: int, why: str) -> Item:
        """Declare a block lost that lies here and can never be sent; the gap in its place. Raises `SpoolError`."""
        with self._lock:
            return self._on_disk(lambda: self._core.give_up(seq, why))

    def acknowledge(self, mark: int) -> None:
        """The recorder has everything up to `mark`.

        Written with the next blocks: after a crash in between, some are sent again and nothing else happens.
        """
        with self._lock:
            self._core.acknowledged = mark

    def counters(self) -> SpoolCounters:
        """How it stands now."""
        with self._lock:
            return self._core.counters()

    @property
    def stream(self) -> str:
        """UUID made when the file was created."""
        return self._core.stream

    @property
    def highest_seq(self) -> int:
        """Highest sequence number given so far."""
        return self._core.highest_seq

    @property
    def acknowledged(self) -> int:
        """The mark."""
        return self._core.acknowledged

    def close(self) -> None:
        """Write the mark and close the file. May be called twice."""
        with self._lock:
            try:
                self._core.write_mark()
            except sqlite3.ProgrammingError:
                return  # closed before
            except sqlite3.Error as error:
                logger.warning("spool %s: the mark could not be written: %s", self._file, error)
            self._db.close()

    def _open(self) -> None:
        self._db = sqlite3.connect(self._file, isolation_level=None, check_same_thread=False, timeout=1.0)
        try:
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute(f"PRAGMA journal_size_limit = {self._log_bytes}")
            page_size = self._db.execute("PRAGMA page_size").fetchone()[0]
            # The log must fit into the reserve, with what one commit adds to it.
            self._db.execute(f"PRAGMA wal_autocheckpoint = {self._log_bytes // (2 * page_size)}")
            self._core = SpoolCore(self._db, self._agent, self._max_bytes, lambda: str(uuid.uuid4()))
        except BaseException:
            self._db.close()
            raise

    def _on_disk(self, work: Callable[[], T]) -> T:
        """Do it; on a full disk give the reserve back and do it in the room there is. Raises `SpoolError`."""
        try:
            return work()
        except sqlite3.Error as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_FULL or not self._ballast.give_back():
                raise SpoolError(f"spool {self._file}: {error}") from error
            logger.error("the disk of spool %s is full: going on in the room it has, on the reserve", self._file)
            self.disk_full = True
            self._core.bound_to_present(self._ballast.size_bytes - self._log_bytes)
        try:
            return work()
        except sqlite3.Error as error:
            raise SpoolError(f"spool {self._file}: {error}") from error

    def _look_after_reserve(self) -> None:
        now_s = time.monotonic()
        if now_s < self._lay_up_at_s:
            return
        self._lay_up_at_s = now_s + _LAY_UP_EVERY_S
        if self._ballast.lay_up() and self.disk_full:
            logger.warning("the disk of spool %s has room again", self._file)
            self.disk_full = False
            self._core.bound(self._max_bytes)

    def _set_aside(self, error: sqlite3.DatabaseError) -> None:
        """Keep a damaged file for whoever wants to look into it, out of the way of new readings."""
        self.set_aside = self._file.with_name(f"{self._file.name}.damaged-{uuid.uuid4().hex[:8]}")
        logger.error("spool %s is damaged (%s): kept as %s, starting a new one", self._file, error, self.set_aside)
        for ending in ("", "-wal", "-shm"):
            part = self._file.with_name(self._file.name + ending)
            if part.exists():
                part.rename(self.set_aside.with_name(self.set_aside.name + ending))
