"""Accounts, sessions, throttle and audit trail, over every records store."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from asleft.store.access import AccessStore, open_access
from asleft.store.accounts import AccountExists, Role, UnknownAccount
from asleft.store.actor import Actor
from asleft.store.sessions import LONGEST_DAYS, MOST_PER_ACCOUNT
from asleft.store.throttle import PER_ACCOUNT, PER_ADDRESS, Limits

S = 1_000_000_000
T0 = 1_700_000_000 * S
HOUR = 3600 * S
CHIEF = Actor("chief", "command line")
KL = Actor("kl", "10.0.0.7")


@pytest.fixture
def access(where) -> Iterator[AccessStore]:
    opened = open_access(where)
    yield opened
    opened.close()


@pytest.fixture
def kl(access) -> AccessStore:
    access.accounts.add("kl", Role.TECHNICIAN, "hash-1", CHIEF, T0)
    return access


def lines(access: AccessStore) -> list[tuple[str, str, str, str]]:
    return [(e.who, e.action, e.subject, e.details) for e in reversed(access.audit.newest(100))]


def test_roles_include_one_another():
    assert [[role.may(needed) for needed in Role] for role in Role] == [
        [True, False, False],
        [True, True, False],
        [True, True, True],
    ]


def test_accounts_are_kept_and_each_change_is_on_record(access, where):
    assert access.accounts.any() is False
    access.accounts.add("kl", Role.TECHNICIAN, "hash-1", CHIEF, T0)
    access.accounts.add("ab", Role.VIEWER, "hash-2", CHIEF, T0 + 1)
    assert access.accounts.set_role("kl", Role.ADMINISTRATOR, CHIEF, T0 + 2) is True
    assert access.accounts.set_role("kl", Role.ADMINISTRATOR, CHIEF, T0 + 3) is False
    assert access.accounts.set_disabled("ab", True, CHIEF, T0 + 4) is True
    assert access.accounts.set_disabled("ab", True, CHIEF, T0 + 5) is False
    assert access.accounts.set_password("kl", "hash-3", KL, T0 + 6) == 0
    again = open_access(where)
    assert [(a.name, a.role, a.password, a.disabled) for a in again.accounts.all()] == [
        ("ab", Role.VIEWER, "hash-2", True),
        ("kl", Role.ADMINISTRATOR, "hash-3", False),
    ]
    again.close()
    access.accounts.remove("ab", CHIEF, T0 + 7)
    assert access.accounts.find("ab") is None
    assert access.accounts.any() is True
    assert lines(access) == [
        ("chief", "account added", "kl", "as technician"),
        ("chief", "account added", "ab", "as viewer"),
        ("chief", "role changed", "kl", "technician to administrator"),
        ("chief", "account disabled", "ab", "no session was open"),
        ("kl", "password changed", "kl", "no session was open"),
        ("chief", "account removed", "ab", "was viewer; no session was open"),
    ]


def test_what_is_refused_leaves_no_trace(kl):
    with pytest.raises(AccountExists, match="kl"):
        kl.accounts.add("kl", Role.VIEWER, "other", CHIEF, T0 + 1)
    for act in (
        lambda: kl.accounts.set_role("no", Role.VIEWER, CHIEF, T0),
        lambda: kl.accounts.set_password("no", "x", CHIEF, T0),
        lambda: kl.accounts.set_disabled("no", True, CHIEF, T0),
        lambda: kl.accounts.remove("no", CHIEF, T0),
    ):
        with pytest.raises(UnknownAccount, match="no account no"):
            act()
    assert kl.accounts.find("kl").password == "hash-1"
    assert len(lines(kl)) == 1


def test_a_hash_is_renewed_only_in_place_of_the_one_that_was_checked(kl):
    account = kl.accounts.find("kl")
    kl.accounts.set_password("kl", "hash-2", KL, T0 + 1)
    kl.accounts.renew_hash(account, "renewed")
    assert kl.accounts.find("kl").password == "hash-2"
    kl.accounts.renew_hash(kl.accounts.find("kl"), "renewed")
    assert kl.accounts.find("kl").password == "renewed"


def test_a_session_has_the_role_its_account_has_now(kl):
    assert kl.sessions.open("d1", "kl", "hash-1", KL, T0 + 1) is True
    found = kl.sessions.find("d1")
    assert (found.account, found.role, found.address, found.started_at_ns) == ("kl", "technician", "10.0.0.7", T0 + 1)
    kl.accounts.set_role("kl", Role.VIEWER, CHIEF, T0 + 2)
    assert kl.sessions.find("d1").role == "viewer"
    assert kl.sessions.find("d2") is None


@pytest.mark.parametrize(
    "act",
    [
        lambda s: s.accounts.set_password("kl", "hash-2", KL, T0 + 9),
        lambda s: s.accounts.set_disabled("kl", True, CHIEF, T0 + 9),
        lambda s: s.accounts.remove("kl", CHIEF, T0 + 9),
    ],
    ids=["password", "disabled", "removed"],
)
def test_password_disabling_and_removal_end_every_session_and_admit_none_checked_before(kl, act):
    for digest in ("d1", "d2"):
        assert kl.sessions.open(digest, "kl", "hash-1", KL, T0 + 1)
    act(kl)
    assert [kl.sessions.find(digest) for digest in ("d1", "d2")] == [None, None]
    assert kl.sessions.open("d3", "kl", "hash-1", KL, T0 + 10) is False
    assert kl.sessions.find("d3") is None
    assert "2 sessions ended" in lines(kl)[-1][3]


def test_a_disabled_account_let_in_again_does_not_get_its_sessions_back(kl):
    kl.sessions.open("d1", "kl", "hash-1", KL, T0)
    kl.accounts.set_disabled("kl", True, CHIEF, T0 + 1)
    kl.accounts.set_disabled("kl", False, CHIEF, T0 + 2)
    assert kl.sessions.find("d1") is None
    assert kl.sessions.open("d2", "kl", "hash-1", KL, T0 + 3)


def test_sessions_end_once_and_signing_in_again_replaces(kl):
    kl.sessions.open("d1", "kl", "hash-1", KL, T0)
    kl.sessions.open("d2", "kl", "hash-1", KL, T0 + 1, replacing="d1")
    assert kl.sessions.find("d1") is None
    assert kl.sessions.end("d2", KL, T0 + 2, "by the button") is True
    assert kl.sessions.end("d2", KL, T0 + 3, "by the button") is False
    assert [line[1] for line in lines(kl)] == ["account added", "signed in", "signed in", "signed out"]


def test_sessions_are_few_and_old_ones_are_cleared_away(kl):
    for number in range(MOST_PER_ACCOUNT + 3):
        kl.sessions.open(f"d{number}", "kl", "hash-1", KL, T0 + number)
    kept = [session.digest for session in kl.sessions.of("kl")]
    assert kept == [f"d{number}" for number in range(MOST_PER_ACCOUNT + 2, 2, -1)]
    kl.sessions.open("late", "kl", "hash-1", KL, T0 + (LONGEST_DAYS * 24 + 1) * HOUR)
    assert [session.digest for session in kl.sessions.of("kl")] == ["late"]


def test_a_session_is_touched_forwards_only(kl):
    kl.sessions.open("d1", "kl", "hash-1", KL, T0)
    kl.sessions.touch("d1", T0 + 5)
    kl.sessions.touch("d1", T0 + 3)
    assert kl.sessions.find("d1").seen_at_ns == T0 + 5


def test_waits_grow_and_have_an_end():
    limits = Limits(free=2, first_s=5.0, longest_s=60.0, forget_s=1000.0)
    assert [limits.wait_s(n) for n in range(9)] == [0, 0, 0, 5, 10, 20, 40, 60, 60]
    assert limits.wait_s(10**6) == 60


def fail(access: AccessStore, account: str, address: str, at_ns: int) -> float:
    return access.throttle.attempt(account, address, at_ns).wait_s


def test_an_account_is_throttled_from_wherever_and_other_accounts_are_not(access):
    for number in range(PER_ACCOUNT.free + 1):
        assert fail(access, "kl", f"10.0.0.{number}", T0) == 0
    assert fail(access, "kl", "10.0.1.1", T0 + S) == pytest.approx(4.0)
    assert fail(access, "ab", "10.0.1.1", T0 + S) == 0
    assert fail(access, "kl", "10.0.1.1", T0 + 5 * S) == 0
    assert fail(access, "kl", "10.0.1.1", T0 + 6 * S) == pytest.approx(9.0)


def test_an_address_is_throttled_whatever_names_it_tries(access):
    for number in range(PER_ADDRESS.free + 1):
        assert fail(access, f"name-{number}", "10.0.0.1", T0) == 0
    assert fail(access, "another", "10.0.0.1", T0) == pytest.approx(5.0)
    assert fail(access, "another", "10.0.0.2", T0) == 0


def test_a_restart_forgives_nothing(access, where):
    for _ in range(PER_ACCOUNT.free + 1):
        fail(access, "kl", "10.0.0.1", T0)
    access.close()
    again = open_access(where)
    assert fail(again, "kl", "10.0.0.1", T0 + S) == pytest.approx(4.0)
    again.close()


def test_tries_in_parallel_are_each_counted(access):
    with ThreadPoolExecutor(8) as pool:
        waits = list(pool.map(lambda _: fail(access, "kl", "10.0.0.1", T0), range(40)))
    assert sum(wait == 0 for wait in waits) == PER_ACCOUNT.free + 1


def test_success_clears_the_account_but_buys_no_guesses_at_others(access):
    for _ in range(4):
        attempt = access.throttle.attempt("kl", "10.0.0.1", T0)
    access.throttle.succeeded(attempt, T0)
    for _ in range(PER_ACCOUNT.free):
        assert fail(access, "kl", "10.0.0.9", T0) == 0
    guesses = 0
    while fail(access, f"victim-{guesses}", "10.0.0.5", T0) == 0:
        guesses += 1
        own = access.throttle.attempt("own", "10.0.0.5", T0)
        if own.wait_s == 0:
            access.throttle.succeeded(own, T0)
    assert guesses <= PER_ADDRESS.free + 1


def test_failures_are_forgotten_in_time_and_a_clock_put_back_keeps_nobody_out_longer(access):
    for _ in range(PER_ACCOUNT.free + 1):
        fail(access, "kl", "10.0.0.1", T0)
    assert fail(access, "kl", "10.0.0.1", T0 - 1000 * HOUR) == PER_ACCOUNT.longest_s
    assert fail(access, "kl", "10.0.0.1", T0 - 1000 * HOUR + 299 * S) == pytest.approx(1.0)
    assert fail(access, "kl", "10.0.0.1", T0 - 1000 * HOUR + 301 * S) == 0
    later = T0 + 25 * HOUR
    for _ in range(PER_ACCOUNT.free):
        assert fail(access, "kl", "10.0.0.1", later) == 0


def test_a_new_password_lets_in_at_once(kl):
    for _ in range(PER_ACCOUNT.free + 1):
        fail(kl, "kl", "10.0.0.1", T0)
    assert fail(kl, "kl", "10.0.0.1", T0 + 1) > 0
    kl.accounts.set_password("kl", "hash-2", CHIEF, T0 + 2)
    assert fail(kl, "kl", "10.0.0.1", T0 + 3) == 0


def test_the_trail_is_read_in_pages_and_long_words_are_cut(access):
    for number in range(7):
        access.audit.add(KL, T0 + number, "sign-in failed", f"name-{number}" if number else "x" * 9000)
    first = access.audit.newest(4)
    assert [entry.subject for entry in first] == ["name-6", "name-5", "name-4", "name-3"]
    rest = access.audit.newest(4, before=first[-1].number)
    assert [len(entry.subject) for entry in rest] == [6, 6, 500]


def test_no_session_slips_in_while_another_password_is_set(kl):
    """Sign-ins checked against the old password race with the change; none may be open afterwards."""

    def sign_in(number: int) -> bool:
        return kl.sessions.open(f"d{number}", "kl", "hash-1", KL, T0 + number)

    with ThreadPoolExecutor(8) as pool:
        before = [pool.submit(sign_in, number) for number in range(8)]
        change = pool.submit(kl.accounts.set_password, "kl", "hash-2", CHIEF, T0 + 50)
        after = [pool.submit(sign_in, number) for number in range(8, 16)]
        opened = sum(future.result() for future in (*before, *after))
    assert change.result() == opened
    assert kl.sessions.of("kl") == []


def test_other_users_of_the_machine_cannot_read_the_file(tmp_path):
    file = tmp_path / "records.db"
    open_access(file).close()
    assert stat.S_IMODE(file.stat().st_mode) & 0o007 == 0
    file.chmod(0o644)  # as an earlier release left it
    open_access(file).close()
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
