"""What an agent may send: which valves, which times, how many streams, how much. Without socket, thread or disk.

A certificate proves an agent's name and nothing else. Here it is decided whether what it sends may be stored. What is
refused is either put aside and declared lost, so that the rest of the agent's stream goes on, or left with the agent,
which keeps it in its spool and sends it again. It is left where it may be right later, or where keeping it costs
the plant side more than it costs the sender.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from asleft.recorder.agent_limits import Limits
from asleft.recorder.outage import Outage, Repeats
from asleft.store.bindings import Bindings
from asleft.wire.block import Block
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

S = 1_000_000_000
DAY_NS = 86_400 * S
REFRESH_S = 2.0
"""How often the bindings are read again."""
CLOCK_PATIENCE_S = 60.0
"""How long a block at a wild time is left with its agent until the agent's clock has been compared with ours."""
STANDING_S = 600.0
"""A refusal is shown until it has not happened for so long."""
MOST_SHOWN = 100
_MOST_PER_AGENT = 20
_LATEST_NS = 4_102_444_800 * S  # 2100-01-01; no raw time beyond it, however it is corrected


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why something is not stored. `left`: the agent keeps it; else it is put aside and declared lost."""

    kind: str  # "valve", "time", "stream", "ahead", "rate"
    subject: str  # the valve, or empty
    words: str
    left: bool


@dataclass(slots=True)
class Refused:
    """Refusals of one kind of one agent."""

    agent: str
    refusal: Refusal
    count: int
    since_ns: int
    at_ns: int


@dataclass(slots=True)
class Bucket:
    """What may come at once, and how fast it fills again: a token bucket."""

    size: float
    per_s: float
    held: float = -1.0
    at_s: float = 0.0

    def take(self, amount: float, now_s: float) -> bool:
        """Whether so much may come now; nothing is taken if not."""
        if self.held < 0.0:
            self.held, self.at_s = self.size, now_s
        self.held = min(self.size, self.held + max(0.0, now_s - self.at_s) * self.per_s)
        self.at_s = now_s
        if amount > self.held:
            return False
        self.held -= amount
        return True


@dataclass(slots=True)
class _Agent:
    messages: Bucket
    size: Bucket
    streams_new: Bucket
    aside: Bucket
    streams: set[str] = field(default_factory=set)
    uncompared_s: float | None = None  # since when blocks at wild times wait for a comparison of clocks


class Admission:
    """Decides for every message. For one thread."""

    def __init__(
        self,
        bindings: Bindings,
        *,
        first_come: bool,
        wall_ns: Callable[[], int],
        monotonic_s: Callable[[], float],
        limits: Limits | None = None,
        place: str = "",
    ) -> None:
        """`first_come`: a valve that nobody has bound belongs to the first agent that sends it.

        `place`: the options that lead a command to these stores, for the commands that refusals name.
        """
        self._place = f" {place}" if place else ""
        self.limits = limits or Limits()
        self.first_come = first_come
        self._bindings, self._wall_ns, self._monotonic_s = bindings, wall_ns, monotonic_s
        self._agents: dict[str, _Agent] = {}
        self._of_valve: dict[str, set[str]] = {}
        self._of_agent: dict[str, set[str]] = {}
        self._first: dict[str, int] = {}  # agent -> valves that it has by being the first
        self._read_s = float("-inf")
        self._known = False
        self._reading = Outage(log, "the table of valves and agents cannot be read", monotonic_s)
        self._repeats = Repeats(log, monotonic_s)
        self._refused: dict[tuple[str, str, str], Refused] = {}

    def refresh(self) -> None:
        """Read the bindings again when it is time to. While they cannot be read, those last read count."""
        now_s = self._monotonic_s()
        if now_s - self._read_s < REFRESH_S:
            return
        self._read_s = now_s
        try:
            rows = self._bindings.bindings()
        except (SQLAlchemyError, OSError) as error:
            self._read_s += self._reading.failed(str(error))
            return
        self._reading.over()
        self._of_valve, self._of_agent, self._first = {}, {}, {}
        for row in rows:
            self._note(row.valve, row.agent, first=not row.who)
        self._known = True

    def message(self, agent: str, size: int) -> Refusal | None:
        """A message has come, of so many bytes; asked before it is taken apart."""
        one, now_s = self._agent(agent), self._monotonic_s()
        if one.messages.take(1.0, now_s) and one.size.take(size, now_s):
            return None
        limits = self.limits
        words = (
            f"agent {agent} sends more than {limits.blocks_per_s:,.0f} messages or {limits.bytes_per_s / 1e6:.0f} MB "
            "a second; what is over is left with it"
        )
        return self._refuse(agent, Refusal("rate", "", words, left=True))

    def keeps_aside(self, agent: str) -> bool:
        """Whether one more message of an agent is to be kept for inspection."""
        return self._agent(agent).aside.take(1.0, self._monotonic_s())

    def known_streams(self, agent: str, streams: Iterable[str]) -> None:
        """Streams of an agent that are on record."""
        self._agent(agent).streams.update(streams)

    def stream(self, agent: str, stream: str) -> Refusal | None:
        """Whether an agent may have this stream; a new one counts from now on."""
        one = self._agent(agent)
        if stream in one.streams:
            return None
        limits = self.limits
        if len(one.streams) < limits.most_streams and one.streams_new.take(1.0, self._monotonic_s()):
            one.streams.add(stream)
            return None
        words = (
            f"agent {agent} begins one stream after the other ({len(one.streams)} so far; at most "
            f"{limits.most_streams}, {limits.new_streams} in a row and then one an hour): is its spool made anew at "
            "every start? Further ones are left with it"
        )
        return self._refuse(agent, Refusal("stream", "", words, left=True))

    def number(self, agent: str, seq: int, mark: int) -> Refusal | None:
        """Whether a number is near enough to the mark of its stream."""
        if seq <= mark + self.limits.most_ahead:
            return None
        words = f"agent {agent} sends numbers far beyond what is stored of its stream ({mark}); they are left with it"
        return self._refuse(agent, Refusal("ahead", "", words, left=True))

    def standing(self) -> list[Refused]:
        """Refusals of the last ten minutes, the latest first, at most `MOST_SHOWN`."""
        oldest_ns = self._wall_ns() - round(STANDING_S * S)
        found = sorted(self._refused.values(), key=lambda one: -one.at_ns)
        return [one for one in found if one.at_ns >= oldest_ns][:MOST_SHOWN]

    def valve(self, agent: str, valve: str) -> Refusal | None:
        """Whether an agent may send a valve; it is bound to the agent where the first one to send it may have it."""
        owners = self._of_valve.get(valve, set())
        if agent in owners:
            return None
        how = f"asleft agents bind {agent} {valve}{self._place}"
        if owners:
            words = f"agent {agent} sends valve {valve}, which is bound to {_names(owners)}; it may only after: {how}"
        elif not self._known:
            words = "which agent may send which valve could not be read yet; blocks are left with the agents"
            return self._refuse(agent, Refusal("valve", "", words, left=True))
        elif not self.first_come:
            words = f"agent {agent} sends valve {valve}, which nobody has bound to it: {how}"
        elif self._first.get(agent, 0) >= self.limits.most_valves:
            words = (
                f"agent {agent} has {self.limits.most_valves} valves by being the first to send them, and no more "
                f"come so; {valve} may only after: {how}"
            )
        else:
            return self._claim(agent, valve)
        # While nothing of an agent is bound, it is new: its blocks wait with it. Else its other valves go on.
        left = not self._of_agent.get(agent)
        words += "; its blocks are left with it" if left else "; those blocks are put aside, not stored"
        return self._refuse(agent, Refusal("valve", valve, words, left=left))

    def _claim(self, agent: str, valve: str) -> Refusal | None:
        try:
            stands = self._bindings.claim(valve, agent, self._wall_ns())
        except (SQLAlchemyError, OSError) as error:
            self._reading.failed(str(error))
            words = "a valve could not be bound to its agent; blocks are left with the agents"
            return self._refuse(agent, Refusal("valve", "", words, left=True))
        self._note(valve, stands.agent, first=not stands.who)
        return None if stands.agent == agent else self.valve(agent, valve)

    def _note(self, valve: str, agent: str, *, first: bool) -> None:
        self._of_valve.setdefault(valve, set()).add(agent)
        self._of_agent.setdefault(agent, set()).add(valve)
        self._first[agent] = self._first.get(agent, 0) + first

    def time(self, block: Block, offset_ns: int, *, compared: bool) -> Refusal | None:
        """Whether a block's times, corrected by `offset_ns`, may be stored; `compared`: the correction is known."""
        now_ns = self._wall_ns()
        earliest_ns, latest_ns = self.window_ns(now_ns)
        last_ns = 1000 * int(block.offsets_us[-1]) if block.size else 0
        times_ns = [block.wall_ns, block.wall_ns + last_ns, *(burst.start_ns for burst in block.bursts)]
        wild = [
            at_ns
            for at_ns in times_ns
            if not (0 <= at_ns <= _LATEST_NS and earliest_ns <= at_ns + offset_ns <= latest_ns)
        ]
        one = self._agent(block.agent)
        if not wild:
            return None
        now_s = self._monotonic_s()
        if not compared:
            one.uncompared_s = now_s if one.uncompared_s is None else one.uncompared_s
            if now_s - one.uncompared_s < CLOCK_PATIENCE_S:
                words = f"agent {block.agent} sends times far off; its clock is being compared with ours"
                return self._refuse(block.agent, Refusal("time", "", words, left=True))
        words = (
            f"agent {block.agent} sends readings of {_day(wild[0])}, and only those from {_day(earliest_ns)} to "
            f"{_day(latest_ns)} are taken: look at the clock of its box; they are put aside, not stored"
        )
        return self._refuse(block.agent, Refusal("time", "", words, left=False))

    def window_ns(self, now_ns: int) -> tuple[int, int]:
        """Earliest and latest time that is taken."""
        return now_ns - self.limits.oldest_days * DAY_NS, now_ns + self.limits.ahead_days * DAY_NS

    def _refuse(self, agent: str, refusal: Refusal) -> Refusal:
        key = (agent, refusal.kind, refusal.subject)
        if key not in self._refused and sum(one == agent for one, _, _ in self._refused) >= _MOST_PER_AGENT:
            key = (agent, refusal.kind, "")
        now_ns = self._wall_ns()
        known = self._refused.get(key)
        if known is None or now_ns - known.at_ns > STANDING_S * S:
            self._refused = {k: v for k, v in self._refused.items() if now_ns - v.at_ns <= STANDING_S * S}
            known = self._refused[key] = Refused(agent, refusal, 0, now_ns, now_ns)
        known.count += 1
        known.at_ns = now_ns
        self._repeats.happened(key, refusal.words)
        return refusal

    def _agent(self, name: str) -> _Agent:
        found = self._agents.get(name)
        if found is None:
            limits = self.limits
            found = self._agents[name] = _Agent(
                Bucket(limits.blocks_in_a_row, limits.blocks_per_s),
                Bucket(limits.bytes_in_a_row, limits.bytes_per_s),
                Bucket(limits.new_streams, 1.0 / 3600.0),
                Bucket(limits.kept_aside_per_minute, limits.kept_aside_per_minute / 60.0),
            )
        return found


def _names(agents: Iterable[str]) -> str:
    return " and ".join(sorted(agents))


def _day(at_ns: int) -> str:
    try:
        return datetime.fromtimestamp(at_ns / 1e9, UTC).date().isoformat()
    except (OverflowError, ValueError, OSError):
        return "no date at all"
