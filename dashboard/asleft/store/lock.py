"""One writer of samples per data folder: a lock on a file, released by the system when its process ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

LOCK_FILE = "recorder.lock"
"""Name of the lock file of the one writer of samples."""


class FolderInUse(Exception):  # noqa: N818 - reads as what it says
    """Another process already does this for the data folder."""


class FolderLock:
    """An exclusive lock, held until `release` or the end of the process."""

    def __init__(self, data_dir: Path, name: str = LOCK_FILE, what: str = "recorder") -> None:
        """Take the lock. Raises `FolderInUse` naming the other process if it is taken."""
        self.path = data_dir / name
        self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
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
