"""Copies of a data folder made while it is in use, and putting them back.

SQLite's own online backup copies each file as it stands at one moment. Records come first: what they say was judged
is then never ahead of the readings, so that judging goes on after a restore without a gap. What agents sent after the
copy they send again, because a recorder that knows less than they believe tells them so.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from asleft.store.copying import CopyError, check_room, copy, sync
from asleft.store.damage import is_damage, keep_from_others, set_aside
from asleft.store.lock import JUDGING_LOCK_FILE, FolderLock
from asleft.store.migrate import HEAD, known_versions
from asleft.store.records import RECORDS_FILE
from asleft.store.schema import SAMPLES_FILE, SCHEMA_VERSION

FORMAT, VERSION = "asleft-backup", 1
MANIFEST = "backup.json"
FILES = (RECORDS_FILE, SAMPLES_FILE, "quarantine.db")
"""What a data folder may hold, in the order in which it is copied."""


class BackupError(Exception):
    """A backup cannot be made or used; the text says what and why."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that is whole."""

    folder: Path
    at: datetime
    files: Mapping[str, str]  # name -> SHA-256 of its bytes
    versions: Mapping[str, str]  # of the program, and of the layout of records and samples


def back_up(data_dir: Path, to: Path, program: str) -> Backup:
    """Copy what is in a data folder into a new folder; all processes may go on meanwhile.

    Raises `BackupError`: there is nothing, no room, a file that is damaged, a folder that is not empty.
    """
    names = [name for name in FILES if (data_dir / name).exists()]
    if not names:
        raise BackupError(f"{data_dir}: there is no {' and no '.join(FILES[:2])} in it")
    try:
        to.mkdir(parents=True, exist_ok=True, mode=0o700)
        if any(to.iterdir()):
            raise BackupError(f"{to}: is not empty; name a new folder for each backup")
        check_room([data_dir / name for name in names], to)
        for name in names:
            copy(data_dir / name, to / name)
        made = Backup(
            to,
            datetime.now(UTC),
            {name: _digest(to / name) for name in names},
            {"program": program, **_layouts(to)},
        )
        _write(to / MANIFEST, made)
    except CopyError as error:
        raise BackupError(f"{error}; backups made before this one are as good as they were") from error
    except OSError as error:
        raise BackupError(f"{error.filename or to}: {error.strerror}") from error
    return made


def read_backup(folder: Path) -> Backup:
    """The backup in a folder, every file checked. Raises `BackupError`."""
    path = folder / MANIFEST
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        found = Backup(folder, datetime.fromisoformat(said["at"]), dict(said["files"]), dict(said["versions"]))
        if (said["format"], said["version"]) != (FORMAT, VERSION):
            raise BackupError(f"{path}: is {said['format']} version {said['version']}; this program reads {VERSION}")
        for name, digest in found.files.items():
            if name not in FILES or _digest(folder / name) != digest:
                raise BackupError(f"{folder / name}: is not what was backed up")
    except OSError as error:
        raise BackupError(f"{error.filename}: {error.strerror}; a backup without {MANIFEST} is not whole") from error
    except (ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{path}: cannot be understood: {error}") from error
    samples, records = found.versions.get("samples", "0"), found.versions.get("records", HEAD)
    if int(samples) > SCHEMA_VERSION or records not in known_versions():
        raise BackupError(f"{folder}: was made by a newer program ({found.versions.get('program', 'unknown')})")
    return found


def restore(backup: Backup, data_dir: Path) -> Path:
    """Put a backup in place of what is in a data folder; the folder inside it where that is kept.

    Recorder and judging must not run. The dashboard may: records are written into the file that it has open. Raises
    `FolderInUse`, `BackupError`.
    """
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        with _alone(data_dir):
            kept = data_dir / f"before-restore-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}"
            kept.mkdir(mode=0o700)
            for name in FILES:
                _put_back(backup, name, data_dir / name, kept)
    except OSError as error:
        raise BackupError(f"{error.filename or data_dir}: {error.strerror}") from error
    except (sqlite3.Error, CopyError) as error:
        raise BackupError(f"{data_dir}: cannot be restored: {error}; what was there is in {kept}") from error
    return kept


def _put_back(backup: Backup, name: str, place: Path, kept: Path) -> None:
    if place.exists() and name == RECORDS_FILE:
        try:
            copy(place, kept / name)
        except CopyError as error:
            if not is_damage(error.__cause__ or error):
                raise
            _move(place, kept)
    elif place.exists():
        _move(place, kept)
    if name not in backup.files:
        return
    keep_from_others(place)
    if name == RECORDS_FILE:  # into the file that others may have open
        with closing(sqlite3.connect(backup.folder / name)) as from_, closing(sqlite3.connect(place)) as to:
            from_.backup(to)
    else:
        made = place.with_name(f"{place.name}.restoring")
        shutil.copyfile(backup.folder / name, made)
        made.chmod(0o640)
        sync(made)
        made.rename(place)
    sync(place.parent)


def _move(place: Path, kept: Path) -> None:
    """A file with its journals; the journals first, lest one stays beside another file."""
    aside = set_aside(place)
    for path in sorted(place.parent.glob(f"{aside.name}*"), reverse=True):
        path.rename(kept / (place.name + path.name.removeprefix(aside.name)))


@contextmanager
def _alone(data_dir: Path) -> Iterator[None]:
    """Keep recorder and judging out. Raises `FolderInUse`."""
    recorder = FolderLock(data_dir)
    try:
        judging = FolderLock(data_dir, JUDGING_LOCK_FILE, "judging process")
        try:
            yield
        finally:
            judging.release()
    finally:
        recorder.release()


def _layouts(folder: Path) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, key, query in (
        (SAMPLES_FILE, "samples", "PRAGMA user_version"),
        (RECORDS_FILE, "records", "SELECT version_num FROM alembic_version"),
    ):
        if (folder / name).exists():
            with closing(sqlite3.connect(folder / name)) as connection:
                found[key] = str(connection.execute(query).fetchone()[0])
    return found


def _write(path: Path, backup: Backup) -> None:
    """Last of all, and under its name only when whole: a folder without it is no backup."""
    said: Mapping[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "at": backup.at.isoformat(timespec="seconds"),
        "files": dict(backup.files),
        "versions": dict(backup.versions),
    }
    made = path.with_suffix(".part")
    made.write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")
    sync(made)
    made.rename(path)
    sync(path.parent)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
