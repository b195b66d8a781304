"""Messages as they came, a batch of them taken apart, and figures about them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from asleft.recorder.ack_core import Key
from asleft.wire.block import Block, Gap


@dataclass(frozen=True, slots=True)
class Message:
    """A message as it came: `generation` is the connection it came on."""

    generation: int
    packet: int
    topic: str
    payload: bytes
    wall_ns: int = 0  # our clocks when it came; 0: not known
    monotonic_ns: int = 0


@dataclass(slots=True)
class Counters:
    """Figures since the start of the process, for the health page."""

    messages: int = 0
    blocks: int = 0
    gaps: int = 0
    unusable: int = 0
    not_ours: int = 0  # blocks and gaps of agents that another recorder has; the agents send them to that one
    left: int = 0  # not stored, and kept by their agents: see `asleft.recorder.admission`
    let_go: int = 0  # no room in the queue; the agent sends them again
    commits: int = 0
    commit_failures: int = 0
    commit_s: float = 0.0  # of the last commit
    slowest_commit_s: float = 0.0
    storing_fails: bool = False  # the last try failed; it is tried again, and nothing is acknowledged meanwhile
    failures: int = 0  # of the writer, unexpected
    last_error: str = ""


@dataclass(slots=True)
class Batch:
    """Messages of one commit, taken apart."""

    blocks: list[Block] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    payloads: dict[int, Message] = field(default_factory=dict)  # id(block) -> the message it came in

    def drop(self, agents: Collection[str]) -> int:
        """Leave out everything of these agents; how much that was."""
        before = len(self.blocks) + len(self.gaps)
        self.blocks = [block for block in self.blocks if block.agent not in agents]
        self.gaps = [gap for gap in self.gaps if gap.agent not in agents]
        return before - len(self.blocks) - len(self.gaps)

    def highest(self) -> dict[Key, int]:
        """The highest seq of each stream."""
        out: dict[Key, int] = {}
        for block in self.blocks:
            out[block.agent, block.stream] = max(block.seq, out.get((block.agent, block.stream), 0))
        for gap in self.gaps:
            out[gap.agent, gap.stream] = max(gap.last, out.get((gap.agent, gap.stream), 0))
        return out
