"""A broker and two connections in memory, with everything that goes wrong with them.

The broker does what MQTT asks at QoS 1 (an acknowledgement to the sender as soon as it has a message, delivery again
after a lost session, packet ids used again), holds few messages, and forgets when told to.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

QUEUE_LIMIT = 40
"""Messages kept for the recorder; more are dropped without a word, as real brokers do."""
RECEIVE_MAXIMUM = 8


@dataclass(slots=True)
class Faults:
    """How bad the network is at the moment: probabilities per message, and the longest delay (s)."""

    drop: float = 0.0
    duplicate: float = 0.0
    reorder: float = 0.0
    delay_s: float = 0.02
    mute: bool = False  # what the recorder says is lost (it is published at QoS 0)


_CONTENT = ("pub", "say", "ack")
"""What may be lost or doubled though the connection stands. MQTT's own acknowledgements may not, nor what the broker
sends under a packet id: that comes again only on another connection."""


class Line:
    """One direction of one connection: messages on their way, in order unless a fault says otherwise."""

    def __init__(self, rng: random.Random, faults: Faults) -> None:
        self._rng, self._faults = rng, faults
        self._ways: deque[tuple[float, tuple]] = deque()
        self._free_s = 0.0

    def put(self, message: tuple, now_s: float) -> None:
        rng, faults = self._rng, self._faults
        content = message[0] in _CONTENT
        if faults.drop and content and rng.random() < faults.drop:
            return
        if faults.mute and message[0] == "say":
            return
        at_s = max(self._free_s, now_s + rng.random() * faults.delay_s)
        self._free_s = at_s
        self._ways.append((at_s, message))
        if faults.duplicate and content and rng.random() < faults.duplicate:
            self._ways.append((at_s, message))
        if faults.reorder and len(self._ways) > 1 and rng.random() < faults.reorder:
            self._ways.rotate(rng.randrange(1, len(self._ways)))

    def take(self, now_s: float) -> list[tuple]:
        out = []
        while self._ways and self._ways[0][0] <= now_s:
            out.append(self._ways.popleft()[1])
        return out

    def cut(self) -> list[tuple]:
        """What still arrives of what was under way when the connection broke: its beginning."""
        kept = [message for _, message in self._ways][: self._rng.randrange(len(self._ways) + 1)]
        self._ways.clear()
        return kept

    def __len__(self) -> int:
        return len(self._ways)


@dataclass(slots=True)
class Connection:
    """One client's connection: a line each way."""

    up: Line
    down: Line


@dataclass(slots=True)
class Kept:
    """What the broker would write to its disk."""

    queue: list[tuple[str, bytes]] = field(default_factory=list)
    retained: dict[str, bytes] = field(default_factory=dict)


class SimBroker:
    """Serves one agent and one recorder."""

    def __init__(self, rng: random.Random, faults: Faults, seen_acknowledged: Callable[[str, bytes], None]) -> None:
        """`seen_acknowledged` is told which message the recorder acknowledges."""
        self._rng, self._faults, self._seen = rng, faults, seen_acknowledged
        self.up = True
        self.agent: Connection | None = None
        self.recorder: Connection | None = None
        self._queue: deque[tuple[str, bytes]] = deque()
        self._under_way: dict[int, tuple[str, bytes]] = {}
        self._retained: dict[str, bytes] = {}
        self._saved = Kept()
        self.said: list[bytes] = []
        """Every word of the recorder, for one that comes much too late."""

    def connect(self, who: str, ack_topic: str, now_s: float) -> Connection | None:
        """A new connection, if the broker runs; what it keeps for the client is sent."""
        if not self.up:
            return None
        made = Connection(Line(self._rng, self._faults), Line(self._rng, self._faults))
        if who == "agent":
            self.agent = made
            if ack_topic in self._retained:
                made.down.put(("ack", self._retained[ack_topic]), now_s)
        else:
            self.recorder = made
            # What was not acknowledged is sent again, under packet ids that begin anew.
            self._queue.extendleft(reversed(self._under_way.values()))
            self._under_way.clear()
            for topic, payload in self._retained.items():
                if topic.startswith("asleft/1/state/"):
                    made.down.put(("msg", 0, topic, payload), now_s)
        return made

    def cut(self, who: str) -> None:
        """The connection breaks; some of what was under way to the broker still arrives."""
        connection = self.agent if who == "agent" else self.recorder
        if connection is None:
            return
        left = connection.up.cut()
        if who == "agent":
            self.agent = None
        else:
            self.recorder = None
        if self.up:
            for message in left:
                self._handle(who, message, None, 0.0)

    def stop(self) -> None:
        """Killed: connections break, and nothing more is taken."""
        self.up = False
        self.cut("agent")
        self.cut("recorder")

    def start(self, keeps: str) -> None:
        """Started again with everything, with what was last saved, or with nothing."""
        self.up = True
        if keeps == "everything":
            return
        kept = self._saved if keeps == "saved" else Kept()
        self._queue, self._retained = deque(kept.queue), dict(kept.retained)
        self._under_way.clear()

    def save(self) -> None:
        """Write to disk."""
        self._saved = Kept([*self._under_way.values(), *self._queue], dict(self._retained))

    def work(self, now_s: float) -> None:
        """Take what has arrived and send on what may go."""
        if not self.up:
            return
        for who, connection in (("agent", self.agent), ("recorder", self.recorder)):
            if connection is not None:
                for message in connection.up.take(now_s):
                    self._handle(who, message, connection, now_s)
        if self.recorder is not None:
            while self._queue and len(self._under_way) < RECEIVE_MAXIMUM:
                packet = next(number for number in range(1, 100) if number not in self._under_way)
                topic, payload = self._under_way[packet] = self._queue.popleft()
                self.recorder.down.put(("msg", packet, topic, payload), now_s)

    def _handle(self, who: str, message: tuple, connection: Connection | None, now_s: float) -> None:
        kind = message[0]
        if kind == "pub":
            _, mid, topic, payload, retain = message
            if retain:
                self._retained[topic] = payload
            lost = self._faults.drop and self._rng.random() < self._faults.drop
            if not lost and len(self._queue) < QUEUE_LIMIT:
                self._queue.append((topic, payload))
            if connection is not None:
                connection.down.put(("taken", mid), now_s)
        elif kind == "done":
            known = self._under_way.pop(message[1], None)
            if known is not None:
                self._seen(*known)
        else:  # the recorder's word to an agent, retained
            _, topic, payload = message
            before = self._retained.get(topic)
            self._retained[topic] = payload
            self.said.append(payload)
            if self.agent is not None:
                self.agent.down.put(("ack", payload), now_s)
                if before is not None and self._faults.reorder and self._rng.random() < self._faults.reorder:
                    self.agent.down.put(("ack", before), now_s)
