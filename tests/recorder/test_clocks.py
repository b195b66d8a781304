"""Steps, drift and offset of agents' clocks, told within two blocks; corrected times against the truth."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import pytest
from asleft.recorder.clock_correction import Corrections
from asleft.recorder.clocks import Clocks, S
from asleft.wire.block import SOURCE_TIME, Block, Sent

MS = 1_000_000


@dataclass
class Edge:
    """An agent whose clocks the test sets; `true_ns` is the recorder's wall clock, which is right."""

    clocks: Clocks = field(default_factory=Clocks)
    true_ns: int = 1_700_000_000 * S
    ours_ns: int = 50 * S  # the recorder's monotonic clock
    theirs_ns: int = 900 * S
    offset_ns: int = 0  # of the agent's wall clock
    rate: float = 1.0  # of the agent's wall clock against its monotonic one
    boot: str = "boot-1"
    seq: int = 0
    way_ns: int = 5 * MS
    echo: tuple[int, int] = (0, 0)  # our time in the last word heard, and theirs when it came
    changes: list = field(default_factory=list)
    true_of: dict = field(default_factory=dict)
    raw_of: dict = field(default_factory=dict)
    rng: random.Random = field(default_factory=lambda: random.Random(1))

    @property
    def wall_ns(self) -> int:
        return self.true_ns + self.offset_ns

    def run(self, seconds: float) -> None:
        step_ns = round(seconds * S)
        self.true_ns += step_ns
        self.ours_ns += step_ns
        self.theirs_ns += step_ns
        self.offset_ns += round(step_ns * (self.rate - 1))

    def block(self) -> Block:
        """A block that begins now."""
        self.seq += 1
        self.true_of[self.seq], self.raw_of[self.seq] = self.true_ns, self.wall_ns
        return Block("edge-1", "v", "s", self.seq, self.boot, self.wall_ns, self.theirs_ns, None, None, ())

    def sent(self) -> Sent:
        echo_ns, heard_ns = self.echo
        return Sent(self.wall_ns, self.theirs_ns, self.boot, echo_ns, self.theirs_ns - heard_ns)

    def told(self) -> None:
        """The recorder's answer, half a way ago."""
        self.echo = (self.ours_ns - self.way_ns, self.theirs_ns)

    def arrive(self, block: Block, sent: Sent, later_ns: int = 0) -> None:
        """At the recorder now, or later."""
        way_ns = self.way_ns + self.rng.randrange(3 * MS) + later_ns
        change = self.clocks.heard(block, sent, self.true_ns + way_ns, self.ours_ns + way_ns)
        if change is not None:
            self.changes.append(change)

    def live(self, count: int) -> None:
        """Blocks of a second, each sent when it is complete."""
        for _ in range(count):
            block = self.block()
            self.run(1.0)
            self.arrive(block, self.sent())
            self.told()

    def corrected(self, seq: int) -> int:
        change = Corrections(self.changes).at("s", seq)
        return self.raw_of[seq] + (0 if change is None else change.offset_ns)

    def worst_error_s(self, first: int = 1) -> float:
        return max(abs(self.corrected(seq) - self.true_of[seq]) for seq in range(first, self.seq + 1)) / S


def test_a_right_clock_is_left_alone():
    edge = Edge(offset_ns=120 * MS)
    edge.live(50)
    assert edge.changes == []
    assert edge.clocks.states["edge-1"].trouble == ""


@pytest.mark.parametrize("offset_s", [-7200, -3, 3, 86_400])
def test_an_offset_is_found_within_two_blocks(offset_s):
    edge = Edge(offset_ns=offset_s * S)
    edge.live(20)
    (change,) = edge.changes
    assert change.first_seq <= 2
    assert change.offset_ns / S == pytest.approx(-offset_s, abs=0.05)
    assert ("ahead" if offset_s > 0 else "behind") in change.why
    assert edge.worst_error_s(2) < 0.05


