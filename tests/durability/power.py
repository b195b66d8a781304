"""Power cuts, simulated: what SQLite writes is recorded beneath it, and disks are made of what had to be on them.

A layer of our own under SQLite (https://www.sqlite.org/vfs.html) passes everything on to the real one and notes every
write, truncation, deletion and sync. After a power cut a file holds all that was written before its last sync, and of
what was written later any part: each sector of 512 bytes by itself is there or not.
"""

from __future__ import annotations

import _sqlite3
import ctypes
import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512
_P, _I, _L = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64
_XOPEN = ctypes.CFUNCTYPE(_I, _P, _P, _P, _I, _P)
_XDELETE = ctypes.CFUNCTYPE(_I, _P, _P, _I)
_XWRITE = ctypes.CFUNCTYPE(_I, _P, _P, _I, _L)
_XTRUNCATE = ctypes.CFUNCTYPE(_I, _P, _L)
_XSYNC = ctypes.CFUNCTYPE(_I, _P, _I)


class _Vfs(ctypes.Structure):
    _fields_ = (
        *(("iVersion", _I), ("szOsFile", _I), ("mxPathname", _I), ("pNext", _P), ("zName", ctypes.c_char_p)),
        *(("pAppData", _P), ("xOpen", _P), ("xDelete", _P)),
        *((f"other{number}", _P) for number in range(14)),
    )


class _Methods(ctypes.Structure):
    _fields_ = (
        *(("iVersion", _I), ("xClose", _P), ("xRead", _P), ("xWrite", _P), ("xTruncate", _P), ("xSync", _P)),
        *((f"other{number}", _P) for number in range(13)),
    )


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done to one file; `what` is write, truncate, sync, delete, or said (an acknowledgement)."""

    what: str
    file: str
    at: int = 0
    data: bytes = b""


_KEPT: list[object] = []
"""Files may be closed long after, by whoever collects the garbage; what SQLite then calls must still be there."""


class Recorder:
    """The layer. One at a time."""

    def __init__(self) -> None:
        """Raises `OSError` where Python's SQLite does not let itself be reached."""
        library = ctypes.CDLL(_sqlite3.__file__)
        try:
            self._register, find = library.sqlite3_vfs_register, library.sqlite3_vfs_find
        except AttributeError as error:
            raise OSError(f"this Python hides its SQLite: {error}") from error
        find.restype = ctypes.POINTER(_Vfs)
        self._register.argtypes = (_P, _I)
        self._real = find(None)
        self._shim = _Vfs.from_buffer_copy(self._real.contents)
        self._shim.zName, self._shim.pNext = b"recorder", None
        self._open, self._delete = _XOPEN(self._real.contents.xOpen), _XDELETE(self._real.contents.xDelete)
        self._hooks = (_XOPEN(self._on_open), _XDELETE(self._on_delete))
        self._shim.xOpen, self._shim.xDelete = (ctypes.cast(hook, _P) for hook in self._hooks)
        self._methods: dict[int, tuple[_Methods, tuple[object, ...]]] = {}
        self._names: dict[int, str] = {}
        self.events: list[Event] = []
        _KEPT.append(self)

    @contextmanager
    def on(self) -> Iterator[None]:
        """Files opened from here on are recorded."""
        self._register(ctypes.addressof(self._shim), 1)
        try:
            yield
        finally:
            self._register(ctypes.cast(self._real, _P), 1)

    def said(self, number: int) -> None:
        """Somebody was told that this is durable."""
        self.events.append(Event("said", "", number))

    def _on_open(self, _vfs: int, name: int | None, file: int, flags: int, out: int) -> int:
        code = self._open(ctypes.cast(self._real, _P), name, file, flags, out)
        pointer = ctypes.cast(file, ctypes.POINTER(_P))
        if code == 0 and name is not None and pointer[0]:
            self._names[file] = _name_at(name)
            pointer[0] = ctypes.addressof(self._wrapped(pointer[0]))
        return code

    def _wrapped(self, methods: int) -> _Methods:
        """A copy of a table of methods in which writing, truncating and syncing are noted; one for each table."""
        if methods not in self._methods:
            copy = _Methods.from_buffer_copy(_Methods.from_address(methods))
            write, truncate, sync = _XWRITE(copy.xWrite), _XTRUNCATE(copy.xTruncate), _XSYNC(copy.xSync)

            def on_write(file: int, data: int, size: int, at: int) -> int:
                self.events.append(Event("write", self._names[file], at, ctypes.string_at(data, size)))
                return write(file, data, size, at)

            def on_truncate(file: int, size: int) -> int:
                self.events.append(Event("truncate", self._names[file], size))
                return truncate(file, size)

            def on_sync(file: int, flags: int) -> int:
                code = sync(file, flags)
                self.events.append(Event("sync", self._names[file]))
                return code

            hooks = (_XWRITE(on_write), _XTRUNCATE(on_truncate), _XSYNC(on_sync))
            copy.xWrite, copy.xTruncate, copy.xSync = (ctypes.cast(hook, _P) for hook in hooks)
            self._methods[methods] = (copy, hooks)
            self._methods[ctypes.addressof(copy)] = (copy, hooks)
        return self._methods[methods][0]

    def _on_delete(self, _vfs: int, name: int, sync_folder: int) -> int:
        code = self._delete(ctypes.cast(self._real, _P), name, sync_folder)
        self.events.append(Event("delete", _name_at(name), sync_folder))
        return code


