"""The spool: every block on disk before it is sent, kept until the recorder has it and beyond.

One SQLite file, write-ahead log, `synchronous=FULL`: what `append` has returned for survives a power cut. Its size is
bounded; when room is needed, acknowledged blocks go first, then bursts, then blocks, each oldest first, and blocks
that had to go leave a durable gap that is sent in their place. Gaps never go before they are acknowledged.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from contextlib import suppress
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
        self.agent = agent
        """Whose it is."""
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
            _keep_from_others(file)
            self._open()
        except (OSError, sqlite3.OperationalError) as error:
            raise SpoolError(f"spool {file}: {error} (does another agent use it?)") from error
        except sqlite3.DatabaseError as error:
            self._set_aside(error)
            _keep_from_others(file)
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
            try:
                self._on_disk(self._look_after_reserve)  # it asks the file too, which may be closed or damaged
                return self._on_disk(lambda: self._core.append(blocks, lost))
            except SpoolError as error:
                if not _is_damage(error.__cause__):
                    raise
                self._replace(error)
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

    def begin_anew(self) -> None:
        """The file is an older copy of itself: go on as a new stream. Raises `SpoolError`."""
        with self._lock:
            stream = str(uuid.uuid4())
            logger.error(
                "spool %s is an older copy: what it holds goes out as a new stream (%s), numbered from 1",
                *(self._file, stream),
            )
            self._on_disk(lambda: self._core.begin_anew(stream))

    def acknowledge(self, mark: int) -> None:
        """The recorder has everything up to `mark`.

        Written with the next blocks: after a crash in between, some are sent again and nothing else happens.
        """
        with self._lock:
            self._core.acknowledged = mark

    def last_of_sources(self) -> dict[str, int]:
        """Valve -> time (ns since 1970 UTC) of its last stored reading that has a source's time.

        Kept in the transaction of the block itself, so that after a crash nothing of a source is taken twice.
        """
        with self._lock:
            return self._on_disk(self._core.last_of_sources)

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
            self._core = SpoolCore(self._db, self.agent, self._max_bytes, lambda: str(uuid.uuid4()))
        except BaseException:
            self._db.close()
            raise

    def _on_disk(self, work: Callable[[], T]) -> T:
        """Do it; on a full disk give the reserve back and do it in the room there is. Raises `SpoolError`."""
        try:
            return work()
        except sqlite3.Error as error:
            # Not every error has a code: one of a closed file has none.
            if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_FULL or not self._ballast.give_back():
                raise SpoolError(f"spool {self._file}: {error}") from error
            logger.error("the disk of spool %s is full: going on in the room it has, on the reserve", self._file)
            self.disk_full = True
            self._core.bound_to_present(self._ballast.size_bytes - self._log_bytes)
        try:
            return work()
        except sqlite3.Error as error:
            raise SpoolError(f"spool {self._file}: {error}") from error

    def _replace(self, error: SpoolError) -> None:
        """Set a damaged file aside and go on with a new one, as a new stream. Raises `SpoolError`."""
        try:
            self._db.close()
            self._set_aside(error)
            _keep_from_others(self._file)
            self._open()
        except (OSError, sqlite3.Error) as again:
            raise SpoolError(f"spool {self._file}: {again}") from again

    def _look_after_reserve(self) -> None:
        now_s = time.monotonic()
        if now_s < self._lay_up_at_s:
            return
        self._lay_up_at_s = now_s + _LAY_UP_EVERY_S
        if not self._ballast.lay_up():
            # Also when the process that gave it back was killed: what the log holds must find room in the file.
            self._core.bound_to_present(self._ballast.free_bytes() // 2)
            return
        if self.disk_full:
            logger.warning("the disk of spool %s has room again", self._file)
            self.disk_full = False
        self._core.bound(self._max_bytes)

    def _set_aside(self, error: Exception) -> None:
        """Keep a damaged file for whoever wants to look into it, out of the way of new readings."""
        self.set_aside = self._file.with_name(f"{self._file.name}.damaged-{uuid.uuid4().hex[:8]}")
        logger.error("spool %s is damaged (%s): kept as %s, starting a new one", self._file, error, self.set_aside)
        for ending in ("-wal", "-shm", ""):  # a log that stayed would be played into the new file
            part = self._file.with_name(self._file.name + ending)
            if part.exists():
                part.rename(self.set_aside.with_name(self.set_aside.name + ending))


def _is_damage(error: BaseException | None) -> bool:
    """Whether SQLite says that the file itself is wrong, not the disk or a lock."""
    codes = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return isinstance(error, sqlite3.DatabaseError) and (getattr(error, "sqlite_errorcode", 0) & 0xFF) in codes


def _keep_from_others(file: Path) -> None:
    """Make the file so that only its owner and group may read it, or change it; its journals inherit that."""
    with suppress(OSError):  # whoever opens it reports what is wrong
        os.close(os.open(file, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o640))
        mode = file.stat().st_mode & 0o777
        if mode & 0o007:
            file.chmod(mode & ~0o007)
