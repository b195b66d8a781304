"""A second factor: six digits from an app, by the clock (TOTP, RFC 6238; the arithmetic is pyotp's)."""

from __future__ import annotations

import hmac

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
