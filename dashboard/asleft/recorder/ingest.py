"""The only writer of samples: takes messages from a bounded queue, commits them in batches, then acknowledges.

The network thread calls `message`, `connected` and `disconnected`; one thread runs `run`. Nothing here opens a
socket: the broker is behind `Broker`.
"""

from __future__ import annotations

import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from asleft.recorder.ack_core import AckCore, Key
from asleft.recorder.batch import Batch, Counters, Message
from asleft.recorder.quarantine import Quarantine
from asleft.recorder.reading import Unusable, gap_for, read_message
from asleft.store.protocols import SampleStore, StreamMark
from asleft.wire.block import Ack, AgentState, Block, Gap
from asleft.wire.codec import encode_ack
from asleft.wire.topics import ack_topic

log = logging.getLogger(__name__)

QUEUE_MESSAGES = 2_000
"""Bound of the queue; the broker is told to have at most 200 unacknowledged messages under way anyway."""
BATCH_MESSAGES = 400
"""At most so many messages in one commit."""
PATIENCE_S = 5.0
"""How long the network thread waits for room in the queue before it lets a message go, unacknowledged."""
RETRY_S = 1.0
"""Pause after a commit that failed."""
IDLE_S = 0.25


class Broker(Protocol):
    """What the writer needs of the connection to the broker; both calls return at once."""

    def acknowledge(self, packet: int) -> None:
        """Acknowledge a message (by its packet id) to the broker."""
        ...

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish retained."""
        ...


class Ingest:
    """Queue, writer and acknowledgements of one recorder."""

    def __init__(
        self,
        store: SampleStore,
        quarantine: Quarantine,
        broker: Broker,
        *,
        wall_ns: Callable[[], int] = time.time_ns,
        monotonic_s: Callable[[], float] = time.monotonic,
        queue_messages: int = QUEUE_MESSAGES,
    ) -> None:
        self._store = store
        self._quarantine = quarantine
        self._broker = broker
        self._wall_ns = wall_ns
        self._monotonic_s = monotonic_s
        self._queue: queue.Queue[Message] = queue.Queue(queue_messages)
        self._lock = threading.Lock()  # of the core and of everything said to the broker
        self._core = AckCore(store.marks())
        self._stopping = threading.Event()
        self.reconnect_wanted = threading.Event()
        """Set after messages were let go: only a new connection makes the broker send them again and frees their
        places among those under way."""
        self.counters = Counters()
        self.agents: dict[str, tuple[AgentState, int]] = {}
        """Each agent's latest word about itself, and when it was heard (wall clock, ns)."""
        self.busy_since_s: float | None = None
        """Since when the writer works on one batch (monotonic), None while it waits for messages."""

    # ------------------------------------------------------------------------- from the network thread

    def connected(self) -> None:
        """A connection to the broker is up: all marks go out as fresh."""
        with self._lock:
            self._publish(self._core.connected(self._monotonic_s()))

    def disconnected(self) -> None:
        """The connection is gone."""
        with self._lock:
            self._core.disconnected()

    def message(self, topic: str, payload: bytes, packet: int) -> None:
        """Queue a message. Waits a while for room; then lets it go unacknowledged, and the agent sends it again."""
        with self._lock:
            generation = self._core.generation
        try:
            self._queue.put(Message(generation, packet, topic, payload), timeout=PATIENCE_S)
        except queue.Full:
            self.counters.let_go += 1
            self.reconnect_wanted.set()

    # ------------------------------------------------------------------------------------- the writer

    def run(self) -> None:
        """Work until `stop`; then settle what is queued already, as far as the disk lets it."""
        while not self._stopping.is_set() or not self._queue.empty():
            try:
                self.turn()
            except Exception as error:
                # Its messages are not acknowledged, so they come again; a dead writer would stop everything.
                self.counters.failures += 1
                self.counters.last_error = f"the writer failed: {error}"
                log.exception("the writer failed; its messages are asked for again")
                self.reconnect_wanted.set()
                self._stopping.wait(RETRY_S)

    def stop(self) -> None:
        """Make `run` return."""
        self._stopping.set()

    def turn(self) -> None:
        """Wait for messages (until an acknowledgement is due, at most), store them, say what is due."""
        messages = self._collect()
        if messages:
            self.busy_since_s = self._monotonic_s()
            try:
                self._settle(messages)
            finally:
                self.busy_since_s = None
        with self._lock:
            self._publish(self._core.due(self._monotonic_s()))

    def queue_depth(self) -> int:
        """Messages waiting."""
        return self._queue.qsize()

    def marks(self) -> list[StreamMark]:
        """All streams as last stored."""
        with self._lock:
            return self._core.marks

    def quarantined(self) -> int:
        """Messages put aside, ever."""
        return self._quarantine.count()

    def _collect(self) -> list[Message]:
        with self._lock:
            due_s = self._core.next_due_s(self._monotonic_s())
        messages: list[Message] = []
        with suppress(queue.Empty):  # all there is for now
            messages.append(self._queue.get(timeout=IDLE_S if due_s is None else max(0.001, min(due_s, IDLE_S))))
            while len(messages) < BATCH_MESSAGES:
                messages.append(self._queue.get_nowait())
        return messages

    def _settle(self, messages: list[Message]) -> None:
        """Store everything, then acknowledge everything. While the disk fails, nothing is acknowledged."""
        batch, aside = self._sort(messages)
        while True:
            try:
                for message, why in aside:
                    self._quarantine.put(message.topic, message.payload, why, self._wall_ns())
                aside = []
                marks = self._commit(batch)
                break
            except (sqlite3.Error, OSError) as error:
                self.counters.commit_failures += 1
                self.counters.last_error = f"storing failed: {error}"
                log.exception("storing failed, nothing is acknowledged; trying again in %.0f s", RETRY_S)
                if self._stopping.wait(RETRY_S):
                    return
        with self._lock:
            for message in messages:
                if self._core.may_acknowledge(message.generation):
                    self._broker.acknowledge(message.packet)
            self._core.stored(marks, batch.highest(), self._monotonic_s())

    def _sort(self, messages: list[Message]) -> tuple[Batch, list[tuple[Message, str]]]:
        batch = Batch()
        aside: list[tuple[Message, str]] = []
        for message in messages:
            self.counters.messages += 1
            said = read_message(message.topic, message.payload)
            if isinstance(said, Block):
                batch.blocks.append(said)
                batch.payloads[id(said)] = message
            elif isinstance(said, Gap):
                batch.gaps.append(said)
            elif isinstance(said, AgentState):
                self.agents[said.agent] = (said, self._wall_ns())
            else:
                self._put_aside(message, said, batch, aside)
        return batch, aside

    def _put_aside(self, message: Message, said: Unusable, batch: Batch, aside: list[tuple[Message, str]]) -> None:
        self.counters.unusable += 1
        log.warning("a message on %s is put aside: %s", message.topic, said.why)
        aside.append((message, said.why))
        if said.instead is not None:
            batch.gaps.append(said.instead)

    def _commit(self, batch: Batch) -> list[StreamMark]:
        if not batch.blocks and not batch.gaps:
            return []
        began_s = self._monotonic_s()
        try:
            marks = self._store.commit(batch.blocks, batch.gaps, self._wall_ns())
        except (ValueError, OverflowError):
            log.exception("a batch was refused; its blocks are stored one by one")
            marks = self._commit_singly(batch)
        self.counters.commits += 1
        self.counters.blocks += len(batch.blocks)
        self.counters.gaps += len(batch.gaps)
        self.counters.commit_s = self._monotonic_s() - began_s
        self.counters.slowest_commit_s = max(self.counters.slowest_commit_s, self.counters.commit_s)
        return marks

    def _commit_singly(self, batch: Batch) -> list[StreamMark]:
        """Store block by block, so that one the store refuses does not keep the others from being stored."""
        newest: dict[Key, StreamMark] = {}
        for block in batch.blocks:
            try:
                marks = self._store.commit([block], [], self._wall_ns())
            except (ValueError, OverflowError) as error:
                self.counters.unusable += 1
                message = batch.payloads[id(block)]
                self._quarantine.put(message.topic, message.payload, str(error), self._wall_ns())
                marks = self._store.commit([], [gap_for(block, str(error))], self._wall_ns())
            newest |= {(mark.agent, mark.stream): mark for mark in marks}
        for mark in self._store.commit([], batch.gaps, self._wall_ns()):
            newest[mark.agent, mark.stream] = mark
        return list(newest.values())

    def _publish(self, acks: list[Ack]) -> None:
        for ack in acks:
            self._broker.publish(ack_topic(ack.agent), encode_ack(ack))
