"""Which agents may send the readings of which valve, in the records store.

A certificate says which agent a message comes from. This table says which valves that agent may speak for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.engine import insert_ignoring, reading, writing
from asleft.store.migrate import migrated_engine
from asleft.store.tables import valve_agent
from sqlalchemy import Engine, select

FOUND = "found in the store"
"""Who bound a valve whose readings were stored before bindings were kept."""
_LOCK = "bindings"


@dataclass(frozen=True, slots=True)
class Binding:
    """An agent that may send the readings of a valve. `who` said so; empty: it was the first to send them."""

    valve: str
    agent: str
    at_ns: int
    who: str


class Bindings(Protocol):
    """What the recorder needs of the table."""

    def bindings(self) -> list[Binding]:
        """All, by valve and agent."""
        ...

    def claim(self, valve: str, agent: str, now_ns: int) -> Binding:
        """Bind a valve that nobody may send yet to the first agent that does; the binding that stands."""
        ...


class SqlBindings:
    """`Bindings` over an SQLAlchemy engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def bindings(self) -> list[Binding]:
        """All, by valve and agent."""
        query = select(valve_agent).order_by(valve_agent.c.valve, valve_agent.c.agent)
        with reading(self._engine) as connection:
            return [Binding(*row) for row in connection.execute(query)]

    def bind(self, agent: str, valves: Iterable[str], now_ns: int, actor: Actor) -> list[str]:
        """Let an agent send these valves; those that it might not send before. One line of the audit trail each."""
        with writing(self._engine, _LOCK) as connection:
            mine = select(valve_agent.c.valve).where(valve_agent.c.agent == agent)
            held = set(connection.scalars(mine))
            new = sorted(set(valves) - held)
            for valve in new:
                row = {"valve": valve, "agent": agent, "at_ns": now_ns, "who": actor.who}
                connection.execute(valve_agent.insert(), row)
                note(connection, actor, now_ns, "valve bound", valve, f"agent {agent} may send it")
        return new

    def release(self, agent: str, valves: Iterable[str], now_ns: int, actor: Actor) -> list[str]:
        """No longer let an agent send these valves; those that it might send before."""
        with writing(self._engine, _LOCK) as connection:
            mine = select(valve_agent.c.valve).where(valve_agent.c.agent == agent)
            gone = sorted(set(valves) & set(connection.scalars(mine)))
            for valve in gone:
                one = valve_agent.delete().where(valve_agent.c.agent == agent, valve_agent.c.valve == valve)
                connection.execute(one)
                note(connection, actor, now_ns, "valve released", valve, f"agent {agent} may no longer send it")
        return gone

    def claim(self, valve: str, agent: str, now_ns: int) -> Binding:
        """Bind a valve that nobody may send yet to the first agent that does; the binding that stands."""
        of_valve = select(valve_agent).where(valve_agent.c.valve == valve).order_by(valve_agent.c.agent)
        with writing(self._engine, _LOCK) as connection:
            rows = [Binding(*row) for row in connection.execute(of_valve)]
            if rows:
                return next((row for row in rows if row.agent == agent), rows[0])
            connection.execute(valve_agent.insert(), {"valve": valve, "agent": agent, "at_ns": now_ns, "who": ""})
        return Binding(valve, agent, now_ns, "")

    def adopt(self, feeds: Mapping[str, str], now_ns: int) -> int:
        """Bind what was stored (valve -> agent) before there were bindings; only where there is none. How many."""
        with writing(self._engine, _LOCK) as connection:
            if connection.execute(select(valve_agent.c.valve).limit(1)).first() is not None:
                return 0
            rows = [{"valve": valve, "agent": agent, "at_ns": now_ns, "who": FOUND} for valve, agent in feeds.items()]
            insert_ignoring(connection, valve_agent, rows)
            return len(rows)

    def close(self) -> None:
        """Release connections."""
        self._engine.dispose()


def open_bindings(where: Path | str) -> SqlBindings:
    """The bindings of a records store, a SQLite file or a URL. Raises `MigrationError` for a newer store."""
    return SqlBindings(migrated_engine(where))
