"""The recorder's delivery without I/O: what is stored, what is acknowledged to whom and when.

Store, quarantine and broker are arguments, so is the time: no thread, socket, clock or disk of its own.
`asleft.recorder.ingest` puts a queue and a thread round it.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from asleft.recorder.ack_core import AckCore, Key
from asleft.recorder.admission import Admission, Refusal
from asleft.recorder.batch import Batch, Counters, Message
from asleft.recorder.clocks import Clocks
from asleft.recorder.outage import Repeats
from asleft.recorder.reading import Unusable, gap_for, read_message
from asleft.store.lease_types import LeaseLost
from asleft.store.protocols import BlocksRefused, ClockChange, StreamMark
from asleft.wire.block import Ack, AgentState, Block, Gap, Sent
from asleft.wire.codec import WireError, decode_sent, encode_ack
from asleft.wire.topics import ack_topic, parse_topic

log = logging.getLogger(__name__)


class Broker(Protocol):
    """What the recorder needs of the connection to the broker; both calls return at once."""

    def acknowledge(self, packet: int) -> None:
        """Acknowledge a message (by its packet id) to the broker."""
        ...

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish retained."""
        ...


class Committing(Protocol):
    """What the recorder's delivery needs of the sample store."""

    def marks(self) -> list[StreamMark]:
        """All streams."""
        ...

    def commit(self, blocks: list[Block], gaps: list[Gap], now_ns: int) -> list[StreamMark]:
        """Store durably, in one transaction; the marks of every stream touched."""
        ...


class Aside(Protocol):
    """What it needs of the quarantine."""

    def put(self, topic: str, payload: bytes, why: str, at_ns: int) -> None:
        """Keep a message that cannot be used."""
        ...


class Owning(Protocol):
    """What it needs to know where several recorders share the agents."""

    def held(self, agent: str) -> bool:
        """Whether an agent is ours at this moment."""
        ...


@dataclass(slots=True)
class Prepared:
    """Messages taken apart; `store` works them off, and `confirm` says so."""

    messages: list[Message]
    batch: Batch
    aside: list[tuple[Message, str]]
    states: list[AgentState]
    marks: list[StreamMark]
    clock_changes: list[ClockChange] = field(default_factory=list)
    reminders: list[Key] = field(default_factory=list)  # streams of which something was left with its agent


