"""What only a server can show: writers side by side, migrations raced for, a plug pulled, a URL that is none."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.engine import make_engine, reading, writing
from asleft.store.migrate import HEAD, current, migrate
from asleft.store.protocols import AlarmEventConflict, SheetExists, SheetRecord
from asleft.store.records import open_records
from asleft.store.tables import metadata
from postgres_server import PostgresServer
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError, OperationalError

MANY = 8


@pytest.fixture
def engine(postgres: PostgresServer, tmp_path: Path) -> Iterator[Engine]:
    made = make_engine(postgres.url(str(tmp_path)))
    migrate(made)
    yield made
    made.dispose()


def sheet(number: int, why: str) -> SheetRecord:
    return SheetRecord("press-1.platen", number, number, "demo", why, "[valve]\n", 5)


def all_at_once(tasks: list[object]) -> list[object]:
    """Run each in a thread of its own, begun together; what each returned or raised."""
    outcomes: list[object] = [None] * len(tasks)
    gate = threading.Barrier(len(tasks))

    def work(at: int) -> None:
        gate.wait()
        try:
            outcomes[at] = tasks[at]()  # type: ignore[operator]
        except Exception as error:  # noqa: BLE001 - looked at by the test
            outcomes[at] = error

    threads = [threading.Thread(target=work, args=(at,)) for at in range(len(tasks))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


def test_the_chain_of_migrations_builds_what_the_metadata_says(engine: Engine) -> None:
    with reading(engine) as connection:
        assert compare_metadata(MigrationContext.configure(connection, opts={"compare_type": True}), metadata) == []
        assert current(connection) == HEAD


def test_processes_that_start_together_migrate_once(postgres: PostgresServer, tmp_path: Path) -> None:
    url = postgres.url(str(tmp_path))
    stores = all_at_once([lambda: open_records(url)] * MANY)
    for store in stores:
        assert not isinstance(store, Exception), store
        store.close()  # type: ignore[attr-defined]


def test_of_two_contents_for_one_revision_one_is_kept(postgres: PostgresServer, tmp_path: Path) -> None:
    stores = [open_records(postgres.url(str(tmp_path))) for _ in range(MANY)]
    for number in range(1, 6):
        records = [sheet(number, f"by {at}") for at in range(MANY)]
        outcomes = all_at_once([lambda s=s, r=r: s.put_sheet(r) for s, r in zip(stores, records, strict=True)])
        assert sum(one is True for one in outcomes) == 1, outcomes
        assert sum(isinstance(one, SheetExists) for one in outcomes) == MANY - 1, outcomes
    assert len(stores[0].sheets("press-1.platen")) == 5
    for store in stores:
        store.close()


def test_of_two_next_events_of_an_alarm_one_is_kept(postgres: PostgresServer, tmp_path: Path) -> None:
    stores = [open_records(postgres.url(str(tmp_path))) for _ in range(MANY)]

    def event(who: str) -> AlarmEvent:
        return AlarmEvent("a", 1, EventKind.RAISED, 5, who, "", "press-1.platen", "supply-low", 2, "supply", "E.", 5)

    outcomes = all_at_once(
        [lambda s=s, at=at: s.append_alarm_events([event(f"user {at}")]) for at, s in enumerate(stores)]
    )
    assert sum(one is None for one in outcomes) == 1, outcomes
    assert sum(isinstance(one, AlarmEventConflict) for one in outcomes) == MANY - 1, outcomes
    assert len(stores[0].alarm_events()) == 1
    for store in stores:
        store.close()


def test_writers_of_different_things_do_not_wait(engine: Engine) -> None:
    with writing(engine, "judging of one") as first:
        first.execute(text("SELECT 1"))
        with writing(engine, "judging of another") as second:
            second.execute(text("SET LOCAL lock_timeout = '2s'"))
            second.execute(text("SELECT 1"))


def test_writers_of_one_thing_wait(engine: Engine) -> None:
    order: list[str] = []
    taken = threading.Event()

    def late() -> None:
        taken.wait()
        with writing(engine, "x", "judging of one"):
            order.append("second")

    thread = threading.Thread(target=late)
    thread.start()
    with writing(engine, "judging of one", "y"):
        taken.set()
        time.sleep(0.3)
        order.append("first")
    thread.join()
    assert order == ["first", "second"]


def test_a_reader_sees_one_moment_and_cannot_write(engine: Engine) -> None:
    count = text("SELECT count(*) FROM health")
    with reading(engine) as connection:
        assert connection.execute(count).scalar() == 0
        with writing(engine) as other:
            other.execute(text("INSERT INTO health VALUES ('late', 1, '{}')"))
        assert connection.execute(count).scalar() == 0
        with pytest.raises(DBAPIError, match="read-only transaction"):
            connection.execute(text("DELETE FROM health"))
    with reading(engine) as connection:
        assert connection.execute(count).scalar() == 1


def test_what_was_committed_is_there_after_the_plug_was_pulled(tmp_path_factory: pytest.TempPathFactory) -> None:
    server = PostgresServer(tmp_path_factory.mktemp("unplugged")).start()
    url = server.url("one")
    records = open_records(url)
    committed: list[int] = []
    stop = threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            try:
                records.put_sheet(sheet(number, "why"))
            except OperationalError:
                return
            committed.append(number)

    writer = threading.Thread(target=write)
    writer.start()
    while len(committed) < 50:
        assert writer.is_alive()
        time.sleep(0.01)
    server.kill()
    stop.set()
    writer.join()
    server.start()
    try:
        found = {
            record.number for record in records.sheets("press-1.platen")
        }  # the pool finds its way back by itself
        assert set(committed) <= found <= {*committed, len(committed) + 1}
    finally:
        records.close()
        server.stop()


@pytest.mark.parametrize(
    ("url", "said"), [("mysql://db/asleft", "mysql cannot keep records"), ("nonsense://db/asleft", "nonsense")]
)
def test_another_kind_of_database_is_refused(url: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        make_engine(url)
