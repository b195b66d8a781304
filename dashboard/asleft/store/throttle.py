"""How often somebody may try to sign in: after some failures each further one makes the next try wait longer.

Kept in the records store, so that a restart forgives nothing, and counted twice: per account, against many machines
guessing at one, and per address, against one machine guessing at many. A browser that has signed in as the account
before has an allowance of its own instead, so that others' guessing does not keep its owner out; what it guesses is
counted as strictly. A try is counted *before* the password is
looked at and taken back if it was right; tries in parallel gain nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from asleft.store import tables
from asleft.store.engine import insert_replacing, writing
from sqlalchemy import Connection, Engine, delete, select, update

_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Limits:
    """`free` failures cost nothing; the next wait is `first_s`, doubled each time up to `longest_s`.

    After `forget_s` without a failure the count starts anew.
    """

    free: int
    first_s: float
    longest_s: float
    forget_s: float

    def wait_s(self, failures: int) -> float:
        """Wait after that many failures in a row."""
        if failures <= self.free:
            return 0.0
        return min(self.first_s * 2.0 ** min(failures - self.free - 1, 60), self.longest_s)


#: An account's wait ends soon enough that nobody can be kept out for a shift by somebody else's guessing.
PER_ACCOUNT = Limits(free=4, first_s=5.0, longest_s=300.0, forget_s=86_400.0)
#: Several people may share an address, behind a proxy or at one desk.
PER_ADDRESS = Limits(free=19, first_s=5.0, longest_s=900.0, forget_s=3600.0)

#: As for an account: who has the browser's token has no more tries than a stranger.
PER_DEVICE = PER_ACCOUNT

_KEEP_NS = 86_400 * _S


@dataclass(frozen=True, slots=True)
class Attempt:
    """A try that may go on (`wait_s` 0), or how long it has to wait."""

    account: str
    address: str
    wait_s: float
    failures: int = 0  # of the account, or of the known device, this try counted in
    device: str = ""  # digest of a known device's token; empty for any other


class Throttle:
    """The throttle of one records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def attempt(self, account: str, address: str, at_ns: int, device: str = "") -> Attempt:
        """Count a try, unless it comes too early. The account need not exist.

        `device` is the digest of a device that is known to have signed in as the account before.
        """
        subjects = _subjects(account, address, device)
        table = tables.login_throttle
        with writing(self._engine, *subjects) as connection:
            connection.execute(delete(table).where(table.c.last_at_ns < at_ns - _KEEP_NS))
            known = _known(connection, subjects, at_ns)
            wait_ns = max(until - at_ns for _, until in known.values())
            if wait_ns > 0:
                return Attempt(account, address, wait_ns / _S, device=device)
            rows = []
            for subject, (failures, _) in known.items():
                wait_s = subjects[subject].wait_s(failures + 1)
                rows.append(_row(subject, failures + 1, at_ns, at_ns + round(wait_s * _S) if wait_s else 0))
            insert_replacing(connection, table, rows)
            counted = _device(device) if device else _account(account)
            return Attempt(account, address, 0.0, known[counted][0] + 1, device)

    def succeeded(self, attempt: Attempt, at_ns: int) -> None:
        """Take the try back: the account's count is cleared, the address loses only this one.

        An account of one's own must not buy further guesses at somebody else's; nor does the owner's success on a
        known device give others their tries back.
        """
        subject = _address(attempt.address)
        table = tables.login_throttle
        with writing(self._engine, *_subjects(attempt.account, attempt.address, attempt.device)) as connection:
            if attempt.device:
                connection.execute(delete(table).where(table.c.subject == _device(attempt.device)))
                return
            clear(connection, attempt.account)
            failures, _ = _known(connection, {subject: PER_ADDRESS}, at_ns)[subject]
            if failures <= 1:
                connection.execute(delete(table).where(table.c.subject == subject))
            else:
                insert_replacing(connection, table, [_row(subject, failures - 1, at_ns, 0)])


def clear(connection: Connection, account: str) -> None:
    """Forget the failures of an account."""
    table = tables.login_throttle
    connection.execute(delete(table).where(table.c.subject == _account(account)))


def _known(connection: Connection, limits: Mapping[str, Limits], at_ns: int) -> dict[str, tuple[int, int]]:
    """Subject -> failures that still count, and until when it has to wait."""
    table = tables.login_throttle
    known = dict.fromkeys(limits, (0, 0))
    for row in connection.execute(select(table).where(table.c.subject.in_(limits))).all():
        forgotten = at_ns - row.last_at_ns > limits[row.subject].forget_s * _S
        latest_ns = at_ns + round(limits[row.subject].longest_s * _S)
        if row.until_ns > latest_ns:  # the clock was put back: nobody waits longer than the longest wait
            connection.execute(update(table).where(table.c.subject == row.subject).values(until_ns=latest_ns))
        known[row.subject] = (0 if forgotten else row.failures, min(row.until_ns, latest_ns))
    return known


def _subjects(account: str, address: str, device: str) -> dict[str, Limits]:
    if device:
        return {_device(device): PER_DEVICE}
    return {_account(account): PER_ACCOUNT, _address(address): PER_ADDRESS}


def _account(name: str) -> str:
    """Hashed: what was typed may be a password in the wrong field."""
    return f"account/{hashlib.sha256(name.encode()).hexdigest()}"


def _address(address: str) -> str:
    return f"address/{address[:64]}"


def _device(digest: str) -> str:
    return f"device/{digest}"


def _row(subject: str, failures: int, at_ns: int, until_ns: int) -> dict[str, str | int]:
    return {"subject": subject, "failures": failures, "last_at_ns": at_ns, "until_ns": until_ns}
