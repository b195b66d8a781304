"""Whether the broker delivers to us what we must hear, and takes what we must say: proved, not believed.

A broker grants a subscription and then delivers nothing, and takes a message and drops it, where its access list has
no line for us. So we send ourselves a message on each kind of topic, in our own name, and wait for it to come back.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import Protocol

from asleft.wire.topics import own_topics

EVERY_S = 10.0
"""How often it is tried again once it has worked."""
UNPROVED_EVERY_S = 0.5
LASTS_S = 45.0
"""How long a proof counts."""
SAY_AFTER_S = 5.0
"""How long after a connection has come up something must have come back."""
_WORDS = {"block": "blocks", "state": "agents' words about themselves", "ack": "our own acknowledgements"}


class Link(Protocol):
    """What is needed of the connection."""

    connected: bool
    reconnects: int

    def listen(self, topic: str) -> None:
        """Subscribe to one more topic."""
        ...

    def say(self, topic: str, payload: bytes) -> None:
        """Publish once, not retained."""
        ...


class Hearing:
    """Tries again and again. `maintain` and `heard` may come from different threads."""

    def __init__(self, link: Link, name: str, monotonic_s: Callable[[], float]) -> None:
        """`name`: what the broker takes us for. If an agent could be called so, nothing is tried."""
        self._link, self._monotonic_s = link, monotonic_s
        self._name = name
        try:
            self._topics = dict(own_topics(name))
        except ValueError:
            self._topics = {}
        self._word = secrets.token_hex(8).encode()
        self._heard_s: dict[str, float] = {}
        self._connection, self._since_s, self._said_s = -1, monotonic_s(), float("-inf")
        for kind in ("block", "ack"):  # states of all are subscribed to already
            if kind in self._topics:
                link.listen(self._topics[kind])

    def maintain(self) -> None:
        """Send ourselves the messages that are due."""
        now_s = self._monotonic_s()
        if not self._link.connected:
            self._connection = -1
            return
        if self._connection != self._link.reconnects:
            self._connection, self._since_s, self._said_s = self._link.reconnects, now_s, float("-inf")
            self._heard_s = {}
        if now_s - self._said_s >= (UNPROVED_EVERY_S if self._missing() else EVERY_S):
            self._said_s = now_s
            for topic in self._topics.values():
                self._link.say(topic, self._word)

    def heard(self, topic: str, payload: bytes) -> None:
        """Something has come on a topic in a recorder's own name; only our own word counts."""
        if payload == self._word:
            for kind, own in self._topics.items():
                if own == topic:
                    self._heard_s[kind] = self._monotonic_s()

    def proved(self) -> bool:
        """Whether all came back on this connection, lately."""
        return self._link.connected and self._connection == self._link.reconnects and not self._missing()

    def trouble(self) -> str:
        """What does not come back and what to look at; empty while all does, or nothing can be said yet."""
        missing = self._missing()
        if not self._link.connected or not missing or self._monotonic_s() - self._since_s < SAY_AFTER_S:
            return ""
        kinds = " and ".join(_WORDS[kind] for kind in missing)
        return (
            f"the broker does not deliver {kinds} to {self._name}: are its three lines in the broker's access list "
            f"(user {self._name}: read asleft/1/block/+, read asleft/1/state/+, write asleft/1/ack/+)?"
        )

    def _missing(self) -> list[str]:
        now_s = self._monotonic_s()
        return [kind for kind in self._topics if now_s - self._heard_s.get(kind, float("-inf")) > LASTS_S]


def name_at_broker(name: str, client_id: str) -> str:
    """What to call ourselves in topics of our own: what the broker takes us for, else something like our id."""
    fallback = "".join(char if char.isascii() and char.isalnum() else "-" for char in client_id.upper())
    return name or f"R-{fallback}"
