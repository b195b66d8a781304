"""Locks of a data folder: one writer of samples, one judging process a valve. Released when their process ends."""

from __future__ import annotations

import fcntl
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from asleft.store.damage import keep_from_others

LOCK_FILE = "recorder.lock"
"""Name of the lock file of the one writer of samples."""
JUDGING_LOCK_FILE = "judging.lock"
"""Name of the lock file of the first judging process."""


class FolderInUse(Exception):  # noqa: N818 - reads as what it says
    """Another process already does this for the data folder."""


class FolderLock:
    """An exclusive lock, held until `release` or the end of the process."""

    def __init__(self, data_dir: Path, name: str = LOCK_FILE, what: str = "recorder") -> None:
        """Take the lock. Raises `FolderInUse` naming the other process if it is taken."""
        self.path = data_dir / name
        keep_from_others(self.path)
        self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._fd, 32, 0).decode("ascii", "replace").strip()
            os.close(self._fd)
            raise FolderInUse(
                f"{data_dir} is in use by another {what} (process {holder or 'unknown'}); only one can work on a "
                "data folder, stop the other one first or name another folder"
            ) from None
        os.ftruncate(self._fd, 0)
        os.pwrite(self._fd, f"{os.getpid()}\n".encode("ascii"), 0)

    def release(self) -> None:
        """Give the lock back; harmless when called twice."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class ValveLocks:
    """A lock for each valve of a data folder: a byte of one file, at the checksum of the valve's name.

    Record locks of POSIX (fcntl): held by the process, gone with it. Two valves of one checksum wait for each other,
    which costs a little time and nothing else.
    """

    def __init__(self, data_dir: Path, name: str) -> None:
        self._fd = os.open(data_dir / name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)

    @contextmanager
    def of(self, valve: str) -> Iterator[bool]:
        """Whether the valve is this process's within the block; another process's is left alone."""
        at = zlib.crc32(valve.encode("utf-8"))
        try:
            fcntl.lockf(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, at)
        except OSError:  # EACCES or EAGAIN: taken
            yield False
            return
        try:
            yield True
        finally:
            fcntl.lockf(self._fd, fcntl.LOCK_UN, 1, at)

    def close(self) -> None:
        """Give up all of them; harmless when called twice."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
