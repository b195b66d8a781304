"""Tokens of programs in the records store."""

from __future__ import annotations

import pytest
from asleft.store.access import open_access
from asleft.store.accounts import Role, UnknownAccount
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


def test_one_that_is_tied_to_an_account_may_no_more_and_ends_with_it(store):
    store.accounts.add("kl", Role.TECHNICIAN, "hash", KL, DAY)
    store.tokens.add("nobodys", "a" * 64, Role.VIEWER, None, 9 * DAY, KL, DAY)
    store.tokens.add("historian", "d" * 64, Role.ADMINISTRATOR, None, 9 * DAY, KL, DAY, "kl")

    def found():
        return store.tokens.find("d" * 64)

    assert (found().account, found().role, found().holds(2 * DAY)) == ("kl", Role.TECHNICIAN, True)
    store.accounts.set_role("kl", Role.VIEWER, KL, 2 * DAY)
    assert found().role is Role.VIEWER
    store.accounts.set_disabled("kl", True, KL, 2 * DAY)
    assert (found().disabled, found().holds(3 * DAY)) == (True, False)
    store.accounts.set_disabled("kl", False, KL, 3 * DAY)
    assert found().holds(3 * DAY)
    store.accounts.remove("kl", KL, 4 * DAY)
    assert store.audit.newest(1)[0].details == "was viewer; no session was open; tokens revoked: 1"
    store.accounts.add("kl", Role.TECHNICIAN, "hash", KL, 5 * DAY)  # another person, who gets none of it
    assert (found().revoked_at_ns, found().holds(5 * DAY)) == (4 * DAY, False)
    assert store.tokens.find("a" * 64).holds(5 * DAY)


def test_one_for_an_account_that_is_not_there_is_not_made(store):
    with pytest.raises(UnknownAccount):
        store.tokens.add("historian", "d" * 64, Role.VIEWER, None, 9 * DAY, KL, DAY, "kl")
    assert store.tokens.all() == []


def test_the_last_use_is_kept(store):
    store.tokens.add("historian", "d" * 64, Role.VIEWER, None, 5 * DAY, KL, DAY)
    assert store.tokens.find("d" * 64).used_at_ns is None
    store.tokens.used("historian", 2 * DAY)
    assert [one.used_at_ns for one in store.tokens.all()] == [2 * DAY]