def _name_at(pointer: int) -> str:
    # SQLite keeps the pointer, so it is passed on as it came and only read here.
    return Path(ctypes.string_at(pointer).decode()).name


def disk_after(events: list[Event], cut: int, rng: random.Random) -> tuple[dict[str, bytes], int]:
    """What files may hold after a power cut behind the first `cut` events, and the highest number said before.

    A deletion lasts once the folder is synced: by itself where SQLite asks for it, else with the first sync of the
    next journal or log, which SQLite's layer for Unix does to the folder as well.
    """
    past = events[:cut]
    said = max((event.at for event in past if event.what == "said"), default=0)
    folder_synced = _last_folder_sync(past)
    files: dict[str, bytearray] = {}
    for name in sorted({event.file for event in past if event.file}):
        own = [(index, event) for index, event in enumerate(past) if event.file == name]
        synced = max((index for index, event in own if event.what == "sync"), default=-1)
        held: bytearray | None = None
        for index, event in own:
            if event.what == "delete":
                lasts = event.at or index < folder_synced or index < synced
                if not lasts and rng.random() < 0.5:
                    break  # undone by the cut: the name stands for the old file, and not for one made later
                held = None
            elif event.what == "truncate":
                if index <= synced or rng.random() < 0.5:
                    held = (held or bytearray())[: event.at]
            elif event.what == "write":
                held = bytearray() if held is None else held
                _write(held, event, None if index <= synced else rng)
        if held is not None:
            files[name] = held
    return {name: bytes(held) for name, held in files.items()}, said


def _last_folder_sync(events: list[Event]) -> int:
    last, old = -1, set()
    for index, event in enumerate(events):
        if event.what == "delete":
            old.discard(event.file)
        elif event.what == "sync" and event.file.endswith(("-journal", "-wal")) and event.file not in old:
            old.add(event.file)
            last = index
    return last


def _write(held: bytearray, event: Event, rng: random.Random | None) -> None:
    """The whole of a write that was synced (`rng` None), else each of its sectors or not."""
    for start in range(0, len(event.data), SECTOR):
        if rng is not None and rng.random() < 0.5:
            continue
        part = event.data[start : start + SECTOR]
        at = event.at + start
        if len(held) < at:
            held.extend(bytes(at - len(held)))
        held[at : at + len(part)] = part
