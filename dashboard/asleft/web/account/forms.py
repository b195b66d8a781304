"""Signing in, and one's own account: pages in a frame that asks only for files open to everybody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.web.access.passwords import LONGEST, LONGEST_NAME, SHORTEST
from asleft.web.access.visitor import Visitor
from asleft.web.frame import document
from asleft.web.templates import filled


@dataclass(frozen=True, slots=True)
class Place:
    """One session of the account: its short name, times in words, where from, and whether it is this one."""

    short: str
    started: str
    seen: str
    address: str
    here: bool


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that was done to the account: the line of the audit trail, when, what, by whom and from where."""

    number: int
    when: str
    words: str
    who: str
    address: str


def sign_in(
    *,
    token: str,
    following: str,
    name: str = "",
    wrong: str = "",
    notice: str = "",
    said: str = "",
    code: bool = False,
) -> str:
    """The page to sign in on. `token` is what the form repeats, `following` where to go afterwards.

    `code`: whether some accounts have a second factor.
    """
    return _page(
        "Sign in",
        "sign_in",
        faults=_told((wrong,)),
        token=token,
        following=following,
        name=name,
        notice=notice,
        said=said,
        with_code=code,
        longest_name=LONGEST_NAME,
    )


def account(
    visitor: Visitor,
    places: Sequence[Place],
    unread: Sequence[Happening],
    faults: Sequence[str] = (),
    said: str = "",
) -> str:
    """The page of one's own account: what happened to it, where it is signed in, another password, second factor."""
    return _page(
        "Your account",
        "account",
        faults=_told(faults),
        visitor=visitor,
        places=places,
        unread=unread,
        said=said,
        shortest=SHORTEST,
    )


def second_factor(visitor: Visitor, secret: str, address: str, faults: Sequence[str] = ()) -> str:
    """Setting a second factor up: key for the app, first code, password; without a secret, taking it away."""
    grouped = " ".join(secret[k : k + 4] for k in range(0, len(secret), 4))
    return _page(
        "Second factor",
        "second_factor",
        faults=_told(faults),
        visitor=visitor,
        secret=secret,
        grouped=grouped,
        address=address,
    )


def _told(sentences: Sequence[str]) -> list[str]:
    return [sentence for sentence in sentences if sentence]


def _page(title: str, template: str, /, **given: object) -> str:
    return document(title, filled(f"account/{template}.html", longest=LONGEST, **given), kind="door")
