"""Tokens of programs in the records store."""

from __future__ import annotations

import pytest
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.actor import Actor
from asleft.store.tokens import TokenExists, UnknownToken

KL = Actor("kl", "command line")
DAY = 86_400 * 10**9


@pytest.fixture
def store(where):
    opened = open_access(where)
    yield opened
    opened.close()


def test_a_token_is_found_by_its_digest_and_holds_until_its_end(store):
    store.tokens.add("historian", "d" * 64, Role.VIEWER, {"b", "a"}, 5 * DAY, KL, DAY)
    found = store.tokens.find("d" * 64)
    assert (found.name, found.role, found.valves) == ("historian", Role.VIEWER, {"a", "b"})
    assert [found.holds(at) for at in (0, DAY, 5 * DAY - 1, 5 * DAY)] == [False, True, True, False]
    assert store.tokens.find("e" * 64) is None


def test_a_revoked_one_never_holds_again_and_its_name_is_not_given_again(store):
    store.tokens.add("historian", "d" * 64, Role.VIEWER, None, 5 * DAY, KL, DAY)
    assert store.tokens.revoke("historian", KL, 2 * DAY)
    assert not store.tokens.find("d" * 64).holds(3 * DAY)
    assert not store.tokens.revoke("historian", KL, 3 * DAY)
    with pytest.raises(TokenExists):
        store.tokens.add("historian", "e" * 64, Role.VIEWER, None, 9 * DAY, KL, 4 * DAY)
    with pytest.raises(UnknownToken):
        store.tokens.revoke("nobody", KL, DAY)
    lines = [(line.action, line.subject, line.details) for line in reversed(store.audit.newest(10))]
    assert lines == [
        ("token made", "historian", "as viewer, for 4 days, of every valve"),
        ("token revoked", "historian", ""),
    ]


def test_what_would_let_nobody_in_is_refused(store):
    for valves, ends in (((), 5 * DAY), (None, DAY), (None, 0)):
        with pytest.raises(ValueError, match="nobody"):
            store.tokens.add("x", "d" * 64, Role.VIEWER, valves, ends, KL, DAY)
    assert store.tokens.all() == []
    assert store.audit.newest(10) == []
