"""The append-only alarm log, as rows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.protocols import AlarmEventConflict
from asleft.store.tables import alarm_event
from sqlalchemy import ColumnElement, Connection, Row, case, func, or_, select


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


def events_lately(connection: Connection, since_ns: int) -> list[AlarmEvent]:
    """All events of the alarms that something happened to since then, or that wait for somebody."""
    table = alarm_event

    def last(*kinds: EventKind) -> ColumnElement[int]:
        """Number of the last event of these kinds, 0 without any."""
        return func.max(case((table.c.event.in_([kind.value for kind in kinds]), table.c.seq), else_=0))

    called = last(EventKind.RAISED, EventKind.ESCALATED)
    wanted = (
        select(table.c.alarm)
        .group_by(table.c.alarm)
        .having(
            or_(
                func.max(table.c.at_ns) >= since_ns,
                last(EventKind.RETURNED) < last(EventKind.RAISED),
                last(EventKind.ACKNOWLEDGED, EventKind.FOUND) < called,
            )
        )
    )
    query = select(table).where(table.c.alarm.in_(wanted)).order_by(table.c.at_ns, table.c.alarm, table.c.seq)
    return [event_of(row) for row in connection.execute(query)]


def event_of(row: Row[Any]) -> AlarmEvent:
    """The event in a row."""
    values = dict(row._mapping)
    return AlarmEvent(**{**values, "event": EventKind(values["event"])})
