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
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial

from asleft.recorder.admission import Admission
from asleft.recorder.batch import Counters, Message
from asleft.recorder.clocks import Clocks
from asleft.recorder.ingest_core import Broker, IngestCore, Owning
from asleft.recorder.outage import Outage
from asleft.recorder.quarantine import Quarantine
from asleft.store.damage import StoreReplaced
from asleft.store.protocols import ClockChange, SampleStore, StreamMark
from asleft.wire.block import AgentState

log = logging.getLogger(__name__)

QUEUE_MESSAGES = 2_000
"""Bound of the queue; the broker is told to have at most 200 unacknowledged messages under way anyway."""
BATCH_MESSAGES = 400
"""At most so many messages in one commit."""
PATIENCE_S = 5.0
"""How long the network thread waits for room in the queue before it lets a message go, unacknowledged."""
RETRY_S = 0.5
"""Pause after a first commit that failed; it doubles with every further one."""
LONGEST_RETRY_S = 10.0
IDLE_S = 0.25
MAINTAIN_WITHIN_S = 2.0
"""The store's upkeep waits for a quiet moment, but no longer than this."""


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
        clocks: Clocks | None = None,
        keep_clock_changes: Callable[[Sequence[ClockChange]], None] = lambda _changes: None,
        owning: Owning | None = None,
        admission: Admission | None = None,
    ) -> None:
        """`clocks` compares agents' clocks with ours, `keep_clock_changes` puts what it finds on record.

        `owning` says which agents are ours, where several recorders share them; `admission` what agents may send.
        """
        self._store = store
        self._quarantine = quarantine
        self._wall_ns = wall_ns
        self._monotonic_s = monotonic_s
        self._queue: queue.Queue[Message] = queue.Queue(queue_messages)
        self._lock = threading.Lock()  # of the core's acknowledgements and of everything said to the broker
        self._core = IngestCore(
            store,
            quarantine,
            broker,
            clocks=clocks,
            keep_clock_changes=keep_clock_changes,
            owning=owning,
            admission=admission,
        )
        self._tasks: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self.reconnect_wanted = threading.Event()
        """Set after messages were let go: only a new connection makes the broker send them again and frees their
        places among those under way."""
        self.busy_since_s: float | None = None
        """Since when the writer works on one batch (monotonic), None while it waits for messages."""
        self._maintained_s = monotonic_s()
        outage = partial(Outage, log, monotonic_s=monotonic_s, first_s=RETRY_S, longest_s=LONGEST_RETRY_S)
        self.storing = outage("storing fails, nothing is acknowledged")
        """What keeps blocks from being stored, and since when."""
        self._writing = outage("the writer failed, its messages are asked for again")
        self._upkeep = outage("the store's upkeep fails")

    @property
    def counters(self) -> Counters:
        """Figures since the start of the process."""
        return self._core.counters

    @property
    def agents(self) -> dict[str, tuple[AgentState, int]]:
        """Each agent's latest word about itself, and when it was heard (wall clock, ns)."""
        return self._core.agents

    # ------------------------------------------------------------------------- from the network thread

    def connected(self) -> None:
        """A connection to the broker is up: all marks go out as fresh."""
        with self._lock:
            self._core.connected(self._monotonic_s())

    def disconnected(self) -> None:
        """The connection is gone."""
        with self._lock:
            self._core.disconnected()

    def message(self, topic: str, payload: bytes, packet: int) -> None:
        """Queue a message. Waits a while for room; then lets it go unacknowledged, and the agent sends it again."""
        with self._lock:
            generation = self._core.acks.generation
        try:
            self._queue.put(
                Message(generation, packet, topic, payload, self._wall_ns(), time.monotonic_ns()), timeout=PATIENCE_S
            )
        except queue.Full:
            self.counters.let_go += 1
            self.reconnect_wanted.set()

    # ------------------------------------------------------------- where several recorders share the agents

    def adopt(
        self,
        agent: str,
        marks: list[StreamMark],
        changes: list[ClockChange],
        *,
        still: Callable[[], bool],
        then: Callable[[], None],
    ) -> None:
        """An agent has become ours. The writer takes it up with its next turn if it is `still`, and calls `then`."""

        def task() -> None:
            if still():
                with self._lock:
                    self._core.adopt(agent, marks, changes)
                then()

        self._tasks.put(task)

    def release(self, agents: Iterable[str]) -> None:
        """Agents are ours no longer."""
        with self._lock:
            for agent in agents:
                self._core.release(agent)

    # ------------------------------------------------------------------------------------- the writer

    def run(self) -> None:
        """Work until `stop`; then settle what is queued already, as far as the disk lets it."""
        while not self._stopping.is_set() or not self._queue.empty():
            try:
                self.turn()
            except Exception as error:  # noqa: BLE001 - said, counted, and tried again
                # Its messages are not acknowledged, so they come again; a dead writer would stop everything.
                self.counters.failures += 1
                self.counters.last_error = f"the writer failed: {error}"
                wait_s = self._writing.failed(str(error), error)
                self.reconnect_wanted.set()
                self._stopping.wait(wait_s)
            else:
                self._writing.over()

    def stop(self) -> None:
        """Make `run` return."""
        self._stopping.set()

    def turn(self) -> None:
        """Wait for messages (until an acknowledgement is due, at most), store them, say what is due."""
        while not self._tasks.empty():
            self._tasks.get()()
        messages = self._collect()
        if messages:
            self.busy_since_s = self._monotonic_s()
            try:
                self._settle(messages)
            finally:
                self.busy_since_s = None
        with self._lock:
            self._core.say_due(self._monotonic_s())
        self._tend()

    def queue_depth(self) -> int:
        """Messages waiting."""
        return self._queue.qsize()

    def marks(self) -> list[StreamMark]:
        """All streams as last stored."""
        with self._lock:
            return self._core.acks.marks

    def quarantined(self) -> int:
        """Messages put aside, ever."""
        return self._quarantine.count()

    def _collect(self) -> list[Message]:
        with self._lock:
            due_s = self._core.acks.next_due_s(self._monotonic_s())
        messages: list[Message] = []
        with suppress(queue.Empty):  # all there is for now
            messages.append(self._queue.get(timeout=IDLE_S if due_s is None else max(0.001, min(due_s, IDLE_S))))
            while len(messages) < BATCH_MESSAGES:
                messages.append(self._queue.get_nowait())
        return messages

    def _tend(self) -> None:
        """Let the store look after itself: where nothing waits, and now and then where something always does."""
        now_s = self._monotonic_s()
        if not self._queue.empty() and now_s - self._maintained_s < MAINTAIN_WITHIN_S:
            return
        if now_s < self._maintained_s:
            return  # it has failed; its pause is not over
        self._maintained_s = now_s
        try:
            self._store.maintain(self._wall_ns())
        except StoreReplaced as replaced:
            self._replaced(replaced)
        except (sqlite3.Error, OSError) as error:
            self.counters.last_error = f"the store's upkeep failed: {error}"
            self._maintained_s = now_s + self._upkeep.failed(str(error))
        else:
            self._upkeep.over()

    def _replaced(self, replaced: StoreReplaced) -> None:
        self.counters.last_error = str(replaced)
        with self._lock:
            self._core.replaced()
        self._stopping.wait(RETRY_S)  # a disk that spoils every file must not be given one after the other

    def _settle(self, messages: list[Message]) -> None:
        """Store everything, then acknowledge everything. While the disk fails, nothing is acknowledged."""
        ready = self._core.prepare(messages, self._wall_ns())
        commits = self.counters.commits
        while True:
            try:
                self._core.store(ready, self._wall_ns(), self._monotonic_s)
                break
            except StoreReplaced as replaced:
                self._replaced(replaced)
            except (sqlite3.Error, OSError) as error:
                self.counters.commit_failures += 1
                self.counters.storing_fails = True
                self.counters.last_error = f"storing failed: {error}"
                if self._stopping.wait(self.storing.failed(str(error))):
                    return
        self.counters.storing_fails = False
        if self.counters.commits > commits:
            self.storing.over()
        else:  # nothing was left to be stored: its agents are another recorder's by now
            self.storing.dropped()
        with self._lock:
            self._core.confirm(ready, self._monotonic_s())
