"""Browsers that have signed in before: each has a token of its own, of which the SHA-256 is stored.

A try to sign in from such a browser is counted by itself, so nobody else's guessing keeps its owner out; and a
sign-in from another browser is told to the account's owner. There is one token for a browser and account, and a new
one at each sign-in.
"""

from __future__ import annotations

from asleft.store import tables
from asleft.store.engine import reading
from sqlalchemy import Connection, Engine, delete, func, select

MOST_PER_ACCOUNT = 20
"""Browsers that are remembered of one account; a further one takes the place of the one that was away longest."""
KEPT_DAYS = 180
"""A browser that has not signed in for so long is a new one."""

_KEPT_NS = KEPT_DAYS * 86_400 * 10**9


class Devices:
    """The known browsers in the records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def known(self, digest: str, account: str, at_ns: int) -> bool:
        """Whether the browser of that token has signed in as the account."""
        with reading(self._engine) as connection:
            return is_known(connection, digest, account, at_ns)


def is_known(connection: Connection, digest: str, account: str, at_ns: int) -> bool:
    """`Devices.known` within a transaction."""
    table = tables.known_device
    query = select(table.c.last_at_ns).where(table.c.digest == digest, table.c.account == account)
    last_at_ns = connection.execute(query).scalar()
    return last_at_ns is not None and last_at_ns > at_ns - _KEPT_NS


def has_any(connection: Connection, account: str) -> bool:
    """Whether any browser is known of the account."""
    table = tables.known_device
    query = select(func.count()).select_from(table).where(table.c.account == account)
    return bool(connection.execute(query).scalar())


def remember(connection: Connection, account: str, digest: str, replacing: str, at_ns: int) -> None:
    """Put the browser's new token in the place of the one until now, within a transaction."""
    table = tables.known_device
    connection.execute(delete(table).where(table.c.digest == replacing, table.c.account == account))
    connection.execute(delete(table).where(table.c.last_at_ns < at_ns - _KEPT_NS))
    newest = select(table.c.digest).where(table.c.account == account).order_by(table.c.last_at_ns.desc())
    surplus = connection.execute(newest).scalars().all()[MOST_PER_ACCOUNT - 1 :]
    if surplus:
        connection.execute(delete(table).where(table.c.digest.in_(surplus)))
    connection.execute(table.insert(), {"digest": digest, "account": account, "last_at_ns": at_ns})


def forget(connection: Connection, account: str, but: str = "") -> None:
    """Forget the browsers of an account within a transaction, all but the one of that digest."""
    table = tables.known_device
    connection.execute(delete(table).where(table.c.account == account, table.c.digest != but))
