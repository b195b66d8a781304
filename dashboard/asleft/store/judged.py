"""What judging leaves behind, inside one transaction: cursor, judgements, machine states, points, alarm events."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from asleft.judge.types import StateInterval
from asleft.store import tables
from asleft.store.alarm_log import append_events
from asleft.store.engine import insert_replacing
from asleft.store.fleet import HOUR_NS
from asleft.store.protocols import JudgeCursor, JudgeStep
from sqlalchemy import Connection, delete, select, update

TOUCHING_NS = 1_000_000_000
"""Intervals this close belong together: between two judge steps lies one sampling period."""


def moves_forward(old: Mapping[str, int], new: Mapping[str, int]) -> bool:
    """Whether no stream goes back or is missing, and at least one advances."""
    return all(new.get(stream, -1) >= seq for stream, seq in old.items()) and any(
        seq > old.get(stream, 0) for stream, seq in new.items()
    )


def read_cursor(connection: Connection, valve: str) -> JudgeCursor | None:
    """Where judging of a valve stands."""
    row = connection.execute(select(tables.judge_cursor).where(tables.judge_cursor.c.valve == valve)).first()
    if row is None:
        return None
    return JudgeCursor(valve, json.loads(row.streams), row.judge_version, row.sheet_number, row.at_ns, row.state)


def write_step(connection: Connection, step: JudgeStep) -> None:
    """Everything of one judge step. Nothing if its cursor does not move forward. Raises `AlarmEventConflict`."""
    found = read_cursor(connection, step.valve)
    if not moves_forward(found.cursor if found is not None else {}, step.cursor):
        return
    append_events(connection, step.alarm_events)
    cursor = {
        "valve": step.valve,
        "streams": json.dumps(dict(step.cursor), sort_keys=True),
        "judge_version": step.judge_version,
        "sheet_number": step.sheet_number,
        "at_ns": step.at_ns,
        "state": step.state,
    }
    insert_replacing(connection, tables.judge_cursor, [cursor])
    if step.judgement:
        latest = {"valve": step.valve, "at_ns": step.at_ns, "body": json.dumps(dict(step.judgement), allow_nan=False)}
        insert_replacing(connection, tables.judgement, [latest])
        insert_replacing(connection, tables.judgement_hour, [{**latest, "hour": step.at_ns // HOUR_NS}])
    _append_intervals(connection, step.valve, step.intervals)
    points = {
        (point.quantity, to_ns(point.at_s)): {
            "valve": step.valve,
            "quantity": point.quantity,
            "at_ns": to_ns(point.at_s),
            "value": point.value,
            "standard_uncertainty": point.standard_uncertainty,
        }
        for point in step.points
    }
    insert_replacing(connection, tables.chart_point, list(points.values()))


def reset(connection: Connection, valve: str, from_ns: int | None) -> None:
    """Forget what was judged from `from_ns` on, or all of it."""
    for table in (tables.judge_cursor, tables.judgement):
        connection.execute(delete(table).where(table.c.valve == valve))
    interval, point, hourly = tables.state_interval, tables.chart_point, tables.judgement_hour
    if from_ns is None:
        for table in (interval, point, hourly):
            connection.execute(delete(table).where(table.c.valve == valve))
        return
    connection.execute(delete(interval).where(interval.c.valve == valve, interval.c.from_ns >= from_ns))
    connection.execute(
        update(interval).where(interval.c.valve == valve, interval.c.to_ns > from_ns).values(to_ns=from_ns)
    )
    connection.execute(delete(point).where(point.c.valve == valve, point.c.at_ns >= from_ns))
    connection.execute(delete(hourly).where(hourly.c.valve == valve, hourly.c.at_ns >= from_ns))
    empty = {"streams": "{}", "judge_version": 0, "sheet_number": 0, "state": ""}
    connection.execute(tables.judge_cursor.insert(), {"valve": valve, "at_ns": from_ns, **empty})


def to_ns(time_s: float) -> int:
    """Unix seconds as whole nanoseconds; a double holds them to about 0.2 us."""
    return round(time_s * 1e9)


def _append_intervals(connection: Connection, valve: str, intervals: Sequence[StateInterval]) -> None:
    """Add intervals after the ones on record: what overlaps them is cut off, what touches them joined."""
    table = tables.state_interval
    newest = select(table).where(table.c.valve == valve).order_by(table.c.to_ns.desc()).limit(1)
    row = connection.execute(newest).first()
    last = None if row is None else (row.from_ns, row.to_ns, row.state, row.basis)
    for interval in sorted(intervals, key=lambda one: one.from_s):
        start, end = to_ns(interval.from_s), to_ns(interval.to_s)
        state, basis = interval.state.value, interval.basis
        if last is not None:
            start = max(start, last[1])
            if end <= start:
                continue
            if last[2:] == (state, basis) and start - last[1] <= TOUCHING_NS:
                connection.execute(
                    update(table).where(table.c.valve == valve, table.c.from_ns == last[0]).values(to_ns=end)
                )
                last = (last[0], end, state, basis)
                continue
        elif end <= start:
            continue
        row_of = {"valve": valve, "from_ns": start, "to_ns": end, "state": state, "basis": basis}
        connection.execute(table.insert(), row_of)
        last = (start, end, state, basis)
