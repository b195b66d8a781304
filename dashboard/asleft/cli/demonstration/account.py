"""The demo's account, stated to everybody who sees the demo; and nowhere to be let in from outside with it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.store.actor import Actor

if TYPE_CHECKING:
    from asleft.web.access.visitor import Access

NAME = "demo"
DEMO = Actor("the demo", "command line")
PASSWORD = "only simulated presses"  # stated on purpose, and refused wherever other machines could come in
NOTICE = f"This is a demo with simulated presses. Name: {NAME}, password: {PASSWORD}"


def prepare(records_file: Path) -> bool:
    """Make the demo's account if there is none; whether the stated password is its password."""
    from asleft.store.access import open_access
    from asleft.store.accounts import Role
    from asleft.web.access.passwords import Passwords

    store, passwords = open_access(records_file), Passwords()
    try:
        found = store.accounts.find(NAME)
        if found is None:
            hashed = passwords.hash(PASSWORD)
            store.accounts.add(NAME, Role.ADMINISTRATOR, hashed, DEMO, time.time_ns())
            return True
        return not found.disabled and passwords.right(found.password, PASSWORD)
    finally:
        store.close()


def refuse_stated_password(access: Access, place: str) -> None:
    """Raises `UserError` if the demo's account with the stated password would let the whole network in."""
    found = access.store.accounts.find(NAME)
    if found is not None and not found.disabled and access.passwords.right(found.password, PASSWORD):
        raise UserError(
            f"the account {NAME} has the password that every demo states, and would let in whoever reaches this "
            f"address. First:\n  asleft users remove {NAME} {place}"
        )
