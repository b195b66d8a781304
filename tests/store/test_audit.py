"""The audit trail grows and cannot be changed, whoever asks the database."""

from __future__ import annotations

import pytest
from asleft.store.engine import make_engine, reading, writing
from asleft.store.migrate import migrate
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

ROW = "(at_ns, who, address, action, subject, details) VALUES (1, 'kl', '127.0.0.1', 'signed in', 'kl', '')"


@pytest.fixture
def engine(tmp_path):
    made = make_engine(tmp_path / "records.db")
    migrate(made)
    with writing(made) as connection:
        connection.execute(text(f"INSERT INTO audit {ROW}"))
    yield made
    made.dispose()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET who = 'nobody'",
        "DELETE FROM audit",
        "DELETE FROM audit WHERE number = 1",
        (
            "INSERT OR REPLACE INTO audit (number, at_ns, who, address, action, subject, details) "
            "VALUES (1, 1, 'nobody', '', '', '', '')"
        ),
    ],
)
def test_the_database_itself_refuses_to_change_the_audit_trail(engine, statement):
    with pytest.raises(IntegrityError, match="the audit trail is never changed"), writing(engine) as connection:
        connection.execute(text(statement))
    with reading(engine) as connection:
        assert connection.execute(text("SELECT number, who FROM audit")).all() == [(1, "kl")]


def test_it_grows(engine):
    with writing(engine) as connection:
        connection.execute(text(f"INSERT INTO audit {ROW}"))
    with reading(engine) as connection:
        assert connection.execute(text("SELECT number FROM audit ORDER BY number")).scalars().all() == [1, 2]
