"""An edge box in memory: the real spool and delivery over a database that survives crashes."""

from __future__ import annotations

import random
import sqlite3
from dataclasses import dataclass, field

from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool_core import TRIMMED, Item, SpoolCore
from asleft.wire.block import AgentState, Block
from asleft.wire.codec import decode_ack, encode_state
from asleft.wire.topics import ack_topic, block_topic, state_topic
from sim_blocks import decode, encode, make_block
from sim_broker import Connection, SimBroker

AGENT = "edge-1"
PAGE, PAGES = 512, 100
_BLOCKS, _STATES, _ACKS = block_topic(AGENT), state_topic(AGENT), ack_topic(AGENT)
STATE_EVERY_S = 5.0
_TRIMMED = TRIMMED.encode()


@dataclass(slots=True)
class Truth:
    """What was generated: the content of every number of every stream, and what may be missing for a cause."""

    content: dict[tuple[str, int], int] = field(default_factory=dict)
    overwritten: list[tuple[str, int]] = field(default_factory=list)  # a number given twice: that is a loss
    dead_streams: set[str] = field(default_factory=set)  # their disk is gone
    damaged: set[tuple[str, int]] = field(default_factory=set)
    restores: int = 0  # of the recorder's database
    lowered: bool = False  # the agent was told a lower mark as fresh
    unduly_trimmed: int = 0


def open_disk() -> sqlite3.Connection:
    db = sqlite3.connect(":memory:", isolation_level=None)
    db.execute(f"PRAGMA page_size = {PAGE}")
    return db


class Outbox:
    """The spool as delivery sees it, as `asleft.edge.spool.Spool` gives it."""

    def __init__(self, core: SpoolCore) -> None:
        self.core = core
        self.stream = core.stream

    @property
    def highest_seq(self) -> int:
        return self.core.highest_seq

    @property
    def acknowledged(self) -> int:
        return self.core.acknowledged

    def items(self, first: int, last: int, limit: int) -> list[Item]:
        return self.core.items(first, last, limit)

    def give_up(self, seq: int, why: str) -> Item:
        return self.core.give_up(seq, why)

    def acknowledge(self, mark: int) -> None:
        self.core.acknowledged = mark

    def taken(self, payload: bytes) -> None:
        """The broker has a message: of no meaning for the spool."""


class SimAgent:
    """Generates blocks, keeps and sends them."""

    def __init__(self, rng: random.Random, broker: SimBroker, truth: Truth) -> None:
        self._rng, self._broker, self._truth = rng, broker, truth
        self._streams = 0
        self._contents = 0
        self.db = open_disk()
        self.outbox: Outbox | None = None
        self.refuse_disk = False
        self.wall_ns = 10**18
        self._mid = 0
        self.in_flight = 0
        self.connection: Connection | None = None

    def start(self, now_s: float) -> None:
        """Start the process over the disk as it is."""
        self.outbox = Outbox(SpoolCore(self.db, AGENT, PAGE * PAGES, self._new_stream, encode=encode))
        self._stream = self.outbox.stream
        self.core = DeliveryCore(self.outbox, self._rng.random, now_s, window=60, decode=decode)
        self._undeclared = 0
        self._again_at_s = now_s
        self._state_at_s = now_s

    def crash(self) -> None:
        """The process is gone; its disk stays."""
        self.outbox = None
        self._broker.cut("agent")
        self.connection = None

    def lose_disk(self) -> None:
        """The disk dies: what was only there is gone, a new stream begins."""
        self._truth.dead_streams.add(self._stream)
        self.crash()
        self.db.close()
        self.db = open_disk()

    def damage(self) -> None:
        """Bits rot in one block on the disk."""
        box = self.outbox
        if box is None:
            return
        rows = self.db.execute("SELECT seq FROM block WHERE seq > ?", (box.acknowledged,)).fetchall()
        if rows:
            (seq,) = self._rng.choice(rows)
            self.db.execute("UPDATE block SET payload = ? WHERE seq = ?", (b"\xff\x00rot", seq))
            self._truth.damaged.add((box.stream, seq))

    def generate(self, count: int) -> None:
        """Append blocks in one transaction."""
        if self.outbox is None:
            return
        if self.refuse_disk:
            self._undeclared += count
            return
        core = self.outbox.core
        blocks = [self._block() for _ in range(count)]
        before = core.highest_seq + self._undeclared
        core.append(blocks, self._undeclared)
        self._undeclared = 0
        for index, block in enumerate(blocks):
            key = (core.stream, before + 1 + index)
            if key in self._truth.content:
                self._truth.overwritten.append(key)
            self._truth.content[key] = block.monotonic_ns

    def work(self, now_s: float) -> None:
        """Connect, take what has come, send what may go."""
        if self.outbox is None:
            return
        if self.connection is None:
            if now_s < self._again_at_s:
                return
            self.connection = self._broker.connect("agent", _ACKS, now_s)
            self._again_at_s = now_s + 0.5 + self._rng.random()
            if self.connection is None:
                return
            self.in_flight, self._state_at_s = 0, now_s
            self._sent: dict[int, bytes] = {}
            self.core.connected(now_s)
        if self.connection is not self._broker.agent:  # broken from the other side
            self.connection = None
            self.core.disconnected()
            return
        for message in self.connection.down.take(now_s):
            if message[0] == "ack":
                self._note(message[1])
                self.core.take(message[1], now_s)
            elif (payload := self._sent.pop(message[1], None)) is not None:
                self.in_flight -= 1
                self.outbox.taken(payload)
        if now_s >= self._state_at_s:
            self._state_at_s = now_s + STATE_EVERY_S
            self._publish(_STATES, self._state(), now_s, retain=True)
        self._now_s = now_s
        self.core.send(self, now_s)

    def _note(self, payload: bytes) -> None:
        word = decode_ack(payload)
        self._truth.lowered |= word.fresh and word.mark < self.outbox.acknowledged

    def send_upload(self, payload: bytes) -> None:
        self.in_flight += 1
        # Trimmed and asked for again: only a fresh word with a lower mark may lead to that.
        self._truth.unduly_trimmed += not self._truth.lowered and _TRIMMED in payload
        self._publish(_BLOCKS, payload, self._now_s, retain=False)
        self._sent[self._mid] = payload

    def _publish(self, topic: str, payload: bytes, now_s: float, *, retain: bool) -> None:
        assert self.connection is not None
        self._mid += 1
        self.connection.up.put(("pub", self._mid, topic, payload, retain), now_s)

    def _state(self) -> bytes:
        box = self.outbox
        assert box is not None
        return encode_state(AgentState(AGENT, True, box.stream, box.highest_seq, box.acknowledged, self.wall_ns))

    def _block(self) -> Block:
        self._contents += 1
        return make_block(AGENT, self.wall_ns, self._contents, burst=self._rng.random() < 0.1)

    def _new_stream(self) -> str:
        self._streams += 1
        return f"s{self._streams}"
