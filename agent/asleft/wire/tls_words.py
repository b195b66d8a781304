"""What to look at when a database's certificate is not accepted: its client library names no file of ours. Pure."""

from __future__ import annotations

_REFUSALS = ("certificate verify failed", "server certificate for ")
"""How libpq says that a certificate is of another authority, or of another name."""


def certificate_hint(said: str, authority: str) -> str:
    """To follow what a client of PostgreSQL said; empty unless that is about the server's certificate.

    `authority` is what the settings call the file with the authority's certificate.
    """
    if not any(words in said for words in _REFUSALS):
        return ""
    return (
        f": the server's certificate is not accepted; is {authority} the authority that signed it, and does the "
        "certificate have the name by which the server is called?"
    )
