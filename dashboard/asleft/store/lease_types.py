"""Recorders side by side: each agent belongs to one of them at a time, by a lease in the records store.

A lease runs out by the database's clock, so recorders' clocks need not agree. It says who *should* work for an agent;
what keeps two from doing so at once is its epoch, which every transaction on that agent's marks or judgements checks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Hold:
    """A recorder's hold on an agent; no other hold on that agent ever has the same epoch."""

    agent: str
    owner: str
    epoch: int


@dataclass(frozen=True, slots=True)
class Lease:
    """A row as it stood: `owner` is empty for nobody, `left_s` (s) not above 0 once it has run out."""

    agent: str
    owner: str
    epoch: int
    left_s: float


@dataclass(frozen=True, slots=True)
class Survey:
    """What a look at the store shows: the recorders that are alive, and all agents' leases."""

    members: frozenset[str]
    leases: tuple[Lease, ...]


class LeaseLost(Exception):  # noqa: N818 - reads as what it says
    """These agents belong to another recorder now, or to nobody; the transaction changed nothing."""

    def __init__(self, agents: Iterable[str]) -> None:
        self.agents = frozenset(agents)
        super().__init__(f"no longer ours: {', '.join(sorted(self.agents))}")


class NameTaken(Exception):  # noqa: N818 - reads as what it says
    """Another recorder is at work under this name."""


class HeldLeases(Protocol):
    """Which agents this recorder holds at this moment."""

    def holds(self, agents: Iterable[str]) -> Sequence[Hold]:
        """The holds on these agents. Raises `LeaseLost` naming those that are not held."""
        ...


class Leases(Protocol):
    """The leases of all agents."""

    def look(
        self, recorder: str, instance: str, hold_s: float, holds: Iterable[Hold], agents: Iterable[str]
    ) -> Survey:
        """Say that we are alive, renew `holds` for `hold_s` from now, make agents known, and look round.

        A hold that was taken from us is not renewed; the survey shows whose it is. Raises `NameTaken` while another
        instance is alive under our name.
        """
        ...

    def take(self, recorder: str, lease: Lease, hold_s: float) -> Hold | None:
        """Take an agent that is nobody's, has run out or is our own already; None if it changed since `lease`."""
        ...

    def give_up(self, holds: Iterable[Hold]) -> None:
        """Make agents nobody's, as far as they are still held so."""
        ...

    def leave(self, recorder: str, instance: str, holds: Iterable[Hold]) -> None:
        """Give everything up and be no member any more."""
        ...

    def valves_of(self, recorder: str) -> Mapping[str, Hold]:
        """Valve -> hold, of the valves that a recorder is to judge: the newest samples came from its agents."""
        ...

    def close(self) -> None:
        """Release connections."""
        ...
