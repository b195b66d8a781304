"""Whether a spool could be kept at its place, found out without making it there."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from urllib.parse import quote


def fault_of_place(file: Path, agent: str) -> str:
    """What would keep the present user from keeping the spool of `agent` in `file`; empty if nothing does.

    Nothing is left behind: a file made by whoever checks could be one that the service must not write.
    """
    folder = file.parent
    try:
        if not folder.exists():
            there = next(parent for parent in folder.parents if parent.exists())
            return (
                ""
                if os.access(there, os.W_OK | os.X_OK)
                else f"{folder} cannot be made: {there} is not ours to write"
            )
        with tempfile.TemporaryFile(dir=folder):
            pass
        if file.exists():
            with file.open("r+b"):
                pass
            return _fault_of_owner(file, agent)
    except OSError as error:
        return f"{error.filename or file}: {error.strerror or error}"
    return ""


def _fault_of_owner(file: Path, agent: str) -> str:
    """Whether an agent of another name has it. What is in use at the moment is not looked into."""
    try:
        with closing(sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, timeout=0.1)) as db:
            row = db.execute("SELECT value FROM meta WHERE key = 'agent'").fetchone()
    except sqlite3.OperationalError:
        return ""
    except sqlite3.DatabaseError as error:
        return f"{file}: {error}; it would be set aside, with what waits in it, and a new one begun"
    return "" if row is None or row[0] == agent else f"{file} belongs to agent {row[0]!r}, not to {agent!r}"
