"""The audit trail: who changed what, when and from where. Rows are added, never changed; the database refuses it.

Only the oldest may go, where a plant has set a bound: those before the number in `audit_bound`. Each line is also
logged as it is committed (logger `asleft.audit`, level INFO), which is how it gets to a syslog.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.store import tables
from asleft.store.actor import Actor
from asleft.store.engine import afterwards, reading, writing
from sqlalchemy import Connection, Engine, delete, func, select

log = logging.getLogger("asleft.audit")

LEAST_LINES = 1000
"""No bound leaves fewer lines."""

_DAY_NS = 86_400 * 10**9
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


@dataclass(frozen=True, slots=True)
class AuditBound:
    """What is kept: lines not older than `days`, at most `lines` of them; 0 sets no bound."""

    days: int = 0
    lines: int = 0

    @property
    def words(self) -> str:
        """As it is written into the trail."""
        bounds = [f"{self.days} days"] * (self.days > 0) + [f"{self.lines} lines"] * (self.lines > 0)
        return f"kept are {' and at most '.join(bounds)}"


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

    def upon(self, subject: str, actions: Collection[str], after: int) -> list[AuditEntry]:
        """Lines of those actions upon a subject with a number above `after`, newest first, twenty at the most."""
        table = tables.audit
        query = (
            select(table)
            .where(table.c.subject == subject, table.c.number > after, table.c.action.in_(actions))
            .order_by(table.c.number.desc())
            .limit(20)
        )
        with reading(self._engine) as connection:
            return [AuditEntry(*row) for row in connection.execute(query)]

    def shorten(self, bound: AuditBound, actor: Actor, at_ns: int) -> int:
        """Let lines beyond the bound go, oldest first; how many. That some went is a line of its own."""
        table, kept = tables.audit, tables.audit_bound
        with writing(self._engine, "audit bound") as connection:
            oldest, newest = connection.execute(select(func.min(table.c.number), func.max(table.c.number))).one()
            if oldest is None:
                return 0
            first = oldest
            if bound.lines:
                first = max(first, newest - max(bound.lines, LEAST_LINES) + 1)
            if bound.days:
                old = table.c.at_ns < at_ns - bound.days * _DAY_NS
                last_old = connection.execute(select(func.max(table.c.number)).where(old)).scalar()
                first = max(first, min((last_old or 0) + 1, newest - LEAST_LINES + 1))
            if first <= oldest:
                return 0
            connection.execute(delete(kept))
            connection.execute(kept.insert(), {"first_kept": first})
            gone = connection.execute(delete(table).where(table.c.number < first)).rowcount
            note(
                connection, actor, at_ns, "audit trail shortened", f"{gone} lines before number {first}", bound.words
            )
            return gone


def note(connection: Connection, actor: Actor, at_ns: int, action: str, subject: str, details: str = "") -> None:
    """Add a line within a transaction, so that a change and its line are kept or lost together."""
    line: dict[str, int | str] = {
        "at_ns": at_ns,
        "who": actor.who[:_LONGEST],
        "address": actor.address[:64],
        "action": action,
        "subject": subject[:_LONGEST],
        "details": details[:_LONGEST],
    }
    number = connection.execute(tables.audit.insert(), line).inserted_primary_key
    afterwards(connection, lambda: log.info("%s", logged({"number": number[0] if number else 0, **line})))


def logged(line: dict[str, int | str]) -> str:
    """A line as one of a log: key="value" with the escapes of JSON, so that no value can pass for another line."""
    at = datetime.fromtimestamp(int(line["at_ns"]) / 1e9, UTC)
    texts = (f"{key}={json.dumps(line[key])}" for key in ("who", "address", "action", "subject", "details"))
    return f"number={line['number']} at={at:%Y-%m-%dT%H:%M:%SZ} {' '.join(texts)}"
