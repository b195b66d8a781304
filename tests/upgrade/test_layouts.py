"""Records of the layout before valves were bound to agents and accounts had a second factor, in both databases."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from asleft.store.access import AccessStore, open_access
from asleft.store.actor import Actor
from asleft.store.audit import LEAST_LINES, AuditBound
from asleft.store.bindings import FOUND, open_bindings
from asleft.store.engine import make_engine, reading, writing
from asleft.store.influx.block_index import BlockIndex
from asleft.store.migrate import HEAD, configuration, current
from asleft.store.sessions import NEW_DEVICE
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

S = 1_000_000_000
THEN_NS, NOW_NS = 1_700_000_000 * S, 1_760_000_000 * S
BEFORE = "0008"
CHIEF = Actor("chief", "command line")


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Records as the program of that layout left them: accounts, a session, tries, three years of an audit trail."""
    file = str(tmp_path / "records.db")
    place = file if request.param == "sqlite" else request.getfixturevalue("postgres").url(str(tmp_path))
    engine = make_engine(place)
    with engine.begin() as connection:
        command.upgrade(configuration(connection), BEFORE)
    with writing(engine) as connection:
        for name, role in (("kl", "technician"), ("boss", "administrator")):
            connection.execute(
                text("INSERT INTO account VALUES (:name, :role, :hash, :no, :at, :at)"),
                {"name": name, "role": role, "hash": f"hash of {name}", "no": False, "at": THEN_NS},
            )
        connection.execute(
            text("INSERT INTO web_session VALUES (:digest, 'kl', '10.0.0.8', :at, :at)"),
            {"digest": "d" * 64, "at": NOW_NS - S},
        )
        for action in ("account added", "password changed", "role changed", *["signed in"] * LEAST_LINES):
            connection.execute(
                text("INSERT INTO audit (at_ns, who, address, action, subject, details)"
                     " VALUES (:at, 'chief', 'command line', :action, 'kl', 'before')"),
                {"at": THEN_NS, "action": action},
            )  # fmt: skip
    engine.dispose()
    return place


@pytest.fixture
def opened(where: str) -> Iterator[AccessStore]:
    store = open_access(where)
    yield store
    store.close()


def test_accounts_sessions_and_the_trail_are_kept(where: str, opened: AccessStore) -> None:
    engine = make_engine(where)
    with reading(engine) as connection:
        assert current(connection) == HEAD
    engine.dispose()
    account = opened.accounts.find("kl")
    assert (account.password, account.totp_secret, account.disabled) == ("hash of kl", "", False)
    session = opened.sessions.find("d" * 64)
    assert (session.account, session.second_factor) == ("kl", False)
    assert opened.sessions.open("e" * 64, "kl", "hash of kl", CHIEF, NOW_NS, device=("", "f" * 64))
    newest = opened.audit.newest(LEAST_LINES + 10)
    assert [newest[-1].action, newest[0].action] == ["account added", "signed in"]
    assert NEW_DEVICE not in {entry.action for entry in newest}  # which browsers there were, nobody had noted


def test_what_happened_before_is_no_news(opened: AccessStore) -> None:
    """An upgrade must not tell everybody of years of changes; what comes after it is told."""
    assert opened.sessions.find("d" * 64).unread == 0
    opened.accounts.set_second_factor("kl", "S" * 32, CHIEF, NOW_NS)
    assert opened.sessions.find("d" * 64).unread == 1


def test_the_trail_still_refuses_and_only_its_bound_lets_lines_go(where: str, opened: AccessStore) -> None:
    engine = make_engine(where)
    for change in ("DELETE FROM audit WHERE number = 1", "UPDATE audit SET who = 'nobody' WHERE number = 1"):
        with pytest.raises(DBAPIError, match="the audit trail is never changed"), writing(engine) as connection:
            connection.execute(text(change))
    engine.dispose()
    assert opened.audit.shorten(AuditBound(lines=LEAST_LINES), CHIEF, NOW_NS) == 3
    assert {entry.action for entry in opened.audit.newest(2 * LEAST_LINES)} == {"signed in", "audit trail shortened"}


@pytest.mark.usefixtures("opened")
def test_valves_that_were_stored_are_bound_to_who_sent_them_last(where: str) -> None:
    """Samples in InfluxDB have their index among the records."""
    engine = make_engine(where)
    with writing(engine) as connection:
        for agent, to_ns in (("hall-1", 5), ("hall-2", 9), ("hall-3", 7)):
            connection.execute(
                text("INSERT INTO sample_lap VALUES ('press-1.platen', :agent, 'stream', 0, 9, :to, 1)"),
                {"agent": agent, "to": to_ns},
            )
    bindings = open_bindings(where)
    assert bindings.adopt(BlockIndex(engine).feeds(), NOW_NS) == 1
    assert [(one.valve, one.agent, one.who) for one in bindings.bindings()] == [("press-1.platen", "hall-2", FOUND)]
    bindings.close()
    engine.dispose()
