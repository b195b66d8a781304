"""Files that cannot be used any more: told by SQLite's own result codes, set aside under a name, never deleted."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

MARK = ".damaged-"
"""Between a file's name and the time at which it was set aside."""
CHECK_WANTED = ".check-wanted"
"""After the name of a file in which a reader met damage; the writer looks into it."""
_WITH = ("-wal", "-shm", "-journal", "")
_CODES = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class StoreReplaced(Exception):  # noqa: N818 - reads as what it says
    """The file was damaged and is set aside; a fresh one is in use. Nothing of the call is stored: repeat it."""


def is_damage(error: BaseException) -> bool:
    """Whether SQLite says that the file itself is wrong, not the disk, a lock or a statement."""
    return isinstance(error, sqlite3.DatabaseError) and (getattr(error, "sqlite_errorcode", 0) & 0xFF) in _CODES


def set_aside(path: Path) -> Path:
    """Rename a database with its journals; its new name. Raises `OSError`.

    The journals go first: one that stayed behind would be played into the fresh file.
    """
    at = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside = path.with_name(f"{path.name}{MARK}{at}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}{MARK}{at}-{number}")
    for ending in _WITH:
        with suppress(FileNotFoundError):
            path.with_name(path.name + ending).rename(aside.with_name(aside.name + ending))
    return aside


def damaged_files(folder: Path) -> list[str]:
    """Names of the databases that lie set aside in a folder, oldest first."""
    with suppress(FileNotFoundError):
        return sorted(
            (path.name for path in folder.glob(f"*{MARK}*") if not path.name.endswith(_WITH[:3])),
            key=lambda name: name.partition(MARK)[2],
        )
    return []


def request_check(path: Path) -> None:
    """Ask the writer of a file to look into it. A reader that may not write here leaves it to others."""
    with suppress(OSError):
        path.with_name(path.name + CHECK_WANTED).touch()


class IntegrityCheck:
    """Looks through a file for which a check is wanted, beside all other work. For one thread at a time."""

    def __init__(self, path: Path, opener: Callable[[Path], sqlite3.Connection]) -> None:
        self._path, self._opener = path, opener
        self._sign = path.with_name(path.name + CHECK_WANTED)
        self._at_work: threading.Thread | None = None
        self._found: sqlite3.DatabaseError | None = None

    def found(self) -> sqlite3.DatabaseError | None:
        """The damage that was found. Begins to look where a check is wanted."""
        if self._found is None and self._at_work is None and self._sign.exists():
            self._at_work = threading.Thread(target=self._look, name="looks into damage", daemon=True)
            self._at_work.start()
        return self._found

    def forget(self) -> None:
        """The file was replaced."""
        self._found = None
        with suppress(OSError):
            self._sign.unlink()

    def _look(self) -> None:
        try:
            connection = self._opener(self._path)
            try:
                said = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            finally:
                connection.close()
            if said != "ok":
                self._found = sqlite3.DatabaseError(said)
        except sqlite3.DatabaseError as error:
            if is_damage(error):
                self._found = error
        if self._found is None:
            with suppress(OSError):
                self._sign.unlink()
        self._at_work = None


def keep_from_others(path: Path) -> None:
    """Make a file that only its owner and group may read, or make it so; what SQLite lays beside it inherits that.

    What cannot be made or changed here is for whoever opens the file to report.
    """
    with suppress(OSError):
        os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o640))
        mode = path.stat().st_mode & 0o777
        if mode & 0o007:
            path.chmod(mode & ~0o007)
