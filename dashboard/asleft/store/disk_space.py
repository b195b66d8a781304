"""How much room a folder takes and its disk has left."""

from __future__ import annotations

import shutil
from contextlib import suppress
from pathlib import Path


def folder_bytes(folder: Path) -> int:
    """Bytes of all files in a folder, not those of folders in it; a file that goes meanwhile is left out."""
    total = 0
    for path in folder.iterdir():
        with suppress(FileNotFoundError):
            if path.is_file():
                total += path.stat().st_size
    return total


def free_bytes(folder: Path) -> int:
    """Bytes that may still be written to the folder's disk."""
    return shutil.disk_usage(folder).free


def left_on_disk(folder: Path) -> int | None:
    """The same, None where the folder cannot be asked."""
    try:
        return free_bytes(folder)
    except OSError:
        return None
