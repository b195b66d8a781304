"""Who should record which agent, and what a recorder may believe to hold: without store, thread or clock.

Every recorder looks at the leases a few times per lease time and draws the same conclusion from them: of the members
alive, an agent belongs to the one whose name and the agent's give the highest hash (rendezvous hashing), as long as
that one has not its even share already, else to the next. So nothing has to be agreed, shares are even to within one
agent, and when a member joins or goes, few agents change hands beyond those that it gains or leaves.

A recorder believes in a hold only until the promise runs out that it got, counted from before it asked: whatever the
answer's delay, the database's lease lasts at least as long. A process that was paused wakes up holding nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from asleft.store.lease_types import Hold, Lease, Survey

LEASE_S = 10.0
"""Within this time after a recorder dies, its agents are in other hands."""
_HOLD_SHARE, _LOOK_SHARE = 0.6, 0.15
# A lease ends, somebody's next look finds that out, and a further one takes what was given up for it: below 1 in all.


@dataclass(frozen=True, slots=True)
class Plan:
    """What a look came to: stop work for `lost` and `give_up`, take `take` if it is still to be had."""

    lost: tuple[str, ...]
    give_up: tuple[Hold, ...]
    take: tuple[Lease, ...]


class LeaseCore:
    """One recorder's part. Times are seconds of its own monotonic clock."""

    def __init__(self, recorder: str, lease_s: float = LEASE_S) -> None:
        self.recorder = recorder
        self.hold_s = lease_s * _HOLD_SHARE
        """How long a lease lasts from its renewal."""
        self.look_s = lease_s * _LOOK_SHARE
        """How often to look."""
        self._held: dict[str, tuple[Hold, float]] = {}  # agent -> hold, and until when it may be believed

    def holds(self, now_s: float) -> list[Hold]:
        """What may be believed to be held, and is to be renewed by the next look."""
        return [hold for hold, until_s in self._held.values() if now_s < until_s]

    def hold(self, agent: str, now_s: float) -> Hold | None:
        """The hold on one agent, if it may be believed."""
        held = self._held.get(agent)
        return held[0] if held is not None and now_s < held[1] else None

    def plan(self, survey: Survey, renewed: Iterable[Hold], asked_s: float) -> Plan:
        """Draw the conclusion of a look that was asked for at `asked_s` and was to renew `renewed`."""
        members = survey.members | {self.recorder}
        leases = {lease.agent: lease for lease in survey.leases}
        owners = owners_of(leases, members)
        still = {
            hold.agent: hold
            for hold in renewed
            if hold.agent in leases
            and (leases[hold.agent].owner, leases[hold.agent].epoch) == (hold.owner, hold.epoch)
        }
        lost = tuple(sorted(self._held.keys() - still.keys()))
        give_up = tuple(hold for agent, hold in still.items() if owners[agent] != self.recorder)
        for hold in give_up:
            del still[hold.agent]
        self._held = {agent: (hold, asked_s + self.hold_s) for agent, hold in still.items()}
        take = tuple(
            lease
            for agent, lease in leases.items()
            if agent not in self._held
            and (lease.owner in ("", self.recorder) or lease.left_s <= 0)
            and owners[agent] == self.recorder
        )
        return Plan(lost, give_up, take)

    def taken(self, hold: Hold, asked_s: float) -> None:
        """An agent was taken, as asked for at `asked_s`."""
        self._held[hold.agent] = (hold, asked_s + self.hold_s)

    def forget(self, agent: str) -> None:
        """Hold one agent no more, as if it had run out."""
        self._held.pop(agent, None)

    def drop(self) -> list[Hold]:
        """Hold nothing any more; what was held, to be given up."""
        dropped = [hold for hold, _ in self._held.values()]
        self._held = {}
        return dropped


def owners_of(agents: Iterable[str], members: Collection[str]) -> dict[str, str]:
    """Agent -> the member that it belongs to. There must be a member."""
    agents = sorted(agents, key=lambda agent: _hash("", agent))
    share = -(-len(agents) // len(members))
    room = dict.fromkeys(members, share)
    owners: dict[str, str] = {}
    for agent in agents:
        owner = max((member for member in members if room[member]), key=lambda member: (_hash(member, agent), member))
        room[owner] -= 1
        owners[agent] = owner
    return owners


def _hash(member: str, agent: str) -> bytes:
    return hashlib.sha256(f"{member}\n{agent}".encode()).digest()
