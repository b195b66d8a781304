"""A SQLite file copied as it stands at one moment, while others read and write it."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from asleft.store.damage import keep_from_others

_AIR = 1.05  # more room than a file takes: it may grow meanwhile


class CopyError(Exception):
    """A file cannot be copied; the text says which and why."""


def copy(source: Path, to: Path) -> None:
    """Copy by SQLite's online backup and check what was made. Raises `CopyError`."""
    check_room([source], to.parent)
    keep_from_others(to)
    try:
        with (
            closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=60.0)) as live,
            closing(sqlite3.connect(to, isolation_level=None)) as made,
        ):
            live.backup(made)  # all pages in one step: a writer can then not make it begin anew
            said = made.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.Error as error:
        raise CopyError(f"{source}: cannot be copied: {error}") from error
    if said != "ok":
        raise CopyError(f"{source}: is damaged ({said})")
    sync(to)


def copy_before(path: Path, layout: int | str) -> Path:
    """The file as it is, before its layout is changed: beside it, under the layout's name. Raises `CopyError`."""
    kept = path.with_name(f"{path.name}.layout-{layout}")
    if not kept.exists():
        made = path.with_name(f"{kept.name}.part")
        made.unlink(missing_ok=True)
        copy(path, made)
        made.rename(kept)
        sync(path.parent)
    return kept


def check_room(files: list[Path], folder: Path) -> None:
    """Raise `CopyError` unless the folder's disk has room for copies of the files."""
    needed = round(_AIR * sum(_bytes_of(path) for path in files))
    if shutil.disk_usage(folder).free < needed:
        raise CopyError(f"{folder}: its disk has no room for a copy of {needed / 1e6:.0f} MB")


def sync(path: Path) -> None:
    """Have a file or folder on the disk for good."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _bytes_of(path: Path) -> int:
    log = path.with_name(f"{path.name}-wal")
    return path.stat().st_size + (log.stat().st_size if log.exists() else 0)
