"""Changes that people make through the dashboard: each with its line of the audit trail, in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from asleft.alarms.events import AlarmEvent
from asleft.store.actor import Actor
from asleft.store.alarm_log import append_events
from asleft.store.audit import note
from asleft.store.engine import reading, writing
from asleft.store.tables import contact as contacts
from sqlalchemy import Engine, select


@dataclass(frozen=True, slots=True)
class Contact:
    """The plant's own spare number and whom to call, for a part of a valve (of every valve where it is empty)."""

    valve: str
    part: str
    spare: str
    contact: str
    who: str
    at_ns: int


class OperatorActions:
    """Over an engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def alarms(self, events: Sequence[AlarmEvent], actor: Actor) -> None:
        """Append what somebody did with one alarm, or with all of one cause: all of it or nothing.

        Raises `AlarmEventConflict` if somebody else was faster with any of them.
        """
        with writing(self._engine, *sorted({f"alarms of {event.valve}" for event in events})) as connection:
            append_events(connection, events)
            for event in events:
                note(connection, actor, event.at_ns, f"alarm {event.event.value}", event.alarm, event.comment)

    def put_contact(self, contact: Contact, actor: Actor) -> None:
        """Add an entry; the newest for a valve and part counts, earlier ones stay."""
        with writing(self._engine) as connection:
            connection.execute(contacts.insert(), asdict(contact))
            where = contact.valve or "every valve"
            note(connection, actor, contact.at_ns, "contact entered", f"{contact.part} of {where}", contact.spare)

    def contact(self, valve: str, part: str) -> Contact | None:
        """What counts for a part of a valve: its own entry before that for every valve; None without any."""
        query = (
            select(contacts)
            .where(contacts.c.part == part, contacts.c.valve.in_([valve, ""]))
            .order_by((contacts.c.valve == "").asc(), contacts.c.number.desc())
            .limit(1)
        )
        with reading(self._engine) as connection:
            row = connection.execute(query).first()
            return None if row is None else Contact(*row[1:])
