"""Passwords and the second factor: what is asked of one, how it is kept and checked, six digits by the clock."""

from __future__ import annotations

import hmac
import re
import secrets
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from asleft.web.turns import Turns

SHORTEST = 15
"""NIST SP 800-63B-4, 3.1.1.2: at least 15 characters where a password is the only thing that is asked for."""
LONGEST = 256
"""Enough for any sentence; hashing a book would only keep the machine busy."""
LONGEST_NAME = 64
_TYPED_FOR_ONE = 4
"""At most so many typed characters become one when spelling is made one (a letter with two or three marks)."""

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]*")
_FEWEST_DIFFERENT = 5
_MOST_RUNS = 0.6
_ROWS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "zxcvbnm",
)
_STEPS = frozenset(pair for row in (*_ROWS, *(row[::-1] for row in _ROWS)) for pair in pairwise(row))
_AT_A_TIME, _WAITING = 2, 6
_PATIENCE_S = 10.0


class Busy(Exception):  # noqa: N818 - reads as what it says
    """Too many passwords are being checked at this moment."""


def clean_name(text: str) -> str:
    """A name as it is kept: small letters, no space around it; of one that is too long, one character too many."""
    return _one_spelling(text.strip(), LONGEST_NAME + 1).strip().casefold()[: LONGEST_NAME + 1]


def fault_of_name(name: str) -> str | None:
    """What is wrong with the name of a new account; None if nothing is."""
    if not 2 <= len(name) <= LONGEST_NAME or _NAME.fullmatch(name) is None:
        return f"{name!r}: a name is 2 to {LONGEST_NAME} of a-z, 0-9, dot, - and _, and begins with a letter or digit"
    return None


def faults_of_password(name: str, password: str) -> list[str]:
    """What is wrong with a new password for an account; empty if nothing is.

    No rules about capitals and signs: they make passwords that are written on a note (the same source says so).
    """
    plain = _one_spelling(password, LONGEST + 1)
    if len(plain) > LONGEST or len(password) > _TYPED_FOR_ONE * LONGEST:
        return [f"it has more than {LONGEST} characters, and no more are taken"]  # what follows is slow for long ones
    faults = []
    if len(plain) < SHORTEST:
        faults.append(
            f"it has {len(plain)} characters, at least {SHORTEST} are needed: three or four words that have nothing "
            "to do with one another are easy to type"
        )
    if any(unicodedata.category(character) == "Cc" for character in plain):
        faults.append("it has a control character in it, such as a tab")
    bare, own = _letters(plain), _letters(name)
    if own and (own in bare or own[::-1] in bare):
        faults.append("the account's name is in it")
    if "asleft" in bare:
        faults.append("the name of this program is in it")
    if plain and (len(set(plain.casefold())) < _FEWEST_DIFFERENT or _repeats(plain.casefold())):
        faults.append("it repeats itself")
    if plain and _runs(plain.casefold()) > _MOST_RUNS:
        faults.append("it runs along the alphabet, the digits or the keyboard")
    return faults


class Passwords:
    """Hashes and checks passwords by argon2id with the parameters of RFC 9106 for machines with little memory.

    A check takes 64 MiB and some hundredths of a second, so only two run at a time, and only a few wait.
    """

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = PasswordHasher() if hasher is None else hasher
        self._nobody = self._hasher.hash(secrets.token_hex(32))
        self._turns = Turns(_AT_A_TIME, _WAITING, _AT_A_TIME + _WAITING, _PATIENCE_S)

    def hash(self, password: str) -> str:
        """The hash to keep, with its salt and parameters. Raises `Busy`."""
        with self._turn():
            return self._hasher.hash(_one_spelling(password, LONGEST))

    def right(self, kept: str | None, password: str) -> bool:
        """Whether the password is the one a hash was made of. Raises `Busy`.

        With None (no such account) the answer is False after the same work, so that its time tells nothing.
        """
        with self._turn():
            try:
                matches = self._hasher.verify(
                    self._nobody if kept is None else kept, _one_spelling(password, LONGEST)
                )
            except (VerificationError, InvalidHashError):
                return False
            return matches and kept is not None

    def outdated(self, kept: str) -> bool:
        """Whether a hash was made with other parameters than today's."""
        return self._hasher.check_needs_rehash(kept)

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if self._turns.enter("") is not None:
            raise Busy
        try:
            yield
        finally:
            self._turns.leave("")


def _one_spelling(text: str, most: int) -> str:
    """The first `most` characters, with one spelling for those that keyboards write in different ways.

    NFKC, as NIST SP 800-63B-4 recommends. It is cut before as well: putting marks in order takes time with the square
    of how many follow one another, and holds the interpreter meanwhile.
    """
    return unicodedata.normalize("NFKC", text[: _TYPED_FOR_ONE * most])[:most]


def _repeats(text: str) -> bool:
    """Whether it is one piece over and over, the last time perhaps cut short."""
    return any(text[period:] == text[:-period] for period in range(1, len(text) // 2 + 1))


def _runs(text: str) -> float:
    """Share of its steps that go to a neighbour in one of the rows."""
    steps = list(pairwise(text))
    return sum(step in _STEPS for step in steps) / len(steps) if steps else 0.0


def _letters(text: str) -> str:
    return "".join(character for character in text.casefold() if character.isalnum())


# A second factor: six digits from an app, by the clock (TOTP, RFC 6238; the arithmetic is pyotp's).

STEP_S = 30
"""A code is good for its step and the two beside it, for clocks that differ a little; and only once."""


def new_secret() -> str:
    """160 random bits in base32, as RFC 4226 recommends."""
    import pyotp  # late: nobody else waits for it

    return pyotp.random_base32()


def address_of(name: str, secret: str) -> str:
    """The otpauth: address that apps take."""
    import pyotp

    return pyotp.TOTP(secret).provisioning_uri(name=name, issuer_name="Asleft")


def step_of(secret: str, code: str, at_ns: int) -> int | None:
    """The time step (unix time over 30 s) whose code it is; None if it is of none that counts now."""
    import pyotp

    digits = "".join(code.split())
    if not (digits.isascii() and digits.isdigit() and len(digits) == 6):
        return None
    totp, now = pyotp.TOTP(secret), at_ns // (STEP_S * 10**9)
    matching = [step for step in (now - 1, now, now + 1) if hmac.compare_digest(totp.at(step * STEP_S), digits)]
    return matching[-1] if matching else None


def is_secret(text: str) -> bool:
    """Whether it is a secret as `new_secret` makes them; forms send it back."""
    return len(text) == 32 and all(letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567" for letter in text)
