"""How much of the audit trail is kept, and its lines on their way to a syslog."""

from __future__ import annotations

import io
import logging
import socket
from contextlib import redirect_stderr

import pytest
from asleft.cli.audit_syslog import VARIABLE, sent_to_syslog
from asleft.cli.errors import UserError
from asleft.store import tables
from asleft.store.access import AccessStore, open_access
from asleft.store.accounts import UnknownAccount
from asleft.store.actor import Actor
from asleft.store.audit import LEAST_LINES, AuditBound, note
from asleft.store.engine import writing
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

DAY = 86_400 * 10**9
T0 = 1_700_000_000 * 10**9
KL, DASHBOARD = Actor("kl", "10.0.0.7"), Actor("asleft", "dashboard")
LINES = LEAST_LINES + 500


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request, tmp_path):
    where = tmp_path / "records.db"
    if request.param == "postgresql":
        where = request.getfixturevalue("postgres").url(str(tmp_path))
    opened = open_access(where)
    line = {"who": "kl", "address": "10.0.0.7", "action": "signed in", "subject": "kl", "details": ""}
    with writing(opened._engine) as connection:
        connection.execute(tables.audit.insert(), [{**line, "at_ns": T0 + number * DAY} for number in range(LINES)])
    yield opened
    opened.close()


def numbers(store: AccessStore) -> list[int]:
    return [entry.number for entry in reversed(store.audit.newest(10 * LINES))]


@pytest.mark.parametrize(
    ("bound", "first"),
    [
        (AuditBound(), 1),
        (AuditBound(days=10 * LINES), 1),
        (AuditBound(lines=10 * LINES), 1),
        (AuditBound(lines=LINES - 3), 4),
        (AuditBound(lines=1), LINES - LEAST_LINES + 1),
        (AuditBound(days=LINES - 7), 7),
        (AuditBound(days=1), LINES - LEAST_LINES + 1),
        (AuditBound(days=LINES - 7, lines=LINES - 20), 21),
    ],
)
def test_lines_beyond_the_bound_go_and_that_is_a_line(store, bound, first):
    gone = store.audit.shorten(bound, DASHBOARD, T0 + (LINES - 1) * DAY)
    assert gone == first - 1
    assert numbers(store) == list(range(first, LINES + 1 + (gone > 0)))
    last = store.audit.newest(1)[0]
    if gone:
        assert (last.who, last.action, last.subject) == (
            "asleft",
            "audit trail shortened",
            f"{gone} lines before number {first}",
        )
        assert last.details == bound.words
    else:
        assert last.action == "signed in"


def test_nothing_else_can_be_taken_out_afterwards(store):
    store.audit.shorten(AuditBound(lines=LINES - 3), DASHBOARD, T0)
    kept = numbers(store)
    for statement in ("DELETE FROM audit", "DELETE FROM audit WHERE number = 4", "UPDATE audit SET who = 'x'"):
        with pytest.raises(DBAPIError, match="never changed"), writing(store._engine) as connection:
            connection.execute(text(statement))
    assert numbers(store) == kept


def test_an_empty_trail_has_nothing_to_lose(tmp_path):
    empty = open_access(tmp_path / "records.db")
    assert empty.audit.shorten(AuditBound(days=1), DASHBOARD, T0) == 0
    empty.close()


# ------------------------------------------------------------------------------------------- syslog


@pytest.fixture
def syslog():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(30)
        yield listening


def undone(store: AccessStore) -> None:
    with writing(store._engine) as connection:
        note(connection, KL, T0, "role changed", "undone")
        raise UnknownAccount


def test_a_line_is_sent_when_it_is_committed_and_not_when_it_is_not(tmp_path, syslog):
    store = open_access(tmp_path / "records.db")
    with sent_to_syslog({VARIABLE: f"udp://127.0.0.1:{syslog.getsockname()[1]}"}):
        with pytest.raises(UnknownAccount):
            undone(store)
        nasty = 'a" action="signed in"\nnumber=7\x1b[2J\u2028'
        store.audit.add(KL, T0, "sign-in failed", nasty, "2 in a row")
        got = syslog.recv(10_000).decode()
    store.audit.add(KL, T0, "signed in", "kl")  # nobody listens any more
    syslog.settimeout(0.05)
    with pytest.raises(TimeoutError):
        syslog.recv(10_000)
    # RFC 5424, 6.2.1: facility 10 (security), severity 6 (informational)
    assert got.startswith('<86>asleft-audit: number=1 at=2023-11-14T22:13:20Z who="kl" address="10.0.0.7" ')
    assert got.endswith('details="2 in a row"')
    assert got.isascii()
    assert got.isprintable()
    assert got.count(' action="') == 1
    store.close()


def test_a_socket_of_the_machine_is_taken_too_and_one_that_goes_away_breaks_nothing(tmp_path):
    path = str(tmp_path / "log")
    store = open_access(tmp_path / "records.db")
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listening.bind(path)
    said = io.StringIO()
    with sent_to_syslog({VARIABLE: path}), redirect_stderr(said):
        store.audit.add(KL, T0, "signed in", "kl")
        assert b'action="signed in"' in listening.recv(10_000)
        listening.close()
        for _ in range(3):
            store.audit.add(KL, T0, "signed in", "kl")
    assert said.getvalue().count("the audit trail does not reach the syslog") == 1
    assert len(store.audit.newest(10)) == 4
    store.close()


@pytest.mark.parametrize("wanted", ["tcp://host", "udp://", "host", "udp://127.0.0.1:port"])
def test_what_is_no_syslog_is_said(wanted):
    with pytest.raises(UserError, match=r"wanted is /dev/log or udp://HOST:PORT"), sent_to_syslog({VARIABLE: wanted}):
        pass


def test_without_the_variable_nothing_listens():
    with sent_to_syslog({}):
        assert logging.getLogger("asleft.audit").handlers == []
