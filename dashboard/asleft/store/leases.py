"""Leases of agents in the records store, and the check of a hold inside a transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from asleft.store.engine import insert_ignoring, insert_replacing, reading, writing
from asleft.store.lease_types import Hold, Lease, LeaseLost, Leases, NameTaken, Survey
from asleft.store.migrate import migrated_engine
from asleft.store.tables import agent_lease, recorder_member, sample_lap
from sqlalchemy import Connection, Engine, and_, func, select, text

S = 1_000_000_000
# The clock itself, not the time at which the transaction began. SQLite's goes by milliseconds.
_NOW = {
    "postgresql": "SELECT CAST(extract(epoch FROM clock_timestamp()) * 1000000000 AS BIGINT)",
    "sqlite": "SELECT CAST(round((julianday('now') - 2440587.5) * 86400000) AS INTEGER) * 1000000",
}


def open_leases(where: Path | str) -> Leases:
    """The leases in a records store. Raises `MigrationError` for a store of a newer program."""
    return SqlLeases(migrated_engine(where))


def check_holds(connection: Connection, holds: Iterable[Hold]) -> None:
    """Raise `LeaseLost` unless all holds stand; they do until the transaction ends, nobody can take them before."""
    wanted = {hold.agent: (hold.owner, hold.epoch) for hold in holds}
    if not wanted:
        return
    rows = connection.execute(
        select(agent_lease.c.agent, agent_lease.c.owner, agent_lease.c.epoch)
        .where(agent_lease.c.agent.in_(wanted))
        .order_by(agent_lease.c.agent)  # rows are locked in one order, lest two transactions wait for each other
        .with_for_update(read=True)
    )
    found = {row.agent: (row.owner, row.epoch) for row in rows}
    if lost := [agent for agent, held in wanted.items() if found.get(agent) != held]:
        raise LeaseLost(lost)


class SqlLeases:
    """`Leases` over an SQLAlchemy engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def look(
        self, recorder: str, instance: str, hold_s: float, holds: Iterable[Hold], agents: Iterable[str]
    ) -> Survey:
        """Say that we are alive, renew, make agents known, look round; see `Leases.look`. Raises `NameTaken`."""
        ours = {hold.agent: hold.epoch for hold in holds}
        nobodys = [{"agent": agent, "owner": "", "until_ns": 0, "epoch": 0} for agent in sorted(set(agents))]
        with writing(self._engine, f"recorder {recorder}") as connection:
            now_ns = _now_ns(connection)
            until_ns = now_ns + round(hold_s * S)
            _join(connection, recorder, instance, now_ns, until_ns)
            insert_ignoring(connection, agent_lease, nobodys)
            locked = connection.execute(
                select(agent_lease.c.agent, agent_lease.c.epoch)
                .where(agent_lease.c.owner == recorder)
                .order_by(agent_lease.c.agent)
                .with_for_update()
            ).all()
            renewed = [row.agent for row in locked if ours.get(row.agent) == row.epoch]
            if renewed:
                # Waiting for a commit under way took its time: the promise counts from now, by the same clock.
                until_ns = _now_ns(connection) + round(hold_s * S)
                connection.execute(
                    agent_lease.update().where(agent_lease.c.agent.in_(renewed)).values(until_ns=until_ns)
                )
        with reading(self._engine) as connection:
            now_ns = _now_ns(connection)
            members = connection.scalars(
                select(recorder_member.c.recorder).where(recorder_member.c.until_ns > now_ns)
            ).all()
            rows = connection.execute(select(agent_lease).order_by(agent_lease.c.agent)).all()
        leases = tuple(Lease(row.agent, row.owner, row.epoch, (row.until_ns - now_ns) / S) for row in rows)
        return Survey(frozenset(members), leases)

    def take(self, recorder: str, lease: Lease, hold_s: float) -> Hold | None:
        """Take an agent, if its row is still as `lease` says and free for us."""
        with writing(self._engine) as connection:
            row = connection.execute(
                select(agent_lease).where(agent_lease.c.agent == lease.agent).with_for_update()
            ).first()
            now_ns = _now_ns(connection)  # after the wait for whoever is committing under this lease
            if row is None or row.epoch != lease.epoch:
                return None
            if row.owner not in ("", recorder) and row.until_ns > now_ns:
                return None
            connection.execute(
                agent_lease.update()
                .where(agent_lease.c.agent == lease.agent)
                .values(owner=recorder, until_ns=now_ns + round(hold_s * S), epoch=lease.epoch + 1)
            )
        return Hold(lease.agent, recorder, lease.epoch + 1)

    def give_up(self, holds: Iterable[Hold]) -> None:
        """Make agents nobody's, as far as they are still held so."""
        with writing(self._engine) as connection:
            _give_up(connection, holds)

    def leave(self, recorder: str, instance: str, holds: Iterable[Hold]) -> None:
        """Give everything up and be no member any more."""
        member = recorder_member
        with writing(self._engine, f"recorder {recorder}") as connection:
            connection.execute(member.delete().where(member.c.recorder == recorder, member.c.instance == instance))
            _give_up(connection, holds)

    def valves_of(self, recorder: str) -> Mapping[str, Hold]:
        """Valve -> hold of every valve whose newest samples came from an agent that the recorder holds."""
        newest = func.max(sample_lap.c.to_ns).label("newest")
        feeds = select(sample_lap.c.valve, sample_lap.c.agent, newest).group_by(
            sample_lap.c.valve, sample_lap.c.agent
        )
        with reading(self._engine) as connection:
            now_ns = _now_ns(connection)
            rows = connection.execute(
                select(agent_lease).where(agent_lease.c.owner == recorder, agent_lease.c.until_ns > now_ns)
            )
            held = {row.agent: Hold(row.agent, row.owner, row.epoch) for row in rows}
            if not held:
                return {}
            found: dict[str, tuple[int, str]] = {}
            for row in connection.execute(feeds):
                found[row.valve] = max(found.get(row.valve, (-1, "")), (row.newest, row.agent))
        return {valve: held[agent] for valve, (_, agent) in found.items() if agent in held}

    def close(self) -> None:
        """Release connections."""
        self._engine.dispose()


def _now_ns(connection: Connection) -> int:
    return int(connection.scalar(text(_NOW[connection.dialect.name])) or 0)


def _join(connection: Connection, recorder: str, instance: str, now_ns: int, until_ns: int) -> None:
    row = connection.execute(select(recorder_member).where(recorder_member.c.recorder == recorder)).first()
    if row is not None and row.instance != instance and row.until_ns > now_ns:
        raise NameTaken(f"another recorder is at work under the name {recorder!r}")
    insert_replacing(
        connection, recorder_member, [{"recorder": recorder, "instance": instance, "until_ns": until_ns}]
    )


def _give_up(connection: Connection, holds: Iterable[Hold]) -> None:
    for hold in sorted(holds, key=lambda one: one.agent):
        mine = and_(agent_lease.c.agent == hold.agent, agent_lease.c.owner == hold.owner)
        connection.execute(
            agent_lease.update().where(mine, agent_lease.c.epoch == hold.epoch).values(owner="", until_ns=0)
        )
