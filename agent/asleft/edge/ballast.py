"""A reserve on the disk, given back when the disk is full, so that the spool can go on in the room it has.

On a full disk SQLite can neither delete nor fold its write-ahead log into the file. The reserve is as large as that
log may grow and some more.
"""

from __future__ import annotations

import logging
import os
from pathlib import Path

logger = logging.getLogger(__name__)

BALLAST_BYTES = 8 * 1024 * 1024
"""Size of the reserve: twice what the write-ahead log takes between two checkpoints."""
_AIR = 4  # so many times its own size must be free before the reserve is laid up again


class Ballast:
    """The file `<spool>.ballast`."""

    def __init__(self, spool: Path, size_bytes: int = BALLAST_BYTES) -> None:
        self._file = spool.with_name(spool.name + ".ballast")
        self.size_bytes = size_bytes
        """Size of the reserve."""

    @property
    def there(self) -> bool:
        """Whether the reserve is laid up."""
        try:
            return self._file.stat().st_size >= self.size_bytes
        except OSError:
            return False

    def free_bytes(self) -> int:
        """Room on its disk; 0 where that cannot be asked."""
        try:
            disk = os.statvfs(self._file.parent)
        except OSError:
            return 0
        return disk.f_bavail * disk.f_frsize

    def lay_up(self) -> bool:
        """Make the reserve where the disk has room for it and more; whether it is there now."""
        if self.there:
            return True
        try:
            if self.free_bytes() < _AIR * self.size_bytes:
                return False
            with self._file.open("wb") as file:
                # Real bytes: a sparse file would hold no room.
                zeros = bytes(1024 * 1024)
                for start in range(0, self.size_bytes, len(zeros)):
                    file.write(zeros[: self.size_bytes - start])
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            logger.warning("no reserve for the spool: %s", error)
            self.give_back()
            return False
        return True

    def give_back(self) -> bool:
        """Delete the reserve; whether that freed anything."""
        try:
            self._file.unlink()
        except OSError:
            return False
        return True
