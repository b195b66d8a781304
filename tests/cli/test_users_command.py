"""`asleft users`, as whoever runs the machine uses it."""

from __future__ import annotations

import getpass
import io
import sys

import pytest
from asleft.cli.main import main
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.actor import Actor
from asleft.web.access.passwords import Passwords

PASSWORD = "copper ladder seven owls"


@pytest.fixture
def data(tmp_path):
    return tmp_path / "data"


@pytest.fixture
def users(data, monkeypatch, capsys):
    """Runs the command with a line on standard input; code, output, complaints."""

    def run(*words: str, line: str = f"{PASSWORD}\n") -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "stdin", io.StringIO(line))
        code = main(["users", *words, "--data", str(data)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


@pytest.fixture
def store(data):
    opened = open_access(data / "records.db")
    yield opened
    opened.close()


def add(users, name: str = "kl", role: str = "technician") -> tuple[int, str, str]:
    return users("add", name, "--role", role, "--password-stdin")


def test_an_account_is_added_and_what_comes_next_is_said(users, data, store):
    code, out, err = add(users)
    assert (code, err) == (0, "")
    assert "kl: added as technician." in out
    assert "There is no administrator yet" in out
    assert f"asleft web --data {data}" in out
    account = store.accounts.find("kl")
    assert account.role is Role.TECHNICIAN
    assert Passwords().right(account.password, PASSWORD)
    assert PASSWORD not in account.password
    code, out, _ = add(users, "chief", "administrator")
    assert code == 0
    assert "no administrator" not in out


def test_the_whole_life_of_an_account(users, store):
    add(users, "chief", "administrator")
    add(users)
    assert "kl: is viewer now." in users("role", "kl", "viewer")[1]
    assert "already; nothing changed" in users("role", "kl", "viewer")[1]
    store.sessions.open("d1", "kl", store.accounts.find("kl").password, _actor(), 1)
    assert "kl     viewer         active" in users("list")[1]
    assert (
        "password set, 1 session ended"
        in users("password", "kl", "--password-stdin", line="nine green bottles hang\n")[1]
    )
    assert Passwords().right(store.accounts.find("kl").password, "nine green bottles hang")
    assert "shut out" in users("disable", "kl")[1]
    assert "disabled already" in users("disable", "kl")[1]
    assert "disabled" in users("list")[1]
    assert "may sign in again" in users("enable", "KL")[1]
    assert "removed" in users("remove", "kl")[1]
    assert store.accounts.find("kl") is None
    log = users("log")[1].splitlines()
    actions = (
        "account added",
        "account added",
        "role changed",
        "signed in",
        "password changed",
        "account disabled",
        "account enabled",
        "account removed",
    )
    assert len(log) == len(actions)
    for line, action in zip(log, actions, strict=True):
        assert f"  {action}  " in line
    assert f"  {getpass.getuser()}  command line  " in log[0]
    assert users("log", "--last", "1")[1].splitlines() == log[-1:]


def _actor():
    from asleft.store.actor import Actor

    return Actor("kl", "10.0.0.7")


def test_shutting_the_last_administrator_out_is_told(users):
    add(users, "chief", "administrator")
    add(users)
    assert "no active administrator now" in users("disable", "chief")[1]
    users("remove", "chief")
    assert "That was the last account." in users("remove", "kl")[1]


@pytest.mark.parametrize(
    ("words", "line", "complaint"),
    [
        (("add", "kl", "--role", "viewer", "--password-stdin"), "short\n", "it has 5 characters, at least 15"),
        (("add", "kl", "--role", "viewer", "--password-stdin"), "", "it has 0 characters"),
        (("add", "owl", "--role", "viewer", "--password-stdin"), f"{PASSWORD}\n", "the account's name is in it"),
        (("add", "k l", "--role", "viewer", "--password-stdin"), f"{PASSWORD}\n", "a name is 2 to 64 of a-z"),
        (("add", "kl", "--role", "viewer"), "", "use --password-stdin"),
        (("add", "kl", "--role", "king", "--password-stdin"), "", "invalid choice: 'king'"),
        (
            ("add", "there", "--role", "viewer", "--password-stdin"),
            f"{PASSWORD}\n",
            "there is an account there already",
        ),
        (("password", "nobody", "--password-stdin"), f"{PASSWORD}\n", "there is no account nobody"),
        (("role", "nobody", "viewer"), "", "there is no account nobody"),
        (("disable", "nobody"), "", "there is no account nobody"),
        (("enable", "nobody"), "", "there is no account nobody"),
        (("remove", "nobody"), "", "there is no account nobody"),
        (("log", "--last", "0"), "", "--last 0"),
    ],
)
def test_wrong_input_changes_nothing_and_says_what_is_wanted(users, store, words, line, complaint):
    add(users, "there", "administrator")
    code, _, err = users(*words, line=line)
    assert code == 2
    assert complaint in err
    assert "Traceback" not in err
    assert [(account.name, account.role) for account in store.accounts.all()] == [("there", Role.ADMINISTRATOR)]
    assert len(store.audit.newest(10)) == 1


def test_at_a_terminal_the_password_is_asked_for_twice_and_unseen(users, store, monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    asked: list[str] = []
    answers = iter([PASSWORD, PASSWORD, PASSWORD, "something else"])

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return next(answers)

    monkeypatch.setattr(getpass, "getpass", ask)
    monkeypatch.setattr(io, "StringIO", Terminal)
    code, out, _ = users("add", "kl", "--role", "administrator")
    assert code == 0
    assert asked == ["Password for kl: ", "The same once more: "]
    assert PASSWORD not in out
    code, _, err = users("add", "ab", "--role", "viewer")
    assert code == 2
    assert "the two passwords differ" in err
    assert store.accounts.find("ab") is None


def test_without_accounts_the_list_says_how_to_begin(users):
    assert "asleft users add NAME --role administrator" in users("list")[1]


def test_a_file_is_no_data_folder(users, data):
    data.write_text("x")
    code, _, err = users("list")
    assert code == 2
    assert "not a folder" in err


@pytest.mark.parametrize("name", ["users", "web"])
def test_the_help_is_a_page(capsys, name):
    assert main([name, "--help"]) == 0
    text = capsys.readouterr().out
    for word in ("what it does", "examples", "exit codes", "cautions"):
        assert word in text
    assert max(map(len, text.splitlines())) <= 80


def test_sessions_are_listed_and_ended_one_by_one(users, store):
    kl = Actor("kl", "10.0.0.7")
    for name in ("kl", "ab"):
        store.accounts.add(name, Role.VIEWER, "hash", kl, 1)
        assert store.sessions.open(f"{name}-digest-of-a-token", name, "hash", kl, 1_795_532_527 * 10**9)
    code, out, _ = users("sessions")
    assert code == 0
    assert out.splitlines()[0].split() == ["session", "account", "since", "(UTC)", "last", "seen", "from"]
    assert len(out.splitlines()) == 3
    assert "kl-digest-of  kl       2026-11-24 15:02  2026-11-24 15:02  10.0.0.7" in out
    code, out, _ = users("sessions", "ab")
    assert len(out.splitlines()) == 2
    assert users("end", "kl", "kl-digest-of")[:2] == (0, "kl: that session has ended.\n")
    assert [one.account for one in store.sessions.of(None)] == ["ab"]
    code, _, err = users("end", "kl", "kl-digest-of")
    assert code == 2
    assert "kl has no session kl-digest-of; asleft users sessions" in err
    assert users("end", "kl", "ab-digest-of")[0] == 2
    assert users("sessions", "kl")[1] == "No session is open.\n"
    assert users("sessions", "nobody")[0] == 2


def test_a_lost_phone_is_no_reason_to_stay_outside(users, store):
    kl = Actor("kl", "10.0.0.7")
    store.accounts.add("kl", Role.ADMINISTRATOR, "hash", kl, 1)
    store.accounts.set_second_factor("kl", "A" * 32, kl, 2)
    assert users("second-factor", "kl")[:2] == (0, "kl: signs in by the password alone now.\n")
    assert store.accounts.find("kl").totp_secret == ""
    assert users("second-factor", "kl")[:2] == (0, "kl: has no second factor.\n")
    assert [e.action for e in store.audit.newest(2)] == ["second factor removed", "second factor set"]
    assert users("second-factor", "nobody")[0] == 2
