"""What is known of all valves at once: a page of two hundred valves asks each store a few times, not once a valve."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from asleft.store import tables
from sqlalchemy import Connection, Row, Select, and_, func, or_, select

HOUR_NS = 3_600_000_000_000


class FleetSpans(Protocol):
    """The part of `SampleReader` that speaks of all valves."""

    def all_spans(self) -> Mapping[str, tuple[int, int]]:
        """First and last sample time (ns) of every valve that has samples: `span` of each, of one moment."""
        ...


class FleetJudged(Protocol):
    """The part of `RecordStore` that speaks of what was judged of all valves."""

    def judgements(self) -> Mapping[str, Mapping[str, Any]]:
        """`judgement` of every valve that has one."""
        ...

    def judged_until(self) -> Mapping[str, int]:
        """`judge_cursor` of every valve that has one: the time of the newest reading judged (unix ns)."""
        ...

    def judgements_at(self, at_ns: int) -> Mapping[str, Mapping[str, Any]]:
        """`judgement_at` of every valve with a sheet that has one: without a sheet nothing is ever judged."""
        ...


def latest_bodies(connection: Connection) -> list[tuple[str, str]]:
    """Valve and latest judgement (text of JSON)."""
    table = tables.judgement
    return [(row.valve, row.body) for row in connection.execute(select(table.c.valve, table.c.body))]


def bodies_at(connection: Connection, at_ns: int) -> list[tuple[str, str]]:
    """Valve and last judgement of an hour that ended by then (text of JSON).

    One look into the index for each valve, however many years of hours there are.
    """
    hourly, earlier = tables.judgement_hour, tables.judgement_hour.alias()
    filed = select(tables.sheet.c.valve).distinct().subquery()
    newest = (
        select(func.max(earlier.c.hour))
        .where(earlier.c.valve == filed.c.valve, earlier.c.hour < at_ns // HOUR_NS)
        .scalar_subquery()
    )
    query = select(hourly.c.valve, hourly.c.body).join(
        filed, and_(hourly.c.valve == filed.c.valve, hourly.c.hour == newest)
    )
    return [(row.valve, row.body) for row in connection.execute(query)]


def sheets_then(connection: Connection, at_ns: int) -> list[Row[Any]]:
    """The row in force at a time for every valve that has one: newest by `at`, then number."""
    table, later = tables.sheet, tables.sheet.alias()
    newer = or_(later.c.at_ns > table.c.at_ns, and_(later.c.at_ns == table.c.at_ns, later.c.number > table.c.number))
    superseded = select(later.c.number).where(later.c.valve == table.c.valve, later.c.at_ns <= at_ns, newer).exists()
    query: Select[Any] = select(table).where(table.c.at_ns <= at_ns, ~superseded)
    return list(connection.execute(query))
