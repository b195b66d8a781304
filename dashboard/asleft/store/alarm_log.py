"""The append-only alarm log, as rows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.protocols import AlarmEventConflict
from asleft.store.tables import alarm_event
from sqlalchemy import Connection, Row, select


def append_events(connection: Connection, events: Iterable[AlarmEvent]) -> None:
    """Append; an identical repetition is ignored. Raises `AlarmEventConflict`."""
    for event in events:
        row = connection.execute(
            select(alarm_event).where(alarm_event.c.alarm == event.alarm, alarm_event.c.seq == event.seq)
        ).first()
        if row is None:
            connection.execute(alarm_event.insert(), {**asdict(event), "event": event.event.value})
        elif event_of(row) != event:
            raise AlarmEventConflict(
                f"alarm {event.alarm}: event {event.seq} is on record as {row.event!r} by {row.who!r}, "
                f"not as {event.event.value!r} by {event.who!r}"
            )


def event_of(row: Row[Any]) -> AlarmEvent:
    """The event in a row."""
    values = dict(row._mapping)
    return AlarmEvent(**{**values, "event": EventKind(values["event"])})
