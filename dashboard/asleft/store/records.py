"""The records store: sheets, judged results, alarms and health, through SQLAlchemy."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from asleft.alarms.events import AlarmEvent
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.store import tables
from asleft.store.actor import Actor
from asleft.store.alarm_log import append_events, event_of, events_lately
from asleft.store.audit import note
from asleft.store.engine import insert_replacing, reading, writing
from asleft.store.fleet import HOUR_NS, bodies_at, latest_bodies, sheets_then
from asleft.store.judged import TOUCHING_NS, read_cursor, reset, write_step
from asleft.store.lease_types import Hold
from asleft.store.leases import check_holds
from asleft.store.migrate import migrated_engine
from asleft.store.protocols import (
    Backfill,
    ClockChange,
    Health,
    JudgeCursor,
    JudgeStep,
    RecordStore,
    SheetExists,
    SheetRecord,
)
from sqlalchemy import Engine, Row, select

RECORDS_FILE = "records.db"
"""Name of the file inside the data folder."""


def open_records(path: Path | str) -> RecordStore:
    """The records store in a SQLite file (made if need be), or in the database that a URL names.

    Brings its layout up to date first. Raises `MigrationError` for a store of a newer program. Any number of threads
    and processes may have it open.
    """
    return SqlRecords(migrated_engine(path))


class SqlRecords:
    """`RecordStore` over an SQLAlchemy engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    # ------------------------------------------------------------------------------------------ sheets

    def put_sheet(self, record: SheetRecord, filed_by: Actor | None = None) -> bool:
        """Append a revision; False if the identical one is already there. Raises `SheetExists`."""
        table = tables.sheet
        with writing(self._engine, f"sheets of {record.valve}") as connection:
            row = connection.execute(
                select(table).where(table.c.valve == record.valve, table.c.number == record.number)
            ).first()
            if row is not None:
                if (row.at_ns, row.entered_by, row.why, row.toml) == (
                    record.at_ns,
                    record.by,
                    record.why,
                    record.toml,
                ):
                    return False
                raise SheetExists(
                    f"{record.valve}: revision {record.number} is already on record with other contents; "
                    "revisions are never changed, give the new sheet a new [revision] number"
                )
            connection.execute(
                table.insert(),
                {
                    "valve": record.valve,
                    "number": record.number,
                    "at_ns": record.at_ns,
                    "entered_by": record.by,
                    "why": record.why,
                    "toml": record.toml,
                    "entered_at_ns": record.entered_at_ns,
                },
            )
            if filed_by is not None:
                what = f"{record.valve}, revision {record.number}"
                note(connection, filed_by, record.entered_at_ns, "sheet filed", what, f"by {record.by}: {record.why}")
            return True

    def sheets(self, valve: str) -> list[SheetRecord]:
        """All revisions of a valve, by number."""
        table = tables.sheet
        with reading(self._engine) as connection:
            rows = connection.execute(select(table).where(table.c.valve == valve).order_by(table.c.number))
            return [_sheet(row) for row in rows]

    def effective_sheet(self, valve: str, at_ns: int) -> SheetRecord | None:
        """Newest revision with at_ns <= the given time (by `at`, then number)."""
        table = tables.sheet
        with reading(self._engine) as connection:
            row = connection.execute(
                select(table)
                .where(table.c.valve == valve, table.c.at_ns <= at_ns)
                .order_by(table.c.at_ns.desc(), table.c.number.desc())
                .limit(1)
            ).first()
            return None if row is None else _sheet(row)

    def effective_sheets(self, at_ns: int) -> Mapping[str, SheetRecord]:
        """`effective_sheet` of every valve that has one."""
        with reading(self._engine) as connection:
            return {row.valve: _sheet(row) for row in sheets_then(connection, at_ns)}

    def sheet_valves(self) -> list[str]:
        """Ids of valves that have a sheet, sorted."""
        with reading(self._engine) as connection:
            return sorted(connection.execute(select(tables.sheet.c.valve).distinct()).scalars())

    # ----------------------------------------------------------------------------------------- judging

    def judge_cursor(self, valve: str) -> JudgeCursor | None:
        """Where judging stands; None before the first step."""
        with reading(self._engine) as connection:
            return read_cursor(connection, valve)

    def commit_step(self, step: JudgeStep, hold: Hold | None = None) -> None:
        """One transaction, all or nothing; see `RecordStore.commit_step`.

        Raises `AlarmEventConflict`, `LeaseLost`.
        """
        names = {f"judging of {step.valve}", *(_alarms_of(event) for event in step.alarm_events)}
        with writing(self._engine, *names) as connection:
            check_holds(connection, () if hold is None else (hold,))
            write_step(connection, step)

    def reset_judging(self, valve: str, from_ns: int | None = None, hold: Hold | None = None) -> None:
        """Forget what was judged from `from_ns` on (None: ever); sheets and alarm events stay. Raises `LeaseLost`."""
        with writing(self._engine, f"judging of {valve}") as connection:
            check_holds(connection, () if hold is None else (hold,))
            reset(connection, valve, from_ns)

    def judgement(self, valve: str) -> Mapping[str, Any] | None:
        """Latest judgement (JSON form)."""
        table = tables.judgement
        with reading(self._engine) as connection:
            return _parsed(connection.execute(select(table.c.body).where(table.c.valve == valve)).scalar())

    def judgements(self) -> Mapping[str, Mapping[str, Any]]:
        """`judgement` of every valve that has one."""
        with reading(self._engine) as connection:
            bodies = latest_bodies(connection)
        return {valve: json.loads(body) for valve, body in bodies}

    def judged_until(self) -> Mapping[str, int]:
        """Valve -> time of the newest reading judged (unix ns)."""
        table = tables.judge_cursor
        with reading(self._engine) as connection:
            return {row.valve: row.at_ns for row in connection.execute(select(table.c.valve, table.c.at_ns))}

    def judgements_at(self, at_ns: int) -> Mapping[str, Mapping[str, Any]]:
        """`judgement_at` of every valve with a sheet that has one."""
        with reading(self._engine) as connection:
            bodies = bodies_at(connection, at_ns)
        return {valve: json.loads(body) for valve, body in bodies}

    def judgement_at(self, valve: str, at_ns: int) -> Mapping[str, Any] | None:
        """The last judgement of an hour that ended at or before the time: what a page of yesterday showed."""
        table = tables.judgement_hour
        with reading(self._engine) as connection:
            body = connection.execute(
                select(table.c.body)
                .where(table.c.valve == valve, table.c.hour < at_ns // HOUR_NS)
                .order_by(table.c.hour.desc())
                .limit(1)
            ).scalar()
            return _parsed(body)

    def intervals(self, valve: str, from_ns: int, to_ns: int) -> list[StateInterval]:
        """Machine states overlapping the span, oldest first, neighbours of one state joined."""
        table = tables.state_interval
        with reading(self._engine) as connection:
            rows = connection.execute(
                select(table)
                .where(table.c.valve == valve, table.c.from_ns < to_ns, table.c.to_ns > from_ns)
                .order_by(table.c.from_ns)
            ).all()
        joined: list[tuple[int, int, str, str]] = []
        for row in rows:
            if joined:
                start, end, state, basis = joined[-1]
                if (state, basis) == (row.state, row.basis) and row.from_ns - end <= TOUCHING_NS:
                    joined[-1] = (start, row.to_ns, state, basis)
                    continue
            joined.append((row.from_ns, row.to_ns, row.state, row.basis))
        return [StateInterval(State(state), start / 1e9, end / 1e9, basis) for start, end, state, basis in joined]

    def points(self, valve: str, quantity: str, from_ns: int, to_ns: int) -> list[ChartPoint]:
        """History of one quantity with from_ns <= time < to_ns, oldest first."""
        table = tables.chart_point
        with reading(self._engine) as connection:
            rows = connection.execute(
                select(table)
                .where(table.c.valve == valve, table.c.quantity == quantity)
                .where(table.c.at_ns >= from_ns, table.c.at_ns < to_ns)
                .order_by(table.c.at_ns)
            )
            return [ChartPoint(quantity, row.at_ns / 1e9, row.value, row.standard_uncertainty) for row in rows]

    # ------------------------------------------------------------------------------------------ alarms

    def append_alarm_events(self, events: Iterable[AlarmEvent]) -> None:
        """Append, all or none; an identical repetition is ignored. Raises `AlarmEventConflict`."""
        events = list(events)
        with writing(self._engine, *{_alarms_of(event) for event in events}) as connection:
            append_events(connection, events)

    def alarm_events(self, valve: str | None = None, since_ns: int = 0) -> list[AlarmEvent]:
        """The log, in order of time and seq."""
        table = tables.alarm_event
        query = select(table).where(table.c.at_ns >= since_ns).order_by(table.c.at_ns, table.c.alarm, table.c.seq)
        if valve is not None:
            query = query.where(table.c.valve == valve)
        with reading(self._engine) as connection:
            return [event_of(row) for row in connection.execute(query)]

    def alarm_events_lately(self, since_ns: int) -> list[AlarmEvent]:
        """All events of the alarms that something happened to since then, or that still wait for somebody."""
        with reading(self._engine) as connection:
            return events_lately(connection, since_ns)

    # ---------------------------------------------------------------------------- history and health

    def put_backfill(self, backfill: Backfill) -> None:
        """Insert or replace the row of its valve."""
        row = {name: getattr(backfill, name) for name in ("valve", "until_ns", "done", "total", "complete")}
        with writing(self._engine) as connection:
            insert_replacing(connection, tables.backfill, [row])

    def backfills(self) -> list[Backfill]:
        """All, by valve."""
        table = tables.backfill
        with reading(self._engine) as connection:
            rows = connection.execute(select(table).order_by(table.c.valve))
            return [Backfill(row.valve, row.until_ns, row.done, row.total, row.complete) for row in rows]

    def put_clock_changes(self, changes: Iterable[ClockChange], holds: Iterable[Hold] = ()) -> None:
        """Insert or replace by (agent, stream, first_seq). Raises `LeaseLost`."""
        rows = [dataclasses.asdict(change) for change in changes]
        if rows:
            with writing(self._engine) as connection:
                check_holds(connection, holds)
                insert_replacing(connection, tables.clock_change, rows)

    def clock_changes(self) -> list[ClockChange]:
        """All, by agent, stream and first_seq."""
        table = tables.clock_change
        order = (table.c.agent, table.c.stream, table.c.first_seq)
        with reading(self._engine) as connection:
            return [ClockChange(*row) for row in connection.execute(select(table).order_by(*order))]

    def put_health(self, health: Health) -> None:
        """Insert or replace the row of its source."""
        row = {"source": health.source, "at_ns": health.at_ns, "details": json.dumps(dict(health.details))}
        with writing(self._engine) as connection:
            insert_replacing(connection, tables.health, [row])

    def health(self) -> list[Health]:
        """All, by source."""
        table = tables.health
        with reading(self._engine) as connection:
            rows = connection.execute(select(table).order_by(table.c.source))
            return [Health(row.source, row.at_ns, json.loads(row.details)) for row in rows]

    def check(self) -> None:
        """Raise what reading raises while the store cannot be reached."""
        with reading(self._engine) as connection:
            connection.execute(select(tables.health.c.source).limit(1)).first()

    def close(self) -> None:
        """Release connections."""
        self._engine.dispose()


def _alarms_of(event: AlarmEvent) -> str:
    return f"alarms of {event.valve}"


def _sheet(row: Row[Any]) -> SheetRecord:
    return SheetRecord(row.valve, row.number, row.at_ns, row.entered_by, row.why, row.toml, row.entered_at_ns)


def _parsed(body: str | None) -> Mapping[str, Any] | None:
    if body is None:
        return None
    parsed: Mapping[str, Any] = json.loads(body)
    return parsed
