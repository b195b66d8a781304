"""What this machine says about its clock and its start."""

from __future__ import annotations

import time
import uuid
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNC_FOLDER = Path("/run/systemd/timesync")


def boot_id(file: Path = _BOOT_ID) -> str:
    """Id of the current start of the machine; where the system gives none, one for this process.

    Monotonic times compare only within one boot id, so a fresh one for each process is always safe.
    """
    try:
        return str(uuid.UUID(file.read_text().strip()))
    except (OSError, ValueError):
        return str(uuid.uuid4())


def clock_synchronised(folder: Path = _SYNC_FOLDER) -> bool | None:
    """Whether the wall clock is synchronised, as systemd-timesyncd notes it; None where nothing says so."""
    try:
        if (folder / "synchronized").exists():
            return True
        return False if folder.is_dir() else None
    except OSError:
        return None


def wall_ns() -> int:
    """Wall clock, ns since 1970 UTC."""
    return time.time_ns()


def monotonic_ns() -> int:
    """Monotonic clock, ns."""
    return time.monotonic_ns()