@pytest.mark.parametrize("step_s", [-3600, -0.4, 0.4, 10, 172_800])
def test_a_step_is_found_within_two_blocks_and_corrected_from_its_first_block(step_s):
    edge = Edge()
    edge.live(10)
    edge.offset_ns += round(step_s * S)
    edge.live(10)
    assert edge.changes[0].first_seq <= 12
    assert "its clock was put" in edge.clocks.states["edge-1"].trouble
    assert edge.worst_error_s() < (0.05 if abs(step_s) > 1 else abs(step_s) + 0.05)
    assert edge.worst_error_s(12) < 0.05
    edge.offset_ns = 0
    edge.live(10)
    assert edge.changes[-1].why == ""
    assert edge.changes[-1].first_seq <= 22
    assert edge.worst_error_s(23) < 0.05


@pytest.mark.parametrize("rate", [0.9, 1.05])
def test_a_clock_that_runs_away_is_found_within_two_blocks(rate):
    edge = Edge()
    edge.live(10)
    edge.rate = rate
    edge.live(15)
    assert edge.changes[0].first_seq <= 13  # two whole blocks in which it ran wrong
    assert f"{'fast' if rate > 1 else 'slow'}" in edge.changes[0].why
    assert edge.worst_error_s() < 0.2


def test_slow_drift_is_told_in_parts_per_million():
    edge = Edge(rate=1 + 150e-6)
    for _ in range(300):
        block = edge.block()
        edge.run(10.0)
        edge.arrive(block, edge.sent())
        edge.told()
    assert edge.clocks.states["edge-1"].drift_ppm == pytest.approx(150, abs=15)


def test_blocks_that_waited_in_the_spool_while_the_clock_was_put_right_are_corrected_by_their_own_error():
    """A box without a battery starts in the past, and is put right once it has a network."""
    edge = Edge(offset_ns=-400 * 86_400 * S)
    edge.told()
    edge.run(1.0)
    waiting = []
    for _ in range(20):
        waiting.append(edge.block())
        edge.run(1.0)
    edge.offset_ns = 0
    for block in waiting:
        edge.arrive(block, edge.sent())
        edge.run(0.01)
    edge.live(10)
    assert edge.changes[-1].why == ""
    assert edge.worst_error_s() < 0.05


@pytest.mark.parametrize("share", [0.002, 0.05, 0.3, 0.7])
def test_messages_that_lay_in_the_broker_do_not_make_a_clock_late(share):
    """They come in this share of the time in which they were sent."""
    edge = Edge()
    edge.told()  # by the recorder before it went away
    lying = []
    for _ in range(100):
        block = edge.block()
        edge.run(1.0)
        lying.append((block, edge.sent()))
    for block, sent in lying:
        edge.arrive(block, sent)
        edge.run(share)
    edge.live(10)
    assert edge.changes == []
    edge.offset_ns = -60 * S
    edge.live(3)
    assert edge.changes[0].first_seq <= 112, "and one that is late is found all the same"


def test_a_slow_link_does_not_make_a_clock_late():
    edge = Edge(way_ns=3 * S)
    edge.live(30)
    assert edge.changes == []


def test_a_block_that_comes_again_changes_nothing():
    edge = Edge()
    edge.live(5)
    block = edge.block()
    edge.offset_ns += 10 * S
    edge.live(3)
    before = list(edge.changes)
    edge.arrive(block, edge.sent())
    assert edge.changes == before


def test_what_is_on_record_is_gone_on_with_after_a_restart():
    edge = Edge(offset_ns=60 * S)
    edge.live(5)
    edge.clocks = Clocks(edge.changes)
    edge.live(5)
    assert len(edge.changes) == 1
    edge.offset_ns = 0
    edge.live(3)
    assert edge.changes[-1].why == ""


def test_an_older_agent_that_sends_no_clocks_is_taken_as_it_is():
    edge = Edge(offset_ns=60 * S)
    assert edge.clocks.heard(edge.block(), None, edge.true_ns, edge.ours_ns) is None
    assert edge.clocks.states == {}


def test_a_sources_time_says_nothing_of_the_agents_clock():
    edge = Edge()
    edge.live(10)
    for days in (400, 399, -1):
        block = edge.block()
        at_ns = edge.true_ns - days * 86_400 * S
        stored = replace(block, boot_id=SOURCE_TIME, wall_ns=at_ns, monotonic_ns=at_ns)
        edge.raw_of[edge.seq] = edge.true_of[edge.seq] = at_ns
        edge.run(1.0)
        edge.arrive(stored, edge.sent())
    edge.live(10)
    assert edge.changes == []
    assert edge.clocks.states["edge-1"].trouble == ""
