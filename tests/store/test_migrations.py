"""The chain of migrations leads to exactly the tables the program uses."""

from __future__ import annotations

import time

import asleft.store.engine as store_engine
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from asleft.store.engine import make_engine, reading, writing
from asleft.store.migrate import HEAD, MigrationError, configuration, current, migrate
from asleft.store.records import open_records
from asleft.store.tables import metadata
from sqlalchemy import text
from sqlalchemy.exc import OperationalError


def test_the_chain_builds_what_the_metadata_says(tmp_path):
    engine = make_engine(tmp_path / "records.db")
    migrate(engine)
    with reading(engine) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
        assert current(connection) == HEAD
        assert ScriptDirectory.from_config(configuration(connection)).get_current_head() == HEAD
    engine.dispose()


def test_the_comparison_would_notice_a_difference(tmp_path):
    engine = make_engine(tmp_path / "records.db")
    migrate(engine)
    with writing(engine) as connection:
        connection.execute(text("ALTER TABLE sheet DROP COLUMN why"))
        connection.execute(text("DROP INDEX alarm_event_by_time"))
    with reading(engine) as connection:
        kinds = {
            str(difference[0]) for difference in compare_metadata(MigrationContext.configure(connection), metadata)
        }
    assert kinds == {"add_column", "add_index"}
    engine.dispose()


def test_a_starved_process_may_take_its_time_to_migrate(postgres, tmp_path, monkeypatch):
    """Its session is not ended for silence, as that of a recorder is which holds rows that others wait for."""
    monkeypatch.setattr(store_engine, "FROZEN_AFTER_S", 0.2)
    upgrade = command.upgrade

    def starved(*given):
        time.sleep(0.6)
        upgrade(*given)

    monkeypatch.setattr(command, "upgrade", starved)
    engine = make_engine(postgres.url(str(tmp_path)))
    migrate(engine)
    with reading(engine) as connection:
        assert current(connection) == HEAD
    engine.dispose()


def test_a_second_start_writes_nothing(tmp_path):
    path = tmp_path / "records.db"
    open_records(path).close()
    before = path.stat().st_mtime_ns, path.read_bytes()
    open_records(path).close()
    assert (path.stat().st_mtime_ns, path.read_bytes()) == before


def test_a_store_of_a_newer_program_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "records.db"
    open_records(path).close()
    engine = make_engine(path)
    with writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    before = path.read_bytes()
    with pytest.raises(MigrationError, match="version 9999, this program knows versions up to"):
        open_records(path)
    assert path.read_bytes() == before


def test_a_url_is_taken_as_well(tmp_path):
    records = open_records(f"sqlite:///{tmp_path / 'other.db'}")
    assert records.sheet_valves() == []
    records.close()
    assert (tmp_path / "other.db").exists()


def test_write_transactions_wait_for_one_another_and_files_are_synchronous(tmp_path):
    engine = make_engine(tmp_path / "records.db")
    with reading(engine) as connection:
        assert connection.execute(text("PRAGMA synchronous")).scalar() == 3  # EXTRA
        assert connection.execute(text("PRAGMA journal_mode")).scalar() == "delete"
        assert connection.execute(text("PRAGMA busy_timeout")).scalar() >= 10_000
    other = make_engine(tmp_path / "records.db")
    with writing(engine), other.connect() as impatient:
        impatient.exec_driver_sql("COMMIT")
        impatient.exec_driver_sql("PRAGMA busy_timeout = 1")
        with pytest.raises(OperationalError, match="locked"):
            impatient.exec_driver_sql("BEGIN IMMEDIATE")
        impatient.invalidate()
    engine.dispose()
    other.dispose()
