"""Topics and the ids in them, both ways."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

ROOT = "asleft/1"
"""First levels of every topic; the number is raised when a message changes in a way old readers cannot follow."""

MAX_ID_LENGTH = 64
"""Characters of an agent or valve id."""

Kind = Literal["block", "ack", "state"]
_KINDS: tuple[Kind, ...] = ("block", "ack", "state")
_ID = re.compile(r"[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?")
ID_WANTED = (
    f'must be of a-z, 0-9, "-" and ".", begin and end with a letter or digit, at most {MAX_ID_LENGTH} characters'
)
"""What an id of an agent or valve is, as a fault says it."""

ALL_BLOCKS = f"{ROOT}/block/+"
"""Filter for the blocks and gaps of every agent."""

ALL_STATES = f"{ROOT}/state/+"
"""Filter for the state of every agent."""


_OWN = re.compile(rf"{ROOT}/(?:block|state|ack)/[A-Z][A-Z0-9-]*")
"""Topics in a recorder's own name: no agent's name has capital letters."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic taken apart."""

    kind: Kind
    agent: str


def valid_agent(text: str) -> bool:
    """Whether `text` can name an agent: a-z, 0-9, '-' and '.', a letter or digit at both ends, at most 64."""
    return len(text) <= MAX_ID_LENGTH and _ID.fullmatch(text) is not None


def has_dot(agent: str) -> bool:
    """Whether an agent's id has a '.': brokers that map topics to keys of another protocol turn it into a level.

    Such an id stays valid where it is in use. A new agent must not be called so.
    """
    return "." in agent


def valid_valve(text: str) -> bool:
    """Whether `text` can name a valve: the same rule as for agents."""
    return valid_agent(text)


def block_topic(agent: str) -> str:
    """Where `agent` publishes blocks and gaps. Raises `ValueError` for an id that is none."""
    return _topic("block", agent)


def ack_topic(agent: str) -> str:
    """Where the recorder acknowledges the blocks of `agent`. Raises `ValueError` for an id that is none."""
    return _topic("ack", agent)


def state_topic(agent: str) -> str:
    """Where `agent` says how it is. Raises `ValueError` for an id that is none."""
    return _topic("state", agent)


def status_topic(valve: str) -> str:
    """Where it is said, retained, how `valve` stands. Raises `ValueError` for an id that is none."""
    if not valid_valve(valve):
        raise ValueError(f"{valve!r} cannot name a valve: {ID_WANTED}")
    return f"{ROOT}/status/{valve}"


def outlet_topic(outlet: str) -> str:
    """Where it is said, retained, whether who publishes statuses is there. Raises `ValueError` for no such name."""
    if not valid_valve(outlet):
        raise ValueError(f"{outlet!r} cannot name an outlet: {ID_WANTED}")
    return f"{ROOT}/outlet/{outlet}"


def own_topics(recorder: str) -> dict[Kind, str]:
    """Topics by which a recorder proves to itself what it may hear and say; no agent is called so.

    Raises `ValueError` for a name that is not of capital letters, digits and '-'.
    """
    topics: dict[Kind, str] = {kind: f"{ROOT}/{kind}/{recorder}" for kind in _KINDS}
    if not all(map(is_own_topic, topics.values())):
        raise ValueError(f"{recorder!r}: a recorder's name at the broker is of capital letters, digits and '-'")
    return topics


def is_own_topic(topic: str) -> bool:
    """Whether a topic is in a recorder's own name."""
    return _OWN.fullmatch(topic) is not None


def parse_topic(topic: str) -> Topic | None:
    """The kind and agent of one of our topics; None for any other topic."""
    for kind in _KINDS:
        prefix = f"{ROOT}/{kind}/"
        if topic.startswith(prefix):
            agent = topic[len(prefix) :]
            return Topic(kind, agent) if valid_agent(agent) else None
    return None


def _topic(kind: Kind, agent: str) -> str:
    if not valid_agent(agent):
        raise ValueError(f"{agent!r} cannot name an agent: {ID_WANTED}")
    return f"{ROOT}/{kind}/{agent}"
