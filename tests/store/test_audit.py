"""The audit trail grows and cannot be changed, whoever asks the database."""

from __future__ import annotations

import pytest
from asleft.store.engine import make_engine, reading, writing
from asleft.store.migrate import migrate
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

COLUMNS = "(at_ns, who, address, action, subject, details) VALUES (1, 'kl', '127.0.0.1', 'signed in', 'kl', '')"
NUMBERED = "(number, at_ns, who, address, action, subject, details) VALUES (1, 1, 'nobody', '', '', '', '')"
CHANGES = {
    "sqlite": [f"INSERT OR REPLACE INTO audit {NUMBERED}", f"REPLACE INTO audit {NUMBERED}"],
    "postgresql": ["TRUNCATE audit"],
    "both": [
        "UPDATE audit SET who = 'nobody'",
        "DELETE FROM audit",
        "DELETE FROM audit WHERE number = 1",
        f"INSERT INTO audit {NUMBERED} ON CONFLICT (number) DO UPDATE SET who = 'nobody'",
    ],
}


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request, tmp_path):
    where = tmp_path / "records.db"
    made = make_engine(where if request.param == "sqlite" else request.getfixturevalue("postgres").url(str(tmp_path)))
    migrate(made)
    with writing(made) as connection:
        connection.execute(text(f"INSERT INTO audit {COLUMNS}"))
    yield made
    made.dispose()


def test_the_database_itself_refuses_to_change_the_audit_trail(engine):
    for statement in (*CHANGES[engine.dialect.name], *CHANGES["both"]):
        with pytest.raises(DBAPIError, match="the audit trail is never changed"), writing(engine) as connection:
            connection.execute(text(statement))
        with reading(engine) as connection:
            assert connection.execute(text("SELECT number, who FROM audit")).all() == [(1, "kl")], statement


def test_it_grows(engine):
    with writing(engine) as connection:
        connection.execute(text(f"INSERT INTO audit {COLUMNS}"))
    with reading(engine) as connection:
        assert connection.execute(text("SELECT number FROM audit ORDER BY number")).scalars().all() == [1, 2]
