"""One run: an agent, a broker and a recorder through random faults, then healed; what became of every block."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from asleft.edge.spool_core import LOST, TRIMMED
from asleft.edge.spool_room import FULL
from asleft.wire.block import Ack, Block, Gap
from asleft.wire.codec import encode_ack
from asleft.wire.topics import block_topic
from sim_agent import AGENT, SimAgent, Truth
from sim_broker import Faults, SimBroker
from sim_recorder import SimRecorder

HEALED_S = 40.0
"""Simulated time within which everything must have arrived once nothing goes wrong any more."""


@dataclass(slots=True)
class Outcome:
    """What became of every block of one run."""

    seed: int
    generated: int = 0
    stored: int = 0
    declared: int = 0
    lost: int = 0  # silently: neither stored nor declared, or stored with another's content
    undue: int = 0  # declared lost without a cause that excuses it
    twice: int = 0
    early: int = 0  # messages the broker was told to forget before they were stored
    stuck: bool = False
    drain_s: float = 0.0
    faults: dict[str, int] = field(default_factory=dict)

    @property
    def bad(self) -> bool:
        """Whether a promise was broken."""
        return bool(self.lost or self.undue or self.twice or self.early or self.stuck)


class World:
    """`trace` is told what happens, in words."""

    def __init__(self, seed: int, trace: Callable[[str], None] | None = None) -> None:
        self.rng = random.Random(seed)
        self.now_s = 0.0
        self.outcome = Outcome(seed)
        self._trace = trace
        self.truth = Truth()
        self.net = Faults()
        self.broker = SimBroker(self.rng, self.net, self._acknowledged)
        self.agent = SimAgent(self.rng, self.broker, self.truth)
        self.recorder = SimRecorder(self.rng, self.broker)
        self._copy = self.recorder.store.copy()
        self._back: list[tuple[float, Callable[[], None]]] = []
        self.agent.start(0.0)
        self.recorder.start(0.0)

    def run(self) -> Outcome:
        """Chaos, healing, count."""
        for _ in range(self.rng.randrange(15, 45)):
            self._step(self.rng.choice((0.02, 0.05, 0.1, 0.3, 1.0, 2.5)), calm=False)
            if self.rng.random() < 0.35:
                self._fault()
        self._heal()
        self._count()
        return self.outcome

    def say(self, text: str) -> None:
        if self._trace is not None:
            self._trace(f"{self.now_s:8.2f}  {text}")

    def _step(self, dt_s: float, *, calm: bool) -> None:
        self.now_s += dt_s
        rng, now_s = self.rng, self.now_s
        due = [what for at_s, what in self._back if at_s <= now_s]
        self._back = [(at_s, what) for at_s, what in self._back if at_s > now_s]
        for what in due:
            what()
        if not calm and rng.random() < 0.6:
            self.agent.generate(rng.randrange(1, 5))
        for _ in range(1 if calm or rng.random() < 0.7 else 2):
            self.agent.work(now_s)
            self.broker.work(now_s)
            self.recorder.network(now_s)
            for _ in range(4 if calm else rng.randrange(5)):
                self.recorder.writer_step(now_s)
            self.broker.work(now_s)
        if self._trace is not None:
            marks = {mark.stream: mark.mark for mark in self.recorder.store.marks()}
            box = self.agent.outbox
            there = f"{box.stream} has {box.highest_seq}, believes in {box.acknowledged}" if box else "is down"
            self.say(f"agent {there}; recorder {'has' if self.recorder.core else 'is down with'} {marks}")

    def _heal(self) -> None:
        self.say("--- from here on nothing goes wrong")
        vars_of = Faults()
        self.net.drop, self.net.duplicate, self.net.reorder = 0.0, 0.0, 0.0
        self.net.delay_s = vars_of.delay_s
        for _, what in self._back:
            what()
        self._back = []
        self.agent.refuse_disk = self.recorder.store.failing = False
        if self.agent.outbox is None:
            self.agent.start(self.now_s)
        if self.recorder.core is None:
            self.recorder.start(self.now_s)
        if not self.broker.up:
            self.broker.start("everything")
        if self.rng.random() < 0.5:
            self.agent.generate(2)
        if self.rng.random() < 0.1:
            self._unheard()
        self._drain()
        if self.rng.random() < 0.15 and not self.outcome.stuck:
            self._contradicted()
            self._drain()

    def _drain(self) -> None:
        healed_s = self.now_s
        while not self._drained():
            if self.now_s - healed_s > HEALED_S:
                self.outcome.stuck = True
                return
            self._step(0.2, calm=True)
        self.outcome.drain_s = max(self.outcome.drain_s, self.now_s - healed_s)

    def _unheard(self) -> None:
        """Everything is stored, and all that the recorder says about it is lost."""
        self.say("*** the recorder's words are lost")
        self.net.mute = True
        for _ in range(15):
            self._step(0.2, calm=True)
        self.net.mute = False

    def _contradicted(self) -> None:
        """While the agent has nothing to say an older recorder comes back, and its word is followed by an old one."""
        self.say("*** restored, and its word followed by an old one")
        self.truth.restores += 1
        self.recorder.restore(self._copy)
        self.recorder.start(self.now_s)
        self.net.reorder = 1.0
        self._step(0.2, calm=True)
        self._step(0.2, calm=True)
        self.net.reorder = 0.0

    def _drained(self) -> bool:
        box = self.agent.outbox
        assert box is not None
        if box.highest_seq == 0:
            return True
        marks = {mark.stream: mark.mark for mark in self.recorder.store.marks()}
        return marks.get(box.stream, 0) >= box.highest_seq and box.acknowledged >= box.highest_seq

    # ---------------------------------------------------------------------------------- faults

    def _fault(self) -> None:
        name = self.rng.choice(_FAULTS)
        self.outcome.faults[name] = self.outcome.faults.get(name, 0) + 1
        self.say(f"*** {name}")
        getattr(self, f"_{name}")()

    def _later(self, what: Callable[[], None]) -> None:
        self._back.append((self.now_s + self.rng.choice((0.0, 0.5, 2.0, 8.0)), what))

    def _agent_killed(self) -> None:
        self.agent.crash()
        self._later(lambda: self.agent.outbox is None and self.agent.start(self.now_s))

    def _recorder_killed(self) -> None:
        self.recorder.crash()
        self._later(lambda: self.recorder.core is None and self.recorder.start(self.now_s))

    def _broker_killed(self) -> None:
        self.broker.stop()
        keeps = self.rng.choice(("everything", "saved", "nothing", "nothing"))
        self._later(lambda: self.broker.up or self.broker.start(keeps))

    def _both_killed(self) -> None:
        self._agent_killed()
        self._recorder_killed()

    def _broker_saves(self) -> None:
        self.broker.save()

    def _agent_cut(self) -> None:
        self.broker.cut("agent")

    def _recorder_cut(self) -> None:
        self.broker.cut("recorder")

    def _bad_network(self) -> None:
        rng, net = self.rng, self.net
        net.drop, net.duplicate, net.reorder = (rng.choice((0.0, 0.1, 0.3)) for _ in range(3))
        net.delay_s = rng.choice((0.02, 0.3, 3.0))

    def _good_network(self) -> None:
        self.net.drop = self.net.duplicate = self.net.reorder = 0.0
        self.net.delay_s = 0.02

    def _backup(self) -> None:
        self._copy = self.recorder.store.copy()

    def _restore(self) -> None:
        self.truth.restores += 1
        self.recorder.restore(self._copy)
        self._later(lambda: self.recorder.core is None and self.recorder.start(self.now_s))

    def _spool_fills(self) -> None:
        for _ in range(4):
            self.agent.generate(15)

    def _spool_disk_refuses(self) -> None:
        self.agent.refuse_disk = True
        self._later(lambda: setattr(self.agent, "refuse_disk", False))

    def _recorder_disk_refuses(self) -> None:
        self.recorder.store.failing = True
        self._later(lambda: setattr(self.recorder.store, "failing", False))

    def _spool_lost(self) -> None:
        self.agent.lose_disk()
        self._later(lambda: self.agent.outbox is None and self.agent.start(self.now_s))

    def _spool_damaged(self) -> None:
        self.agent.damage()

    def _clock_stepped(self) -> None:
        step_ns = self.rng.choice((-86_400, -3, 3, 86_400)) * 10**9
        side = self.rng.choice((self.agent, self.recorder))
        side.wall_ns += step_ns

    def _poison(self) -> None:
        for _ in range(self.rng.choice((1, 1, 10))):
            if self.broker.agent is not None:
                poison = self.rng.randbytes(9)
                self.broker.agent.up.put(("pub", 0, block_topic(AGENT), poison, False), self.now_s)

    def _old_word(self) -> None:
        if self.broker.agent is not None and self.broker.said:
            self.broker.agent.down.put(("ack", self.rng.choice(self.broker.said)), self.now_s)

    def _forged(self) -> None:
        box = self.agent.outbox
        if self.broker.agent is not None and box is not None:
            forged = encode_ack(Ack(AGENT, box.stream, box.highest_seq + 1000, self.rng.random() < 0.5))
            self.broker.agent.down.put(("ack", forged), self.now_s)

    # ---------------------------------------------------------------------------------- the count

    def _acknowledged(self, topic: str, payload: bytes) -> None:
        said = self.recorder.read(topic, payload)
        if isinstance(said, Block | Gap) and not self.recorder.store.has(said) and not self.truth.restores:
            self.outcome.early += 1
            self.say(f"!!! the broker may forget {said}, which is not stored")

    def _count(self) -> None:
        out = self.outcome
        stored: dict[tuple[str, int], int] = {}
        declared: dict[tuple[str, int], str] = {}
        for name, stream in self.recorder.store.streams.items():
            stored |= {(name, seq): content for seq, content in stream.blocks.items()}
            for first, (last, why) in stream.gaps.items():
                declared |= {(name, seq): why for seq in range(first, last + 1)}
        out.generated = len(self.truth.content)
        out.lost = len(self.truth.overwritten)
        out.undue += self.truth.unduly_trimmed
        for key, content in self.truth.content.items():
            if key in stored:
                out.stored += 1
                out.lost += stored[key] != content
            elif key in declared:
                out.declared += 1
                excused = self._excused(key, declared[key])
                out.undue += not excused
                if not excused:
                    self.say(f"!!! {key} is declared lost without cause: {declared[key]}")
            elif key[0] not in self.truth.dead_streams and not out.stuck:
                out.lost += 1
                self.say(f"!!! {key} is neither stored nor declared")
        contents = list(stored.values())
        out.twice = len(contents) - len(set(contents))

    def _excused(self, key: tuple[str, int], why: str) -> bool:
        if why in (FULL, LOST):
            return True
        if why.startswith("damaged in the spool"):
            return key in self.truth.damaged
        return why == TRIMMED and self.truth.restores > 0


_FAULTS = [name.removeprefix("_") for name in (
    "_agent_killed", "_recorder_killed", "_broker_killed", "_both_killed", "_broker_saves", "_agent_cut",
    "_recorder_cut", "_bad_network", "_bad_network", "_good_network", "_backup", "_restore", "_spool_fills",
    "_spool_disk_refuses", "_recorder_disk_refuses", "_spool_lost", "_spool_damaged", "_clock_stepped", "_poison",
    "_forged", "_old_word", "_old_word",
)]  # fmt: skip
