"""What the writer does beside storing: the store's upkeep in quiet moments, blocks that a store refuses by name."""

from __future__ import annotations

import sqlite3

import pytest
from asleft.recorder.ingest import MAINTAIN_WITHIN_S, Ingest
from asleft.recorder.quarantine import Quarantine
from asleft.store.protocols import BlocksRefused
from asleft.store.samples import open_samples
from asleft.wire.codec import encode_block
from asleft.wire.topics import block_topic


class Store:
    """The embedded store, with what a test wants to happen before it is asked."""

    def __init__(self, folder):
        self.inner = open_samples(folder)
        self.tended, self.commits, self.never = [], [], set()
        self.trouble = None

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def maintain(self, now_ns):
        self.tended.append(now_ns)
        if self.trouble is not None:
            raise self.trouble
        return self.inner.maintain(now_ns)

    def commit(self, blocks, gaps, now_ns):
        self.commits.append(([block.seq for block in blocks], [(gap.first, gap.last) for gap in gaps]))
        refused = [(block, "out of the question") for block in blocks if block.seq in self.never]
        if refused:
            raise BlocksRefused(refused)
        return self.inner.commit(blocks, gaps, now_ns)


class Broker:
    def __init__(self):
        self.acknowledged = []

    def acknowledge(self, packet):
        self.acknowledged.append(packet)

    def publish(self, topic, payload):
        pass


@pytest.fixture
def rig(tmp_path):
    class Rig:
        store, quarantine, broker, now_s = Store(tmp_path), Quarantine(tmp_path), Broker(), 100.0

        def __init__(self):
            self.ingest = Ingest(
                self.store, self.quarantine, self.broker, monotonic_s=lambda: self.now_s, wall_ns=lambda: 42
            )
            self.ingest.connected()

    made = Rig()
    yield made
    made.quarantine.close()
    made.store.close()


def send(rig, tools, *seqs):
    for seq in seqs:
        rig.ingest.message(block_topic("edge-1"), encode_block(tools.block(seq)), seq)


def test_the_store_is_tended_when_nothing_waits(rig, tools):
    send(rig, tools, 1, 2)
    rig.ingest.turn()
    assert rig.broker.acknowledged == [1, 2]
    assert rig.store.tended == [42]


def test_upkeep_waits_for_messages_but_not_for_ever(rig, tools, monkeypatch):
    monkeypatch.setattr("asleft.recorder.ingest.BATCH_MESSAGES", 1)
    send(rig, tools, *range(1, 6))
    rig.ingest.turn()
    rig.ingest.turn()
    assert rig.store.tended == []
    rig.now_s += MAINTAIN_WITHIN_S
    rig.ingest.turn()
    assert len(rig.store.tended) == 1
    rig.ingest.turn()
    assert len(rig.store.tended) == 1


def test_upkeep_that_fails_is_told_and_stops_nothing(rig, tools):
    rig.store.trouble = sqlite3.OperationalError("database or disk is full")
    send(rig, tools, 1)
    rig.ingest.turn()
    send(rig, tools, 2)
    rig.ingest.turn()
    assert rig.broker.acknowledged == [1, 2]
    assert rig.ingest.counters.last_error == "the store's upkeep failed: database or disk is full"
    assert rig.ingest.counters.commit_failures == 0


def test_refused_blocks_are_put_aside_once_and_the_others_stored_together(rig, tools):
    rig.store.never = {3, 4}
    send(rig, tools, *range(1, 8))
    rig.ingest.turn()
    assert rig.store.commits == [
        ([1, 2, 3, 4, 5, 6, 7], []),
        ([1, 2, 5, 6, 7], [(3, 3), (4, 4)]),
    ]
    assert rig.broker.acknowledged == list(range(1, 8))
    assert [why for _, _, why, _, _ in rig.quarantine.newest()] == ["out of the question"] * 2
    assert rig.ingest.counters.unusable == 2
    (mark,) = rig.store.marks()
    assert (mark.mark, mark.declared_gap) == (7, 2)
