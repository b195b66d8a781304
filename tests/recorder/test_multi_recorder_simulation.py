"""Recorders side by side, simulated without I/O: messages dropped, doubled and delayed, recorders paused anywhere.

Whatever happens, an agent never hears that more is stored than is stored, and in the end everything is.
"""

from __future__ import annotations

import random
from functools import cache

import pytest
from asleft.recorder.batch import Message
from asleft.recorder.ingest_core import IngestCore
from asleft.recorder.leasing import Leasing
from asleft.store.lease_types import Hold, Lease, LeaseLost, Survey
from asleft.store.marks import advance, as_runs
from asleft.store.protocols import StreamMark
from asleft.wire.codec import decode_ack

AGENTS = ("edge-1", "edge-2", "edge-3")
RECORDERS = ("north", "south")
LEASE_S, STEP_S, WINDOW = 10.0, 0.1, 20


class Store:
    """Leases, marks and stored numbers: what both databases hold."""

    def __init__(self, world):
        self.world = world
        self.members, self.leases = {}, {}
        self.marks, self.above = dict.fromkeys(AGENTS, 0), {agent: set() for agent in AGENTS}

    def look(self, recorder, _instance, hold_s, holds, agents):
        now_s = self.world.now_s
        self.members[recorder] = now_s + hold_s
        for agent in agents:
            self.leases.setdefault(agent, ("", 0.0, 0))
        for hold in holds:
            if self.stands(hold):
                self.leases[hold.agent] = (recorder, now_s + hold_s, hold.epoch)
        alive = frozenset(name for name, until_s in self.members.items() if until_s > now_s)
        rows = (Lease(agent, owner, epoch, until_s - now_s) for agent, (owner, until_s, epoch) in self.leases.items())
        return Survey(alive, tuple(rows))

    def take(self, recorder, lease, hold_s):
        owner, until_s, epoch = self.leases[lease.agent]
        if epoch != lease.epoch or (owner not in ("", recorder) and until_s > self.world.now_s):
            return None
        self.leases[lease.agent] = (recorder, self.world.now_s + hold_s, epoch + 1)
        return Hold(lease.agent, recorder, epoch + 1)

    def give_up(self, holds):
        for hold in holds:
            if self.stands(hold):
                self.leases[hold.agent] = ("", 0.0, hold.epoch)

    def stands(self, hold):
        owner, _, epoch = self.leases[hold.agent]
        return (owner, epoch) == (hold.owner, hold.epoch)


class Recorder:
    """The real cores; its own are only the network and the pauses."""

    fenced = True

    def __init__(self, world, name):
        self.world, self.name, self.inbox, self.topics = world, name, [], set()
        self.leasing = Leasing(
            world.store, name, name, known=lambda: AGENTS, able=lambda: True, adopt=self.adopt, release=self.release,
            lease_s=LEASE_S, monotonic_s=lambda: world.now_s,
        )  # fmt: skip
        self.core = IngestCore(self, None, self, read=lambda _topic, payload: payload, owning=self.leasing)
        self.core.connected(world.now_s)
        self.look_at_s = 0.0

    def adopt(self, holds):
        for hold in holds:
            self.world.pause(self.name)
            if self.leasing.stands(hold):
                self.core.adopt(hold.agent, [mark for mark in self.marks() if mark.agent == hold.agent], [])
                self.topics.add(hold.agent)

    def release(self, agents):
        for agent in agents:
            self.topics.discard(agent)
            self.core.release(agent)

    def marks(self):
        return [StreamMark(agent, "s", mark, 0, 0, 0) for agent, mark in self.world.store.marks.items()]

    def commit(self, blocks, _gaps, _now_ns):
        """Load, write, mark, as over a store without transactions; paused in between."""
        store = self.world.store
        touched = sorted({block.agent for block in blocks})
        holds = self.leasing.holds(touched)
        loaded = {agent: (store.marks[agent], set(store.above[agent])) for agent in touched}
        self.world.pause(self.name)
        if self.fenced and (gone := [hold.agent for hold in holds if not store.stands(hold)]):
            raise LeaseLost(gone)
        for agent in touched:
            mark, above = loaded[agent]
            above |= {block.seq for block in blocks if block.agent == agent and block.seq > mark}
            store.marks[agent] = advance(mark, as_runs(above))
            store.above[agent] = {seq for seq in above if seq > store.marks[agent]}
        return [mark for mark in self.marks() if mark.agent in touched]

    def acknowledge(self, _packet):
        pass

    def publish(self, _topic, payload):
        self.world.said(decode_ack(payload))

    def step(self):
        now_s = self.world.now_s
        if now_s >= self.look_at_s:
            self.look_at_s = now_s + 1.5
            self.leasing.turn()
        messages, self.inbox = [Message(self.core.acks.generation, 1, "", one) for one in self.inbox], []
        if messages:
            ready = self.core.prepare(messages, 0)
            self.world.pause(self.name)
            self.core.store(ready, 0, lambda: now_s)
            self.world.pause(self.name)
            self.core.confirm(ready, self.world.now_s)
        self.core.say_due(self.world.now_s)


