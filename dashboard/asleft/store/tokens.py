"""Tokens by which programs ask the interface for programs: each with a role, valves, and an end.

What is stored of a token is its SHA-256, so that whoever reads the records store cannot ask with what it finds.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from asleft.store import tables
from asleft.store.accounts import Role, needed_account
from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.engine import reading, writing
from asleft.store.sessions import account_lock
from sqlalchemy import Engine, Row, select, update


@dataclass(frozen=True, slots=True)
class Token:
    """What a token may do. `valves` None: every valve. Times are unix ns.

    One that is tied to an account has no more rights than the account, none while that is disabled, and ends with it.
    """

    name: str
    role: Role
    valves: frozenset[str] | None
    made_by: str
    made_at_ns: int
    expires_at_ns: int
    revoked_at_ns: int | None = None
    account: str | None = None
    used_at_ns: int | None = None
    """Last use, to a minute; None where it was never used, or not since this is written down."""
    disabled: bool = False
    """Whether its account lets nobody in for now."""

    def holds(self, at_ns: int) -> bool:
        """Whether it lets anybody in at that time. One made after `at_ns` does not: then a clock was put back."""
        return not self.disabled and self.revoked_at_ns is None and self.made_at_ns <= at_ns < self.expires_at_ns


class TokenExists(Exception):  # noqa: N818 - reads as what it says
    """There is, or was, a token of that name."""


class UnknownToken(Exception):  # noqa: N818 - reads as what it says
    """There is no token of that name."""


class Tokens:
    """The tokens in the records store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def add(
        self,
        name: str,
        digest: str,
        role: Role,
        valves: Collection[str] | None,
        expires_at_ns: int,
        actor: Actor,
        at_ns: int,
        account: str | None = None,
    ) -> None:
        """Put a token on record by its digest, with its line of the audit trail.

        Raises `TokenExists`; `UnknownAccount` for its owner; `ValueError` for a scope of no valves or an
        end that is not after `at_ns`.
        """
        if valves is not None and not valves:
            raise ValueError("a token for no valve lets nobody see anything; None is for every valve")
        if expires_at_ns <= at_ns:
            raise ValueError(f"a token that ended at {expires_at_ns} ns lets nobody in")
        table = tables.api_token
        scope = None if valves is None else sorted(valves)
        locks = [f"token/{name}"] if account is None else [f"token/{name}", account_lock(account)]
        with writing(self._engine, *locks) as connection:
            if connection.execute(select(table.c.name).where(table.c.name == name)).first() is not None:
                raise TokenExists(f"there is, or was, a token {name} already")
            if account is not None:
                needed_account(connection, account)
            values = {
                "name": name, "digest": digest, "role": role.value, "valves": json.dumps(scope),
                "made_by": actor.who, "made_at_ns": at_ns, "expires_at_ns": expires_at_ns, "revoked_at_ns": None,
                "account": account,
            }  # fmt: skip
            connection.execute(table.insert(), values)
            days = (expires_at_ns - at_ns) / 86_400e9
            seen = "every valve" if scope is None else ", ".join(scope)
            whose = "" if account is None else f", tied to {account}"
            details = f"as {role.value}, for {days:.3g} days, of {seen}{whose}"
            note(connection, actor, at_ns, "token made", name, details)

    def all(self) -> list[Token]:
        """Every token there is or was, by name."""
        with reading(self._engine) as connection:
            found = connection.execute(_SELECT.order_by(tables.api_token.c.name))
            return [_token(row) for row in found]

    def find(self, digest: str) -> Token | None:
        """The token of that digest, whether it still holds or not; None where there is none."""
        with reading(self._engine) as connection:
            row = connection.execute(_SELECT.where(tables.api_token.c.digest == digest)).first()
        return None if row is None else _token(row)

    def used(self, name: str, at_ns: int) -> None:
        """Write down that it was used."""
        table = tables.api_token
        with writing(self._engine) as connection:
            connection.execute(update(table).where(table.c.name == name).values(used_at_ns=at_ns))

    def revoke(self, name: str, actor: Actor, at_ns: int) -> bool:
        """End a token at once; False if it was revoked before. Raises `UnknownToken`."""
        table = tables.api_token
        with writing(self._engine, f"token/{name}") as connection:
            row = connection.execute(select(table).where(table.c.name == name)).first()
            if row is None:
                raise UnknownToken(f"there is no token {name}")
            if row.revoked_at_ns is not None:
                return False
            connection.execute(update(table).where(table.c.name == name).values(revoked_at_ns=at_ns))
            note(connection, actor, at_ns, "token revoked", name)
            return True


_SELECT = select(
    tables.api_token,
    tables.account.c.role.label("account_role"),
    tables.account.c.disabled.label("account_disabled"),
).outerjoin(tables.account, tables.account.c.name == tables.api_token.c.account)


def _token(row: Row[Any]) -> Token:
    scope = json.loads(row.valves)
    role = Role(row.role)
    if row.account_role is not None:
        role = min(role, Role(row.account_role), key=lambda one: one.rank)
    return Token(
        row.name,
        role,
        None if scope is None else frozenset(scope),
        row.made_by,
        row.made_at_ns,
        row.expires_at_ns,
        row.revoked_at_ns,
        row.account,
        row.used_at_ns,
        # Without its account, which takes its tokens with it, it lets nobody in either.
        row.account is not None and row.account_disabled is not False,
    )
