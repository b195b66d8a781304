"""The log of declared work in the records store: read by pages and judging, added to by people."""

from __future__ import annotations

from pathlib import Path

from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.engine import reading, writing
from asleft.store.migrate import migrated_engine
from asleft.store.tables import work_event
from asleft.store.work import Work, WorkConflict, WorkEvent, WorkKind, check_declaration, fold_work, standing
from sqlalchemy import Connection, Engine, func, select

_LOCK = "work"
"""One name for all: numbers become visible in their order, so that whoever reads on from one misses none."""


class WorkLog:
    """Over an engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def work_events(self, after: int = 0) -> list[WorkEvent]:
        """All events with a larger number, in order."""
        query = select(work_event).where(work_event.c.number > after).order_by(work_event.c.number)
        with reading(self._engine) as connection:
            return [_event(row) for row in connection.execute(query)]

    def work_standing(self, now_ns: int) -> dict[str, Work]:
        """What is declared now, by valve."""
        with reading(self._engine) as connection:
            return standing(_not_over(connection, now_ns), now_ns)

    def work_of(self, valve: str, from_ns: int, to_ns: int) -> list[Work]:
        """Stretches of a valve that reach into from_ns <= time < to_ns, in order."""
        with reading(self._engine) as connection:
            found = fold_work(_not_over(connection, from_ns, valve))
        return [work for work in found if work.until_ns > from_ns and work.from_ns < to_ns]

    def last(self, valve: str) -> int:
        """Number of the newest event of a valve, 0 without any: what an act is based on."""
        with reading(self._engine) as connection:
            return _last(connection, valve)

    def declare(self, valve: str, until_ns: int, why: str, seen: int, now_ns: int, actor: Actor) -> None:
        """Declare work from now on; one that stands is ended by it. `seen`: the valve's newest event so far.

        Raises `WorkRefused`, and `WorkConflict` where there is a newer one.
        """
        check_declaration(now_ns, until_ns, why)
        with writing(self._engine, _LOCK) as connection:
            self._expect(connection, valve, seen)
            was = standing(_not_over(connection, now_ns, valve), now_ns).get(valve)
            if was is not None:
                _add(connection, valve, WorkKind.ENDED, now_ns, was.until_ns, "", actor)
            _add(connection, valve, WorkKind.DECLARED, now_ns, until_ns, why, actor)
            note(connection, actor, now_ns, "work declared", valve, why)

    def end(self, valve: str, seen: int, now_ns: int, actor: Actor) -> bool:
        """End what stands, before its expiry; False where nothing stands (any more). Raises `WorkConflict`."""
        with writing(self._engine, _LOCK) as connection:
            self._expect(connection, valve, seen)
            was = standing(_not_over(connection, now_ns, valve), now_ns).get(valve)
            if was is None:
                return False
            _add(connection, valve, WorkKind.ENDED, now_ns, was.until_ns, "", actor)
            note(connection, actor, now_ns, "work ended", valve, was.why)
            return True

    def close(self) -> None:
        """Release connections."""
        self._engine.dispose()

    @staticmethod
    def _expect(connection: Connection, valve: str, seen: int) -> None:
        last = _last(connection, valve)
        if last != seen:
            raise WorkConflict(f"work on {valve}: event {last} is on record, the act was based on {seen}")


def open_work(where: Path | str) -> WorkLog:
    """The log of a records store, a SQLite file or a URL. Raises `MigrationError` for a store of a newer program."""
    return WorkLog(migrated_engine(where))


def _add(
    connection: Connection, valve: str, event: WorkKind, at_ns: int, until_ns: int, why: str, actor: Actor
) -> None:
    row = {"valve": valve, "event": event.value, "at_ns": at_ns, "until_ns": until_ns, "why": why, "who": actor.who}
    connection.execute(work_event.insert(), row)


def _not_over(connection: Connection, now_ns: int, valve: str | None = None) -> list[WorkEvent]:
    """Events of declarations whose expiry lies after a time: an ended one carries the expiry of what it ends."""
    query = select(work_event).where(work_event.c.until_ns > now_ns).order_by(work_event.c.number)
    if valve is not None:
        query = query.where(work_event.c.valve == valve)
    return [_event(row) for row in connection.execute(query)]


def _last(connection: Connection, valve: str) -> int:
    found = connection.execute(select(func.max(work_event.c.number)).where(work_event.c.valve == valve)).scalar()
    return int(found or 0)


def _event(row: object) -> WorkEvent:
    number, valve, event, at_ns, until_ns, why, who = tuple(row)  # type: ignore[arg-type, var-annotated]
    return WorkEvent(number, valve, WorkKind(event), at_ns, until_ns, why, who)
