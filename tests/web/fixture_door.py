"""A door with accounts in a folder of its own, quick hashes, and people who sign in by the forms like anybody."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from argon2 import PasswordHasher
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.actor import Actor
from asleft.web.access.passwords import Passwords
from asleft.web.access.visitor import Access, Rules

CHIEF = Actor("chief", "command line")
PASSWORD = "copper ladder seven owls"
CSRF = "_csrf_token"


def quick() -> Passwords:
    return Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


class Door:
    def __init__(self, folder: Path, clock_ns: Callable[[], int], **rules) -> None:
        self.clock_ns = clock_ns
        self.store = open_access(folder / "records.db")
        self.access = Access(self.store, quick(), clock_ns, Rules(**rules))

    def add(self, name: str, role: Role, password: str = PASSWORD) -> None:
        self.store.accounts.add(name, role, self.access.passwords.hash(password), CHIEF, self.clock_ns())

    def add_one_of_each(self) -> None:
        for role in Role:
            self.add(role.value, role)

    def trail(self) -> list[tuple[str, str, str, str, str]]:
        entries = reversed(self.store.audit.newest(1000))
        return [(e.who, e.address, e.action, e.subject, e.details) for e in entries]

    def close(self) -> None:
        self.store.close()


def word_in(text: str) -> str:
    """The token a form repeats."""
    found = re.search(r'name="_csrf_token" value="([^"]+)"', text)
    assert found is not None, text
    return found.group(1)


def sign_in(client, name: str, password: str = PASSWORD, following: str = "/", address: str = "127.0.0.1"):
    """Through the form, in a test client; the answer."""
    where = {"REMOTE_ADDR": address}
    page = client.get("/login", environ_overrides=where)
    form = {CSRF: word_in(page.get_data(as_text=True)), "name": name, "password": password, "next": following}
    return client.post("/login", data=form, environ_overrides=where)


def csrf(client) -> dict[str, str]:
    """The header the pages' script sends with each change."""
    cookie = client.get_cookie(CSRF)
    return {} if cookie is None else {"X-CSRFToken": cookie.value}
