"""What says that a store cannot be reached, read or written, and not that a statement of ours is wrong."""

from __future__ import annotations

import sqlite3

from asleft.store.damage import StoreReplaced
from asleft.store.protocols import StoreUnavailable
from asleft.store.schema import SchemaError
from sqlalchemy.exc import DatabaseError, DBAPIError, InterfaceError, InternalError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

TROUBLE: tuple[type[Exception], ...] = (
    *(OperationalError, InterfaceError, InternalError, DatabaseError, PoolTimeout),
    *(sqlite3.Error, SchemaError, StoreReplaced, OSError),
)
SAMPLES_TROUBLE: tuple[type[Exception], ...] = (sqlite3.Error, SchemaError, StoreReplaced, StoreUnavailable)
"""What reading samples raises while they cannot be read, of whichever store."""
_OURS = ("IntegrityError", "DataError", "ProgrammingError", "NotSupportedError")


def is_away(error: Exception) -> bool:
    """Whether it means that a store is not there, rather than that a statement is wrong."""
    return isinstance(error, TROUBLE) and type(error).__name__ not in _OURS


def plain(error: Exception) -> str:
    """What the store says, on one line, without the statement that was asked."""
    cause: BaseException = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    text = " ".join(str(cause).split()) or type(cause).__name__
    if isinstance(cause, OSError) and not isinstance(cause, StoreUnavailable) and cause.strerror:
        text = f"{cause.strerror}{f': {cause.filename}' if cause.filename else ''}"
    return text[:300]
