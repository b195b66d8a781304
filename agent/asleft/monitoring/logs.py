"""The log of a program: one line for each event, with the journal's priorities where the journal reads it."""

from __future__ import annotations

import argparse
import copy
import logging
import os
import sys
import traceback
from pathlib import Path
from types import TracebackType
from typing import TextIO

LEVELS = ("error", "warning", "info", "debug")
"""What `--log-level` takes, from few lines to many."""

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG_PRIORITY = 7
_ExcInfo = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class OneLine(logging.Formatter):
    """One line for each event, whatever the message holds; an exception with where it passed, innermost first."""

    def formatException(self, ei: _ExcInfo) -> str:  # noqa: N802 - the library's name
        """The exception, its causes, and where each was raised."""
        parts: list[str] = []
        error = ei[1]
        while error is not None and len(parts) < 5:
            places = [
                f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
                for frame in reversed(traceback.extract_tb(error.__traceback__))
            ]
            parts.append(f"{type(error).__name__}: {error} [{' < '.join(places)}]")
            error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
        return ", caused by ".join(parts)

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        own = copy.copy(record)
        own.exc_text = None  # another handler may have left its own form of the exception there
        return " | ".join(line for line in super().format(own).splitlines() if line)


class ForJournal(OneLine):
    """The same behind a priority in angle brackets, as sd-daemon(3) has it; the journal has its own time."""

    def __init__(self) -> None:
        super().__init__("%(name)s: %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """The line, with its priority."""
        priority = next((number for level, number in _PRIORITIES if record.levelno >= level), _DEBUG_PRIORITY)
        return f"<{priority}>{super().format(record)}"


class _ToStandardError(logging.StreamHandler[TextIO]):
    """To standard error as it is when something is logged, as the library's last resort does it."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        """The stream."""
        return sys.stderr


def add_level_argument(parser: argparse.ArgumentParser) -> None:
    """Declare `--log-level` and, for short, `--verbose`."""
    parser.add_argument(
        "--log-level",
        choices=LEVELS,
        default="info",
        metavar="LEVEL",
        help="how much is logged: error, warning, info (default) or debug",
    )
    parser.add_argument(
        "-v", "--verbose", action="store_const", const="debug", dest="log_level", help="the same as --log-level debug"
    )


def configure(level: str, stream: TextIO | None = None) -> None:
    """Log to `stream` (standard error) from `level` on, one of `LEVELS`."""
    handler = _ToStandardError() if stream is None else logging.StreamHandler(stream)
    plain = "%(asctime)s %(levelname)s %(name)s: %(message)s"
    handler.setFormatter(ForJournal() if goes_to_journal(handler.stream) else OneLine(plain))
    root = logging.getLogger()
    root.setLevel(level.upper())
    for before in root.handlers[:]:
        if isinstance(before.formatter, OneLine):  # of an earlier call
            root.removeHandler(before)
    root.addHandler(handler)
    for name in ("pymodbus", "alembic", "apprise"):
        # pymodbus reports every failed try, alembic every step it looks at; apprise would write addresses.
        logging.getLogger(name).setLevel(logging.WARNING if name == "alembic" else logging.CRITICAL)


def level_name() -> str:
    """The level in force, as `--log-level` takes it."""
    now = logging.getLogger().getEffectiveLevel()
    return next((name for name in LEVELS if now >= getattr(logging, name.upper())), "debug")


def goes_to_journal(stream: TextIO) -> bool:
    """Whether the journal reads this stream: JOURNAL_STREAM names its device and inode (systemd.exec(5))."""
    device, colon, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return bool(colon) and (str(found.st_dev), str(found.st_ino)) == (device, inode)
