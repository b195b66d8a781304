"""The audit trail: who changed what, when and from where. Rows are added, never changed; the database refuses it."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.store import tables
from asleft.store.actor import Actor
from asleft.store.engine import reading, writing
from sqlalchemy import Connection, Engine, select

_LONGEST = 500
"""Characters kept of a subject or of details: part of it comes from whoever knocks."""


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One line of the trail. `at_ns` is unix ns; `subject` is what was acted upon."""

    number: int
    at_ns: int
    who: str
    address: str
    action: str
    subject: str
    details: str


class AuditTrail:
    """The trail in the records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def add(self, actor: Actor, at_ns: int, action: str, subject: str, details: str = "") -> None:
        """Add a line by itself. A change that has a transaction of its own uses `note` within it."""
        with writing(self._engine) as connection:
            note(connection, actor, at_ns, action, subject, details)

    def newest(self, limit: int, *, before: int | None = None) -> list[AuditEntry]:
        """At most `limit` lines, newest first; with `before`, only those with a smaller number."""
        table = tables.audit
        query = select(table).order_by(table.c.number.desc()).limit(limit)
        if before is not None:
            query = query.where(table.c.number < before)
        with reading(self._engine) as connection:
            return [AuditEntry(*row) for row in connection.execute(query)]


def note(connection: Connection, actor: Actor, at_ns: int, action: str, subject: str, details: str = "") -> None:
    """Add a line within a transaction, so that a change and its line are kept or lost together."""
    connection.execute(
        tables.audit.insert(),
        {
            "at_ns": at_ns,
            "who": actor.who[:_LONGEST],
            "address": actor.address[:64],
            "action": action,
            "subject": subject[:_LONGEST],
            "details": details[:_LONGEST],
        },
    )
