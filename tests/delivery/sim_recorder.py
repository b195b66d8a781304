"""A recorder in memory: the real acknowledgement and mark rules over a database that survives crashes."""

from __future__ import annotations

import pickle
import random
import sqlite3
from collections import deque
from collections.abc import Iterable
from contextlib import suppress

from asleft.recorder.batch import Message
from asleft.recorder.ingest_core import IngestCore, Prepared
from asleft.recorder.reading import read_message
from asleft.store.marks import Run
from asleft.store.protocols import StreamMark
from asleft.store.streams import StreamRow
from asleft.wire.block import Block, Gap
from asleft.wire.codec import WireError
from sim_blocks import decode
from sim_broker import Connection, SimBroker


class SimStream:
    """What is stored of one stream: numbers with their content, gaps, mark."""

    def __init__(self, agent: str, name: str) -> None:
        self.blocks: dict[int, int] = {}
        self.gaps: dict[int, tuple[int, str]] = {}
        self.mark = StreamMark(agent, name, 0, 0, 0, 0)

    def gap_at(self, seq: int) -> tuple[int, int, str] | None:
        first = max((first for first in self.gaps if first <= seq), default=None)
        return None if first is None else (first, *self.gaps[first])

    def remove_gap(self, first: int) -> None:
        del self.gaps[first]

    def add_gaps(self, runs: Iterable[Run], why: str) -> None:
        self.gaps |= {first: (last, why) for first, last in runs}

    def gaps_above(self, seq: int) -> list[Run]:
        return sorted((first, last) for first, (last, _) in self.gaps.items() if first > seq)

    def stored_above(self, seq: int) -> Iterable[int]:
        return [number for number in self.blocks if number > seq]


class SimStore:
    """The sample store with the real arithmetic of marks; a commit happens as a whole or not at all."""

    def __init__(self) -> None:
        self.streams: dict[str, SimStream] = {}
        self.failing = False

    def marks(self) -> list[StreamMark]:
        return [stream.mark for stream in self.streams.values()]

    def commit(self, blocks: list[Block], gaps: list[Gap], now_ns: int) -> list[StreamMark]:
        if self.failing:
            raise sqlite3.OperationalError("database or disk is full")
        rows: dict[str, StreamRow] = {}
        for said in (*blocks, *gaps):
            row = rows.get(said.stream)
            if row is None:
                stream = self.streams.setdefault(said.stream, SimStream(said.agent, said.stream))
                old = stream.mark
                row = StreamRow(stream, old.agent, old.stream, old.mark, old.declared_gap, old.duplicates)
                rows[said.stream] = row
            if isinstance(said, Gap):
                row.declare(said)
            elif not row.takes(said.seq) or said.seq in row.table.blocks:
                row.duplicates += 1
            else:
                row.table.blocks[said.seq] = said.monotonic_ns
        for row in rows.values():
            row.table.mark = row.finish(now_ns)
        return [row.table.mark for row in rows.values()]

    def has(self, said: Block | Gap) -> bool:
        """Whether it is stored, or its number passed over."""
        stream = self.streams.get(said.stream)
        last = said.last if isinstance(said, Gap) else said.seq
        if stream is None:
            return False
        gap = stream.gap_at(last)
        return last <= stream.mark.mark or last in stream.blocks or (gap is not None and gap[1] >= last)

    def copy(self) -> bytes:
        """A backup."""
        return pickle.dumps(self.streams)

    def put_back(self, backup: bytes) -> None:
        """A backup in place of what is there."""
        self.streams = pickle.loads(backup)


class Shelf:
    """A quarantine that counts."""

    def __init__(self) -> None:
        self.count = 0

    def put(self, topic: str, payload: bytes, why: str, at_ns: int) -> None:
        self.count += 1


class SimRecorder:
    """Takes messages, stores them, acknowledges; each of these a step at which it may crash."""

    def __init__(self, rng: random.Random, broker: SimBroker) -> None:
        self._rng, self._broker = rng, broker
        self.store = SimStore()
        self.shelf = Shelf()
        self.wall_ns = 10**18
        self.core: IngestCore | None = None
        self.connection: Connection | None = None
        self._read_before: dict[bytes, object] = {}

    def start(self, now_s: float) -> None:
        """Start the process over the disk as it is."""
        self.core = IngestCore(self.store, self.shelf, self, read=self.read)
        self._queue: deque[Message] = deque()
        self._ready: Prepared | None = None
        self._stored = False
        self._again_at_s = now_s

    def crash(self) -> None:
        """The process is gone; its disk stays."""
        self.core = None
        self._broker.cut("recorder")
        self.connection = None

    def restore(self, copy: bytes) -> None:
        """Put an older copy of the database in place of the present one."""
        self.crash()
        self.store.put_back(copy)

    def read(self, topic: str, payload: bytes) -> object:
        found = self._read_before.get(payload)
        if found is None:
            found = self._read_before[payload] = self._read(topic, payload)
        return found

    def _read(self, topic: str, payload: bytes) -> object:
        if "/block/" in topic:
            with suppress(WireError):
                return decode(payload)
        return read_message(topic, payload)

    def network(self, now_s: float) -> None:
        """What the network thread does."""
        if self.core is None:
            return
        if self.connection is not None and self.connection is not self._broker.recorder:
            self.connection = None
            self.core.disconnected()
            self._again_at_s = now_s + 0.2 + self._rng.random()
        if self.connection is None:
            if now_s < self._again_at_s:
                return
            self._again_at_s = now_s + 0.2 + self._rng.random()
            self._now_s = now_s
            self.connection = self._broker.connect("recorder", "", now_s)
            if self.connection is None:
                return
            self.core.connected(now_s)
        for _, packet, topic, payload in self.connection.down.take(now_s):
            self._queue.append(Message(self.core.acks.generation, packet, topic, payload))

    def writer_step(self, now_s: float) -> None:
        """One step of the writer: take apart, store, or confirm."""
        core, self._now_s = self.core, now_s
        if core is None:
            return
        if self._ready is None and self._queue:
            taken = [self._queue.popleft() for _ in range(min(len(self._queue), 6))]
            self._ready, self._stored = core.prepare(taken, self.wall_ns), False
        elif self._ready is not None and not self._stored:
            try:
                core.store(self._ready, self.wall_ns, lambda: now_s)
            except sqlite3.OperationalError:
                return
            self._stored = True
        elif self._ready is not None:
            core.confirm(self._ready, now_s)
            self._ready = None
        core.say_due(now_s)

    # What the core says to the broker goes on whatever connection there is at the moment.

    def acknowledge(self, packet: int) -> None:
        if self.connection is not None:
            self.connection.up.put(("done", packet), self._now_s)

    def publish(self, topic: str, payload: bytes) -> None:
        if self.connection is not None:
            self.connection.up.put(("say", topic, payload), self._now_s)
