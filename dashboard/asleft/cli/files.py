"""Reading small text files a user names, with readable errors."""

from __future__ import annotations

from pathlib import Path

from asleft.cli.errors import UserError


def read_text(path: Path) -> str:
    """The text of a file (UTF-8, with or without byte order mark).

    Raises:
        UserError: it is not there, not readable, or not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise UserError(f"{path}: line {line}: not UTF-8; save the file as UTF-8 text") from error
