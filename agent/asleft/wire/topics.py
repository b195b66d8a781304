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

ALL_BLOCKS = f"{ROOT}/block/+"
"""Filter for the blocks and gaps of every agent."""

ALL_STATES = f"{ROOT}/state/+"
"""Filter for the state of every agent."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic taken apart."""

    kind: Kind
    agent: str


def valid_agent(text: str) -> bool:
    """Whether `text` can name an agent: a-z, 0-9, '-' and '.', a letter or digit at both ends, at most 64."""
    return len(text) <= MAX_ID_LENGTH and _ID.fullmatch(text) is not None


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
        raise ValueError(
            f"{agent!r} cannot name an agent: a-z, 0-9, '-' and '.', a letter or digit at both ends, "
            f"at most {MAX_ID_LENGTH} characters"
        )
    return f"{ROOT}/{kind}/{agent}"
