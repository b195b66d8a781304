"""Accounts of the dashboard: who may sign in, as what. Every change writes its line of the audit trail with it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from asleft.store import tables
from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.devices import forget
from asleft.store.engine import reading, writing
from asleft.store.sessions import account_lock, end_all
from asleft.store.throttle import clear
from sqlalchemy import Connection, Engine, Row, delete, func, select, update


class Role(StrEnum):
    """What an account may do; each role may do what the one before it may."""

    VIEWER = "viewer"
    TECHNICIAN = "technician"
    ADMINISTRATOR = "administrator"

    @property
    def rank(self) -> int:
        """0, 1, 2: to compare by."""
        return list(Role).index(self)

    def may(self, needed: Role) -> bool:
        """Whether this role suffices where `needed` is asked for."""
        return self.rank >= needed.rank


@dataclass(frozen=True, slots=True)
class Account:
    """One account. `password` is an argon2id hash with its salt and parameters. Times are unix ns."""

    name: str
    role: Role
    password: str
    disabled: bool
    created_at_ns: int
    password_at_ns: int
    totp_secret: str = ""
    told_number: int = 0


class AccountExists(Exception):  # noqa: N818 - reads as what it says
    """There is an account of that name already."""


class UnknownAccount(Exception):  # noqa: N818 - reads as what it says
    """There is no account of that name."""


class Accounts:
    """The accounts in the records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def all(self) -> list[Account]:
        """All accounts, by name."""
        with reading(self._engine) as connection:
            return [_account(row) for row in connection.execute(select(tables.account).order_by("name"))]

    def any(self) -> bool:
        """Whether there is an account at all, disabled ones counted in."""
        with reading(self._engine) as connection:
            return bool(connection.execute(select(func.count()).select_from(tables.account)).scalar())

    def find(self, name: str) -> Account | None:
        """The account of that name; None if there is none."""
        table = tables.account
        with reading(self._engine) as connection:
            row = connection.execute(select(table).where(table.c.name == name)).first()
            return None if row is None else _account(row)

    def add(self, name: str, role: Role, password: str, actor: Actor, at_ns: int) -> None:
        """Add an account with a password hash. Raises `AccountExists`."""
        table = tables.account
        with writing(self._engine, account_lock(name)) as connection:
            if connection.execute(select(table.c.name).where(table.c.name == name)).first() is not None:
                raise AccountExists(f"there is an account {name} already")
            # What happened to a former account of this name is no news for the person who has it now.
            newest = connection.execute(select(func.max(tables.audit.c.number))).scalar()
            connection.execute(
                table.insert(),
                {
                    "name": name,
                    "role": role.value,
                    "password": password,
                    "disabled": False,
                    "created_at_ns": at_ns,
                    "password_at_ns": at_ns,
                    "told_number": newest or 0,
                },
            )
            clear(connection, name)
            note(connection, actor, at_ns, "account added", name, f"as {role.value}")

    def set_role(self, name: str, role: Role, actor: Actor, at_ns: int) -> bool:
        """Give another role, at once for open sessions too; False if it has it already. Raises `UnknownAccount`."""
        with writing(self._engine, account_lock(name)) as connection:
            before = needed_account(connection, name)
            if before.role is role:
                return False
            _update(connection, name, role=role.value)
            note(connection, actor, at_ns, "role changed", name, f"{before.role.value} to {role.value}")
            return True

    def set_password(self, name: str, password: str, actor: Actor, at_ns: int, device: str = "") -> int:
        """Put another password hash in place; ends every session of the account, and tells how many.

        Its browsers are new ones again, all but that of `device` (a digest), where it was changed. Raises
        `UnknownAccount`.
        """
        with writing(self._engine, account_lock(name)) as connection:
            needed_account(connection, name)
            _update(connection, name, password=password, password_at_ns=at_ns)
            clear(connection, name)
            forget(connection, name, device)
            ended = end_all(connection, name)
            note(connection, actor, at_ns, "password changed", name, _ended(ended))
            return ended

    def renew_hash(self, account: Account, password: str) -> None:
        """Put a hash of the *same* password with newer parameters in place, if nobody changed it meanwhile."""
        table = tables.account
        with writing(self._engine, account_lock(account.name)) as connection:
            connection.execute(
                update(table)
                .where(table.c.name == account.name, table.c.password == account.password)
                .values(password=password)
            )

    def set_second_factor(self, name: str, secret: str, actor: Actor, at_ns: int) -> bool:
        """Put a secret (base32) in place, or take it away (empty); False if there was none to take away.

        Raises `UnknownAccount`.
        """
        with writing(self._engine, account_lock(name)) as connection:
            if not secret and not needed_account(connection, name).totp_secret:
                return False
            _update(connection, name, totp_secret=secret, totp_step=0)
            note(connection, actor, at_ns, "second factor set" if secret else "second factor removed", name)
            return True

    def take_step(self, name: str, step: int) -> bool:
        """Use up the code of a time step; False if it, or a later one, has been used already."""
        table = tables.account
        with writing(self._engine, account_lock(name)) as connection:
            mine = update(table).where(table.c.name == name, table.c.totp_step < step).values(totp_step=step)
            return connection.execute(mine).rowcount == 1

    def any_second_factor(self) -> bool:
        """Whether anybody has one, so that the form asks for a code."""
        table = tables.account
        with reading(self._engine) as connection:
            return (
                connection.execute(select(table.c.name).where(table.c.totp_secret != "").limit(1)).first() is not None
            )

    def read_up_to(self, name: str, number: int) -> None:
        """Note that its person has read what happened to the account, up to that line of the audit trail."""
        table = tables.account
        with writing(self._engine, account_lock(name)) as connection:
            mine = update(table).where(table.c.name == name, table.c.told_number < number).values(told_number=number)
            connection.execute(mine)

    def set_disabled(self, name: str, disabled: bool, actor: Actor, at_ns: int) -> bool:
        """Shut an account out, ending its sessions, or let it in again; False if it is so already.

        Raises `UnknownAccount`.
        """
        with writing(self._engine, account_lock(name)) as connection:
            if needed_account(connection, name).disabled is disabled:
                return False
            _update(connection, name, disabled=disabled)
            ended = end_all(connection, name) if disabled else 0
            action = "account disabled" if disabled else "account enabled"
            note(connection, actor, at_ns, action, name, _ended(ended) if disabled else "")
            return True

    def remove(self, name: str, actor: Actor, at_ns: int) -> None:
        """Remove an account, end its sessions and revoke its tokens; its lines of the audit trail stay.

        Raises `UnknownAccount`.
        """
        with writing(self._engine, account_lock(name)) as connection:
            before = needed_account(connection, name)
            connection.execute(delete(tables.account).where(tables.account.c.name == name))
            forget(connection, name)
            ended = end_all(connection, name)
            token = tables.api_token
            theirs = update(token).where(token.c.account == name, token.c.revoked_at_ns.is_(None))
            revoked = connection.execute(theirs.values(revoked_at_ns=at_ns)).rowcount
            details = f"was {before.role.value}; {_ended(ended)}" + (
                f"; tokens revoked: {revoked}" if revoked else ""
            )
            note(connection, actor, at_ns, "account removed", name, details)


def needed_account(connection: Connection, name: str) -> Account:
    """An account that must be there. Raises `UnknownAccount`."""
    row = connection.execute(select(tables.account).where(tables.account.c.name == name)).first()
    if row is None:
        raise UnknownAccount(f"there is no account {name}")
    return _account(row)


def _update(connection: Connection, name: str, **values: str | int | bool) -> None:
    connection.execute(update(tables.account).where(tables.account.c.name == name).values(**values))


def _account(row: Row[Any]) -> Account:
    times = row.created_at_ns, row.password_at_ns
    return Account(
        row.name, Role(row.role), row.password, bool(row.disabled), *times, row.totp_secret, row.told_number
    )


def _ended(count: int) -> str:
    return "no session was open" if count == 0 else f"{count} session{'' if count == 1 else 's'} ended"
