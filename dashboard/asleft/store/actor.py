"""Who acts on the records."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts, and from where: an account and a network address, or a user of the machine at the command line."""

    who: str
    address: str
