"""`asleft tokens`, as whoever runs the machine uses it."""

from __future__ import annotations

import hashlib
import re
import time

import pytest
from asleft.cli.main import main
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.actor import Actor

DAY = 86_400 * 10**9


@pytest.fixture
def data(tmp_path):
    return tmp_path / "data"


@pytest.fixture
def tokens(data, capsys):
    """Runs the command; code, output, complaints."""

    def run(*words: str) -> tuple[int, str, str]:
        code = main(["tokens", *words, "--data", str(data)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_a_token_is_printed_once_and_kept_as_a_digest(tokens, data):
    code, out, err = tokens("add", "historian", "--valve", "press-1.platen", "--days", "2")
    token = out.strip()
    assert (code, out) == (0, f"{token}\n")
    assert len(token) >= 43  # 256 bits
    assert "not shown again" in err
    assert token.encode() not in (data / "records.db").read_bytes()
    store = open_access(data / "records.db")
    found = store.tokens.find(hashlib.sha256(token.encode()).hexdigest())
    store.close()
    assert found.valves == {"press-1.platen"}
    assert abs(found.expires_at_ns - time.time_ns() - 2 * DAY) < 600 * 10**9
    code, out, _ = tokens("list")
    assert token not in out
    assert "historian  viewer  holds" in out


def test_one_of_an_account_says_whose_and_when_it_was_used(tokens, data):
    code, out, err = tokens("add", "historian", "--account", "kl")
    assert (code, out) == (2, "")
    assert "--account kl: there is no account kl; asleft users list" in err
    store = open_access(data / "records.db")
    store.accounts.add("kl", Role.VIEWER, "hash", Actor("chief", "test"), 1)
    assert tokens("add", "historian", "--account", "kl")[0] == 0
    assert re.search(r"historian +viewer +holds .* never +kl +every valve", tokens("list")[1])
    store.tokens.used("historian", 1_772_439_000 * 10**9)
    assert re.search(r"2026-03-02 08:10 UTC +kl +every valve", tokens("list")[1])
    store.accounts.set_disabled("kl", True, Actor("chief", "test"), 2)
    assert "historian  viewer  account disabled" in tokens("list")[1]
    store.close()


def test_a_revoked_one_is_listed_as_such(tokens):
    assert tokens("list")[1].startswith("No tokens.")
    tokens("add", "historian")
    assert tokens("revoke", "historian")[1] == "historian: revoked.\n"
    assert "nothing changed" in tokens("revoke", "historian")[1]
    assert "historian  viewer  revoked" in tokens("list")[1]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("add", "X"), "'X': a name is 2 to"),
        (("add", "historian", "--days", "0"), "--days 0: more than 0 and at most 1830"),
        (("add", "historian", "--days", "nan"), "--days nan"),
        (("add", "historian", "--days", "9999"), "at most 1830"),
        (("add", "historian", "--valve", "Press 1"), "--valve 'Press 1': must be of a-z"),
        (("revoke", "historian"), "there is no token historian; asleft tokens list"),
    ],
)
def test_a_fault_names_option_value_and_limit(tokens, words, told):
    code, out, err = tokens(*words)
    assert (code, out) == (2, "")
    assert told in err


def test_a_name_is_given_once(tokens):
    tokens("add", "historian")
    code, out, err = tokens("add", "historian")
    assert (code, out) == (2, "")
    assert "there is, or was, a token historian" in err