class Agent:
    """The agent's rules: a higher mark always, a lower one only as fresh, back to the mark when nothing moves."""

    def __init__(self, name):
        self.name, self.mark, self.next, self.highest, self.moved_s = name, 0, 1, 0, 0.0

    def hear(self, ack, now_s):
        if ack.mark > self.mark or (ack.fresh and ack.mark < self.mark):
            self.mark, self.moved_s = ack.mark, now_s
            self.next = max(self.next, self.mark + 1)

    def to_send(self, now_s):
        if self.mark < self.highest and now_s - self.moved_s > 2.0:
            self.next, self.moved_s = self.mark + 1, now_s
        first, self.next = self.next, max(self.next, min(self.highest, self.mark + WINDOW) + 1)
        return range(first, self.next)


class World:
    def __init__(self, seed, make_block, recorder=Recorder):
        self.random, self.now_s, self.rough = random.Random(seed), 0.0, True
        self.make_block = make_block
        self.store = Store(self)
        self.acks = []
        self.agents = {name: Agent(name) for name in AGENTS}
        self.recorders = {name: recorder(self, name) for name in RECORDERS}
        self.paused = set()
        self.pauses = 0

    def pause(self, name):
        """Now and then the recorder stands still right here, and the world goes on without it."""
        if self.rough and not self.paused and self.random.random() < 0.02:
            self.pauses += 1
            self.paused.add(name)
            self.run(self.random.uniform(0.0, 2.5 * LEASE_S))
            self.paused.discard(name)

    def said(self, ack):
        assert ack.mark <= self.store.marks[ack.agent], "more acknowledged than is stored"
        delay_s = self.random.uniform(0.0, 3.0 if self.rough and self.random.random() < 0.1 else 0.2)
        self.acks.append((self.now_s + delay_s, ack))

    def run(self, seconds):
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += STEP_S
            due = [ack for at_s, ack in self.acks if at_s <= self.now_s]
            self.acks = [(at_s, ack) for at_s, ack in self.acks if at_s > self.now_s]
            for ack in due:
                self.agents[ack.agent].hear(ack, self.now_s)
            for agent in self.agents.values():
                assert agent.mark <= self.store.marks[agent.name], "an agent would forget what is not stored"
                for seq in agent.to_send(self.now_s):
                    self.deliver(self.make_block(agent.name, seq))
            for name, recorder in self.recorders.items():
                if name not in self.paused:
                    recorder.step()

    def deliver(self, block):
        copies = 1
        if self.rough:
            copies = self.random.choices((0, 1, 2), (0.05, 0.9, 0.05))[0]
        for recorder in self.recorders.values():
            if block.agent in recorder.topics:
                for _ in range(copies):
                    recorder.inbox.insert(
                        self.random.randint(max(0, len(recorder.inbox) - 3), len(recorder.inbox)), block
                    )


def live_through(seed, make_block, recorder=Recorder):
    """A minute of trouble, then half a minute of peace; how often a recorder was paused."""
    world = World(seed, make_block, recorder)
    for _ in range(30):
        for agent in world.agents.values():
            agent.highest += world.random.randint(0, 15)
        world.run(2.0)
    world.rough = False
    world.run(4 * LEASE_S)
    assert {name: agent.mark for name, agent in world.agents.items()} == world.store.marks
    assert world.store.marks == {name: agent.highest for name, agent in world.agents.items()}
    assert all(world.recorders[name].leasing.owned() for name in RECORDERS)
    return world.pauses


@pytest.fixture(scope="session")
def small_block(made_block):
    return cache(lambda agent, seq: made_block(seq, agent=agent, stream="s", n=1))


def test_nothing_is_acknowledged_that_is_not_stored_and_everything_is_stored_in_the_end(small_block):
    assert sum(live_through(seed, small_block) for seed in range(25)) > 50


class Unfenced(Recorder):
    """Marks without looking whose the agent is by now."""

    fenced = False


def test_the_simulation_catches_a_recorder_that_marks_without_a_fence(small_block):
    def caught(seed):
        try:
            live_through(seed, small_block, Unfenced)
        except AssertionError:
            return True
        return False

    assert any(caught(seed) for seed in range(25))