class IngestCore:
    """From messages to commit to acknowledgement.

    Not locked: `connected`, `disconnected`, `confirm` and `say_due` must not overlap; `store` may overlap with them.
    """

    def __init__(
        self,
        store: Committing,
        quarantine: Aside,
        broker: Broker,
        read: Callable[[str, bytes], Block | Gap | AgentState | Unusable] = read_message,
        clocks: Clocks | None = None,
        keep_clock_changes: Callable[[Sequence[ClockChange]], None] = lambda _changes: None,
        owning: Owning | None = None,
        admission: Admission | None = None,
    ) -> None:
        """`keep_clock_changes` keeps corrections durably before the blocks they are for; it may raise `OSError`.

        With `owning`, nothing is stored or said of agents that are not ours; each is adopted when it becomes ours.
        `admission` decides what agents may send; without it everything is taken.
        """
        self._admission = admission
        self._repeats = Repeats(log, time.monotonic)  # only for what is logged
        self._owning = owning
        self._clocks = clocks
        self._keep_clock_changes = keep_clock_changes
        self._store = store
        self._quarantine = quarantine
        self._broker = broker
        self._read = read
        self.acks = AckCore(store.marks() if owning is None else [])
        self._know_streams(self.acks.marks)
        self.counters = Counters()
        self.agents: dict[str, tuple[AgentState, int]] = {}
        """Each agent's latest word about itself, and when it was heard (wall clock, ns)."""

    def connected(self, now_s: float) -> None:
        """A connection to the broker is up: all marks go out as fresh."""
        self._publish(self.acks.connected(now_s), now_s)

    def disconnected(self) -> None:
        """The connection is gone."""
        self.acks.disconnected()

    def adopt(self, agent: str, marks: list[StreamMark], changes: list[ClockChange]) -> None:
        """An agent has become ours: its marks as fresh, and the corrections of its clock on record."""
        self.acks.adopt(agent, marks)
        self._know_streams(marks)
        if self._clocks is not None:
            self._clocks.adopt(agent, changes)
        if agent in self.agents:
            self.acks.heard(self.agents[agent][0])

    def release(self, agent: str) -> None:
        """An agent is ours no longer."""
        self.acks.release(agent)

    def replaced(self) -> None:
        """The store was replaced: agents send again what it lacks, as far as their spools still have it."""
        self.acks.replaced(self._store.marks())

    def prepare(self, messages: list[Message], now_ns: int) -> Prepared:
        """Take messages apart. Nothing is stored or said yet."""
        ready = Prepared(messages, Batch(), [], [], [])
        if self._admission is not None:
            self._admission.refresh()
        for message in messages:
            self.counters.messages += 1
            if self._too_much(message):
                self.counters.left += 1
                continue
            said = self._read(message.topic, message.payload)
            if isinstance(said, Block | Gap) and not self._ours(said.agent):
                self.counters.not_ours += 1  # left over from before it changed hands; its new recorder gets it again
            elif isinstance(said, Block):
                self._take_block(said, message, ready)
            elif isinstance(said, Gap):
                if self._may_declare(said, ready):
                    ready.batch.gaps.append(said)
            elif isinstance(said, AgentState):
                self.agents[said.agent] = (said, now_ns)
                if self._refusal_of_stream(said.agent, said.stream) is None:
                    ready.states.append(said)
            else:
                self._put_aside(message, said, ready)
        return ready

    def store(self, ready: Prepared, now_ns: int, took_s: Callable[[], float]) -> None:
        """Store everything durably. Raises `sqlite3.Error` or `OSError` if the disk fails: then call it again.

        `took_s` is a monotonic clock, for the figures only.
        """
        while ready.aside:
            message, why = ready.aside[0]
            self._quarantine.put(message.topic, message.payload, why, now_ns)
            ready.aside.pop(0)
        batch = ready.batch
        while True:
            try:
                if ready.clock_changes:
                    self._keep_clock_changes(ready.clock_changes)
                    ready.clock_changes = []
                if not batch.blocks and not batch.gaps:
                    return
                began_s = took_s()
                ready.marks = self._commit(batch, now_ns)
                break
            except LeaseLost as lost:
                log.info("blocks of agents that are no longer ours are left to their new recorder: %s", lost)
                self.counters.not_ours += batch.drop(lost.agents)
                ready.clock_changes = [one for one in ready.clock_changes if one.agent not in lost.agents]
        counters = self.counters
        counters.commits += 1
        counters.blocks += len(batch.blocks)
        counters.gaps += len(batch.gaps)
        counters.commit_s = took_s() - began_s
        counters.slowest_commit_s = max(counters.slowest_commit_s, counters.commit_s)

    def confirm(self, ready: Prepared, now_s: float) -> None:
        """What `store` has returned for is acknowledged: to the broker now, to the agents with the next `say_due`."""
        for message in ready.messages:
            if self.acks.may_acknowledge(message.generation):
                self._broker.acknowledge(message.packet)
        self.acks.stored([mark for mark in ready.marks if self._ours(mark.agent)], ready.batch.highest(), now_s)
        for agent, stream in ready.reminders:
            if self._ours(agent):
                self.acks.remind(agent, stream)
        for state in ready.states:
            if self._ours(state.agent):
                self.acks.heard(state)

    def say_due(self, now_s: float) -> None:
        """Publish the acknowledgements that are due."""
        self._publish(self.acks.due(now_s), now_s)

    def _take_block(self, block: Block, message: Message, ready: Prepared) -> None:
        """Put a block into the batch, unless its agent may not send it."""
        admission = self._admission
        refusal = self._refusal_of_number(block, block.seq, ready)
        if refusal is None and admission is not None:
            refusal = admission.valve(block.agent, block.valve)
        if refusal is None:  # only now: what is refused must not make corrections of clocks
            sent = self._look_at_clock(block, message, ready)
            refusal = self._refusal_of_time(block, sent)
        if refusal is None:
            ready.batch.blocks.append(block)
            ready.batch.payloads[id(block)] = message
        elif refusal.left:
            self.counters.left += 1
            if refusal.kind in ("valve", "time"):
                ready.reminders.append((block.agent, block.stream))
        else:
            self.counters.unusable += 1
            if admission is None or admission.keeps_aside(block.agent):
                ready.aside.append((message, refusal.words))
            ready.batch.gaps.append(gap_for(block, refusal.words))

    def _too_much(self, message: Message) -> bool:
        """Whether a message is over what its agent may send; asked before it is taken apart."""
        topic = parse_topic(message.topic)
        if self._admission is None or topic is None:
            return False
        return self._admission.message(topic.agent, len(message.payload)) is not None

    def _refusal_of_stream(self, agent: str, stream: str) -> Refusal | None:
        return None if self._admission is None or not stream else self._admission.stream(agent, stream)

    def _refusal_of_number(self, said: Block | Gap, seq: int, ready: Prepared) -> Refusal | None:
        """Whether the stream and the number in it may be taken."""
        refusal = self._refusal_of_stream(said.agent, said.stream)
        if refusal is None and self._admission is not None:
            refusal = self._admission.number(said.agent, seq, self.acks.mark(said.agent, said.stream))
            if refusal is not None:
                ready.reminders.append((said.agent, said.stream))
        return refusal

    def _refusal_of_time(self, block: Block, sent: Sent | None) -> Refusal | None:
        if self._admission is None:
            return None
        offset_ns = 0 if self._clocks is None else self._clocks.offset_ns(block.agent, block.stream)
        compared = self._clocks is None or self._clocks.compared(block.agent, sent)
        return self._admission.time(block, offset_ns, compared=compared)

    def _may_declare(self, gap: Gap, ready: Prepared) -> bool:
        refusal = self._refusal_of_number(gap, gap.first, ready)
        self.counters.left += refusal is not None
        return refusal is None

    def _know_streams(self, marks: Sequence[StreamMark]) -> None:
        if self._admission is not None:
            for mark in marks:
                self._admission.known_streams(mark.agent, [mark.stream])

    def _look_at_clock(self, block: Block, message: Message, ready: Prepared) -> Sent | None:
        """Compare the clocks; the agent's clocks at the sending of the block."""
        if self._clocks is None or not message.wall_ns:
            return None
        try:
            sent = decode_sent(message.payload)
        except WireError:
            return None  # the block itself is sound
        change = self._clocks.heard(block, sent, message.wall_ns, message.monotonic_ns)
        if change is not None:
            ready.clock_changes.append(change)
            if change.why:
                words = f"agent {change.agent} from block {change.first_seq} on: {change.why}"
                self._repeats.happened(("clock", change.agent), words)
        return sent

    def _put_aside(self, message: Message, said: Unusable, ready: Prepared) -> None:
        self.counters.unusable += 1
        words = f"a message on {message.topic} is put aside: {said.why}"
        self._repeats.happened(("aside", message.topic[:200]), words)
        topic = parse_topic(message.topic)
        if self._admission is None or topic is None or self._admission.keeps_aside(topic.agent):
            ready.aside.append((message, said.why))
        if said.instead is not None and self._ours(said.instead.agent) and self._may_declare(said.instead, ready):
            ready.batch.gaps.append(said.instead)

    def _commit(self, batch: Batch, now_ns: int) -> list[StreamMark]:
        while True:
            try:
                return self._store.commit(batch.blocks, batch.gaps, now_ns)
            except BlocksRefused as error:
                log.warning("blocks are put aside: %s", error)
                for block, why in error.refused:
                    self._put_block_aside(batch, block, why, now_ns)
                    batch.blocks = [one for one in batch.blocks if one is not block]
                    batch.gaps.append(gap_for(block, why))
            except (ValueError, OverflowError):
                log.exception("a batch was refused; its blocks are stored one by one")
                return self._commit_singly(batch, now_ns)

    def _put_block_aside(self, batch: Batch, block: Block, why: str, now_ns: int) -> None:
        self.counters.unusable += 1
        message = batch.payloads[id(block)]
        self._quarantine.put(message.topic, message.payload, why, now_ns)

    def _commit_singly(self, batch: Batch, now_ns: int) -> list[StreamMark]:
        """Store block by block, so that one the store refuses does not keep the others from being stored."""
        newest: dict[Key, StreamMark] = {}
        for block in batch.blocks:
            try:
                marks = self._store.commit([block], [], now_ns)
            except (ValueError, OverflowError) as error:
                self._put_block_aside(batch, block, str(error), now_ns)
                marks = self._store.commit([], [gap_for(block, str(error))], now_ns)
            newest |= {(mark.agent, mark.stream): mark for mark in marks}
        for mark in self._store.commit([], batch.gaps, now_ns):
            newest[mark.agent, mark.stream] = mark
        return list(newest.values())

    def _ours(self, agent: str) -> bool:
        return self._owning is None or self._owning.held(agent)

    def _publish(self, acks: list[Ack], now_s: float) -> None:
        at_ns = round(now_s * 1e9)
        for ack in acks:
            if self._ours(ack.agent):
                self._broker.publish(ack_topic(ack.agent), encode_ack(replace(ack, at_ns=at_ns)))
