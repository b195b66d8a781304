"""A folder into which loggers drop files: which are finished, which were judged already, and where they go then.

A file is finished when size, time of change and inode have stayed the same for a while, however the logger writes: in
place, under another name that is changed at the end, over a network share that tells nobody of changes. What was
judged is one table, `judgements.csv`, with the SHA-256 of the file: a line there is the fact that a file was judged,
and a file with the same bytes is not judged again, under whatever name it comes.
"""

from __future__ import annotations

import csv
import fcntl
import hashlib
import io
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

TABLE = "judgements.csv"
DONE, FAILED = "done", "failed"
_LOCK = ".asleft-inbox.lock"
_UNFINISHED = frozenset({".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".lock", ".swp"})
_CHUNK = 1 << 20
_HASH = "sha256"

Mark = tuple[int, int, int]
"""Size in bytes, time of change in ns and inode of a file."""


class InboxError(Exception):
    """The folder cannot be used; the text says which and why."""


class Steady:
    """Which files have stayed the same for `settle_s`. Pure; times are monotonic seconds."""

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._seen: dict[str, tuple[Mark, float]] = {}

    def finished(self, present: Mapping[str, Mark], now_s: float) -> list[str]:
        """Names that are finished now, those that were changed longest ago first."""
        self._seen = {
            name: known if (known := self._seen.get(name)) is not None and known[0] == mark else (mark, now_s)
            for name, mark in present.items()
        }
        ready = [name for name, (_, since_s) in self._seen.items() if now_s - since_s >= self._settle_s]
        return sorted(ready, key=lambda name: (present[name][1], name))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a file. `rows`: lines of the table, each with the same columns; `error`: why it was not read."""

    rows: Sequence[Mapping[str, str]]
    result: str = ""
    """Text of the file that is laid beside it, JSON."""
    error: str = ""


class Inbox:
    """One folder, held by one process. Raises `InboxError` if it is none, cannot be written, or another has it."""

    def __init__(self, folder: Path, settle_s: float, columns: Sequence[str]) -> None:
        """`columns`: of the table, beside file name and hash."""
        self.folder = folder
        self._columns = (*columns, "judged_at", _HASH)
        self._steady = Steady(settle_s)
        self._stuck: dict[str, Mark] = {}
        if not folder.is_dir():
            raise InboxError(f"{folder}: no folder")
        try:
            self._lock = os.open(folder / _LOCK, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o640)
            for name in (DONE, FAILED):
                (folder / name).mkdir(exist_ok=True)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InboxError(f"{folder}: another asleft inbox is at work here") from error
        except OSError as error:
            raise InboxError(f"{folder}: cannot be written: {error.strerror}") from error
        self._judged = self._read_table()

    def close(self) -> None:
        """Let go of the folder."""
        os.close(self._lock)

    def finished(self, now_s: float) -> list[Path]:
        """Files that are finished, oldest first. Raises `OSError` if the folder cannot be read."""
        present = {path.name: mark for path in self._files() if (mark := _mark(path)) is not None}
        self._stuck = {name: mark for name, mark in self._stuck.items() if present.get(name) == mark}
        return [self.folder / name for name in self._steady.finished(present, now_s) if name not in self._stuck]

    def waiting(self) -> int:
        """How many files lie here that are not dealt with, finished or not."""
        return sum(path.name not in self._stuck for path in self._files())

    def deal_with(self, path: Path, judge: Callable[[Path], Outcome], now: str) -> Outcome | None:
        """Judge a file and put it away; None if it changed meanwhile and is looked at again later.

        The result is written first, then the line of the table, then the file is moved: stopped anywhere between, the
        next run goes on from there. A file with bytes that were judged is moved without a judgement.
        Raises `OSError` if something cannot be written; the file then stays and is left alone until it changes.
        """
        mark = _mark(path)
        if mark is None:
            return None
        self._stuck[path.name] = mark
        digest = _digest(path)
        before = self._judged.get(digest)
        if before is not None:
            outcome = Outcome((), error="" if before == path.name else f"the same bytes were judged as {before}")
            self._move(path, DONE, f"{outcome.error}\n" if outcome.error else "", ".reason.txt")
            return outcome
        outcome = judge(path)
        if _mark(path) != mark:
            del self._stuck[path.name]
            return None
        if outcome.error:
            self._add_rows(outcome.rows, now, "")
            self._move(path, FAILED, f"{outcome.error}\n", ".reason.txt")
            return outcome
        target = self._free_name(path, DONE)
        _write_whole(target.with_name(target.name + ".json"), outcome.result)
        self._add_rows(outcome.rows, now, digest)
        self._judged[digest] = path.name
        path.rename(target)
        del self._stuck[path.name]
        return outcome

    def _files(self) -> list[Path]:
        return [
            path
            for path in self.folder.iterdir()
            if not path.name.startswith((".", "~"))
            and path.name != TABLE
            and path.suffix.lower() not in _UNFINISHED
            and path.is_file()
            and not path.is_symlink()
        ]

    def _move(self, path: Path, where: str, text: str, ending: str) -> None:
        target = self._free_name(path, where)
        if text:
            _write_whole(target.with_name(target.name + ending), text)
        path.rename(target)
        self._stuck.pop(path.name, None)

    def _free_name(self, path: Path, where: str) -> Path:
        target, number = self.folder / where / path.name, 1
        while target.exists():
            number += 1
            target = self.folder / where / f"{path.stem}-{number}{path.suffix}"
        return target

    def _read_table(self) -> dict[str, str]:
        """Hash -> name of what was judged. A line that was cut off by a crash is taken away."""
        table = self.folder / TABLE
        try:
            raw = table.read_bytes()
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise InboxError(f"{table}: cannot be read: {error.strerror}") from error
        whole = raw[: raw.rfind(b"\n") + 1]
        if len(whole) < len(raw):
            os.truncate(table, len(whole))
        rows = csv.DictReader(io.StringIO(whole.decode("utf-8-sig", "replace"), newline=""))
        if whole and tuple(rows.fieldnames or ()) != self._columns:
            raise InboxError(f"{table}: has other columns than {', '.join(self._columns)}: move it away")
        return {row[_HASH]: row["file"] for row in rows if row[_HASH]}

    def _add_rows(self, rows: Sequence[Mapping[str, str]], now: str, digest: str) -> None:
        out = io.StringIO(newline="")
        writer = csv.DictWriter(out, self._columns, lineterminator="\r\n")
        table = self.folder / TABLE
        if not table.exists() or table.stat().st_size == 0:
            writer.writeheader()
        writer.writerows({**row, "judged_at": now, _HASH: digest} for row in rows)
        # In one go and on disk before the file moves: the line is what says that the file was judged.
        with table.open("ab") as file:
            file.write(out.getvalue().encode())
            file.flush()
            os.fsync(file.fileno())


def _mark(path: Path) -> Mark | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _write_whole(path: Path, text: str) -> None:
    """All of it or nothing, also when power fails in between."""
    beside = path.with_name(f".{path.name}.part")
    with beside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
