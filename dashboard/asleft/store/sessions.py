"""Sessions of the dashboard, kept on the server: ending one here ends every copy of its cookie.

The cookie holds a random token; what is stored is the token's SHA-256, so that whoever reads the records store cannot
sign in with what it finds.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from asleft.store import tables
from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.devices import has_any, is_known, remember
from asleft.store.engine import reading, writing
from sqlalchemy import Connection, Engine, delete, func, or_, select, true, update
from sqlalchemy.exc import SQLAlchemyError

MOST_PER_ACCOUNT = 20
"""Sessions one account may have at a time; a further one ends the oldest."""
LONGEST_DAYS = 31
"""Rows older than this are cleared away; no session may last longer."""

NEW_DEVICE = "new device"
"""Action in the audit trail: a browser signed in as an account that others had signed in as before."""

TOLD = (NEW_DEVICE, "password changed", "second factor set", "second factor removed", "role changed")
"""Actions in the audit trail that the account's person is told of."""
SHORT = 12
"""Characters of a session's short name."""

_DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class Session:
    """One sign-in, with the role its account has now. Times are unix ns."""

    digest: str
    account: str
    role: str
    address: str
    started_at_ns: int
    seen_at_ns: int
    second_factor: bool = False  # whether its account has one
    unread: int = 0  # lines upon its account that its person has not read; of this sign-in's own none

    @property
    def short(self) -> str:
        """By which people name it: enough to tell one from another, and nothing that lets anybody in."""
        return self.digest[:SHORT]


class Sessions:
    """The sessions in the records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def open(
        self,
        digest: str,
        account: str,
        password: str,
        actor: Actor,
        at_ns: int,
        replacing: str | None = None,
        device: tuple[str, str] | None = None,
    ) -> bool:
        """Open a session for an account whose password hash was `password` when it was checked.

        The session in the same browser (`replacing`) ends. `device`: the browser's token until now and from now on,
        as digests. False, and nothing changed, if the account was disabled, removed or given another password since.
        """
        accounts, table = tables.account, tables.web_session
        with writing(self._engine, account_lock(account)) as connection:
            row = connection.execute(select(accounts).where(accounts.c.name == account)).first()
            if row is None or row.disabled or row.password != password:
                return False
            if replacing is not None:
                connection.execute(delete(table).where(table.c.digest == replacing))
            connection.execute(delete(table).where(table.c.started_at_ns < at_ns - LONGEST_DAYS * _DAY_NS))
            _make_room(connection, account)
            connection.execute(
                table.insert(),
                {
                    "digest": digest,
                    "account": account,
                    "address": actor.address[:64],
                    "started_at_ns": at_ns,
                    "seen_at_ns": at_ns,
                },
            )
            if device is not None:
                before, now = device
                if has_any(connection, account) and not is_known(connection, before, account, at_ns):
                    note(
                        connection, actor, at_ns, NEW_DEVICE, account, "a browser that had not signed in as it before"
                    )
                remember(connection, account, now, before, at_ns)
            note(connection, actor, at_ns, "signed in", account, f"as {row.role}")
            return True

    def find(self, digest: str) -> Session | None:
        """The session, unless it has ended or its account is disabled or gone."""
        accounts, table, audit = tables.account, tables.web_session, tables.audit
        unread = (
            select(func.count())
            .select_from(audit)
            .where(
                audit.c.subject == table.c.account,
                audit.c.number > accounts.c.told_number,
                audit.c.action.in_(TOLD),
                or_(audit.c.action != NEW_DEVICE, audit.c.at_ns != table.c.started_at_ns),
            )
            .scalar_subquery()
        )
        query = (
            select(table, accounts.c.role, accounts.c.totp_secret, unread.label("unread"))
            .join(accounts, accounts.c.name == table.c.account)
            .where(table.c.digest == digest, accounts.c.disabled.is_(False))
        )
        with reading(self._engine) as connection:
            row = connection.execute(query).first()
        if row is None:
            return None
        times = row.started_at_ns, row.seen_at_ns
        return Session(row.digest, row.account, row.role, row.address, *times, bool(row.totp_secret), row.unread)

    def of(self, account: str | None) -> list[Session]:
        """Sessions of an account (None: of all) that nobody has ended, newest first; some may be past their time."""
        accounts, table = tables.account, tables.web_session
        query = (
            select(table, accounts.c.role)
            .join(accounts, accounts.c.name == table.c.account)
            .where(table.c.account == account if account is not None else true())
            .order_by(table.c.started_at_ns.desc())
        )
        with reading(self._engine) as connection:
            return [
                Session(r.digest, r.account, r.role, r.address, r.started_at_ns, r.seen_at_ns)
                for r in connection.execute(query)
            ]

    def touch(self, digest: str, at_ns: int) -> None:
        """Note that it is in use. A store that cannot be written (a full disk) keeps nobody from reading."""
        table = tables.web_session
        with suppress(SQLAlchemyError), writing(self._engine) as connection:
            connection.execute(
                update(table).where(table.c.digest == digest, table.c.seen_at_ns < at_ns).values(seen_at_ns=at_ns)
            )

    def end(self, digest: str, actor: Actor, at_ns: int, why: str) -> bool:
        """End one; False if it had ended already (and nothing is noted again)."""
        table = tables.web_session
        with writing(self._engine) as connection:
            account = connection.execute(
                delete(table).where(table.c.digest == digest).returning(table.c.account)
            ).scalar()
            if account is None:
                return False
            note(connection, actor, at_ns, "signed out", account, why)
            return True


def account_lock(name: str) -> str:
    """What transactions over one account have in common, so that none opens a session while another ends them all."""
    return f"account/{name}"


def end_all(connection: Connection, account: str) -> int:
    """End every session of an account within a transaction; how many."""
    table = tables.web_session
    return connection.execute(delete(table).where(table.c.account == account)).rowcount


def _make_room(connection: Connection, account: str) -> None:
    table = tables.web_session
    digests = (
        connection.execute(
            select(table.c.digest).where(table.c.account == account).order_by(table.c.started_at_ns.desc())
        )
        .scalars()
        .all()
    )
    surplus = digests[MOST_PER_ACCOUNT - 1 :]
    if surplus:
        connection.execute(delete(table).where(table.c.digest.in_(surplus)))
