from __future__ import annotations

import sqlite3
import threading
from dataclasses import dataclass, field, replace

import pytest
from asleft.recorder.ingest import Ingest
from asleft.recorder.quarantine import Quarantine
from asleft.recorder.reading import Unusable, read_message
from asleft.store.damage import StoreReplaced
from asleft.store.samples import open_samples
from asleft.wire import block_pb2 as pb
from asleft.wire.block import Ack, AgentState, Gap
from asleft.wire.codec import decode_ack, encode_block, encode_gap, encode_state
from asleft.wire.topics import ack_topic, block_topic, state_topic


@dataclass
class FakeBroker:
    acknowledged: list = field(default_factory=list)
    published: list = field(default_factory=list)

    def acknowledge(self, packet):
        self.acknowledged.append(packet)

    def publish(self, topic, payload):
        ack = decode_ack(payload)
        assert topic == ack_topic(ack.agent)
        assert ack.at_ns > 0
        self.published.append(replace(ack, at_ns=0))


class FailingStore:
    """A store whose disk fails the next so many commits."""

    def __init__(self, store):
        self.inner, self.failures = store, 0

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def commit(self, blocks, gaps, now_ns):
        if self.failures > 0:
            self.failures -= 1
            raise sqlite3.OperationalError("database or disk is full")
        return self.inner.commit(blocks, gaps, now_ns)


@pytest.fixture
def rig(tmp_path, monkeypatch):
    monkeypatch.setattr("asleft.recorder.ingest.RETRY_S", 0.01)
    monkeypatch.setattr("asleft.recorder.ingest.PATIENCE_S", 0.01)

    class Rig:
        def __init__(self):
            self.store = FailingStore(open_samples(tmp_path))
            self.quarantine = Quarantine(tmp_path)
            self.broker = FakeBroker()
            self.now_s = 100.0
            self.ingest = Ingest(
                self.store, self.quarantine, self.broker, monotonic_s=lambda: self.now_s, wall_ns=lambda: 42
            )
            self.packet = 0

        def send(self, said, topic=None):
            self.packet += 1
            payload = said if isinstance(said, bytes) else encode_block(said)
            self.ingest.message(topic or block_topic("edge-1"), payload, self.packet)
            return self.packet

        def turn(self):
            self.now_s += 1.0
            self.ingest.turn()

    made = Rig()
    yield made
    made.quarantine.close()
    made.store.close()


def test_a_block_is_stored_then_acknowledged_to_the_broker_then_to_the_agent(rig, tools):
    order = []
    commit, acknowledge, publish = rig.store.inner.commit, rig.broker.acknowledge, rig.broker.publish
    rig.store.inner.commit = lambda *args: (order.append("commit"), commit(*args))[1]
    rig.broker.acknowledge = lambda packet: (order.append("broker"), acknowledge(packet))
    rig.broker.publish = lambda *args: (order.append("agent"), publish(*args))
    rig.ingest.connected()
    rig.send(tools.block(1))
    rig.send(tools.block(2))
    rig.turn()
    assert order == ["commit", "broker", "broker", "agent"]
    assert rig.broker.acknowledged == [1, 2]
    assert rig.broker.published == [Ack("edge-1", "spool-1", 2, True)]


def test_a_file_that_is_replaced_at_a_commit_takes_that_very_batch_and_agents_are_asked_for_the_rest(rig, tools):
    rig.ingest.connected()
    for seq in (1, 2, 3):
        rig.send(tools.block(seq))
    rig.turn()
    damage = sqlite3.DatabaseError("database disk image is malformed")
    commit, left = rig.store.inner.commit, [True]

    def once(*given):
        if left and left.pop():
            raise StoreReplaced(rig.store.inner._replace(damage))
        return commit(*given)

    rig.store.inner.commit = once
    packet = rig.send(tools.block(4))
    rig.turn()
    rig.turn()
    assert packet in rig.broker.acknowledged
    last = rig.broker.published[-1]
    assert (last.mark, last.fresh) == (0, True)
    assert "is damaged" in rig.ingest.counters.last_error
    for seq in (1, 2, 3):
        rig.send(tools.block(seq))
    rig.turn()
    assert rig.broker.published[-1].mark == 4


def test_duplicates_are_answered_too(rig, tools):
    rig.ingest.connected()
    for _ in range(3):
        rig.send(tools.block(1))
        rig.turn()
    assert [ack.mark for ack in rig.broker.published] == [1, 1, 1]
    assert rig.broker.acknowledged == [1, 2, 3]
    assert rig.ingest.marks()[0].duplicates == 2


def test_a_message_of_a_lost_connection_is_stored_but_not_acknowledged_to_the_broker(rig, tools):
    rig.ingest.connected()
    rig.send(tools.block(1))
    rig.ingest.disconnected()
    rig.send(tools.block(2))
    rig.ingest.connected()
    rig.send(tools.block(3))
    rig.turn()
    assert rig.broker.acknowledged == [3]
    assert rig.ingest.marks()[0].mark == 3


def test_each_connection_begins_with_fresh_marks(rig, tools):
    rig.ingest.connected()
    rig.send(tools.block(1))
    rig.send(tools.block(1, stream="spool-2"))
    rig.turn()
    rig.ingest.disconnected()
    rig.broker.published.clear()
    rig.ingest.connected()
    assert {(ack.stream, ack.mark, ack.fresh) for ack in rig.broker.published} == {
        ("spool-1", 1, True),
        ("spool-2", 1, True),
    }


def test_while_the_disk_fails_nothing_is_acknowledged_and_nothing_is_lost(rig, tools):
    rig.ingest.connected()
    rig.store.failures = 3
    seen = []
    real = rig.store.commit
    rig.store.commit = lambda *args: (seen.append(list(rig.broker.acknowledged)), real(*args))[1]
    rig.send(tools.block(1))
    rig.turn()
    assert seen == [[], [], [], []]
    assert rig.broker.acknowledged == [1]
    assert rig.ingest.counters.commit_failures == 3
    assert "disk is full" in rig.ingest.counters.last_error


def test_stopping_while_the_disk_fails_ends_without_an_acknowledgement(rig, tools):
    rig.ingest.connected()
    rig.store.failures = 10**9
    rig.send(tools.block(1))
    thread = threading.Thread(target=rig.ingest.run, daemon=True)
    thread.start()
    tools.until(lambda: rig.ingest.counters.commit_failures > 2)
    rig.ingest.stop()
    thread.join(5)
    assert not thread.is_alive()
    assert rig.broker.acknowledged == []


def test_what_cannot_be_decoded_is_put_aside_acknowledged_and_counted(rig, tools):
    rig.ingest.connected()
    rig.send(b"\xff\xff garbage")
    rig.send(tools.block(1, agent="edge-2"))  # under another agent's topic
    rig.send(tools.block(1))
    rig.send(b"\x08", state_topic("edge-1"))
    rig.send(b"", "asleft/1/ack/edge-1")
    rig.turn()
    assert rig.broker.acknowledged == [1, 2, 3, 4, 5]
    assert rig.ingest.quarantined() == 4
    assert rig.ingest.counters.unusable == 4
    why = [row[2] for row in rig.quarantine.newest()]
    assert any("names agent 'edge-2' but came on the topic of 'edge-1'" in one for one in why)
    assert rig.quarantine.newest()[-1][4] == b"\xff\xff garbage"
    assert [mark.mark for mark in rig.ingest.marks()] == [1]


def test_a_block_that_breaks_the_contract_does_not_stop_its_stream(rig, tools):
    rig.ingest.connected()
    poison = pb.Upload()
    poison.ParseFromString(encode_block(tools.block(2)))
    poison.block.channels[0].counts.scale = 0.0
    for said in (tools.block(1), poison.SerializeToString(), tools.block(3)):
        rig.send(said)
    rig.turn()
    (mark,) = rig.ingest.marks()
    assert (mark.mark, mark.declared_gap) == (3, 1)
    assert rig.ingest.quarantined() == 1
    rig.send(tools.block(2))  # a corrected agent sends it again
    rig.turn()
    (mark,) = rig.ingest.marks()
    assert (mark.mark, mark.declared_gap) == (3, 0)


def test_a_block_the_store_refuses_does_not_take_the_others_with_it(rig, tools):
    rig.ingest.connected()
    real = rig.store.inner.commit

    def commit(blocks, gaps, now_ns):
        if any(one.seq == 2 for one in blocks):
            raise ValueError("press-1.platen: cannot be packed")
        return real(blocks, gaps, now_ns)

    rig.store.inner.commit = commit
    for seq in (1, 2, 3):
        rig.send(tools.block(seq))
    rig.send(encode_gap(Gap("edge-1", "spool-1", 4, 5, "full")))
    rig.turn()
    (mark,) = rig.ingest.marks()
    assert (mark.mark, mark.declared_gap) == (5, 3)
    assert rig.ingest.quarantined() == 1
    assert rig.broker.acknowledged == [1, 2, 3, 4]


def test_the_writer_survives_what_nobody_expected_and_asks_for_the_messages_again(rig, tools):
    rig.ingest.connected()
    real = rig.store.inner.commit
    rig.store.inner.commit = lambda *_: 1 / 0
    rig.send(tools.block(1))
    thread = threading.Thread(target=rig.ingest.run, daemon=True)
    thread.start()
    tools.until(rig.ingest.reconnect_wanted.is_set)
    assert rig.ingest.counters.failures
    assert rig.broker.acknowledged == []
    rig.store.inner.commit = real
    rig.send(tools.block(1))
    tools.until(lambda: rig.broker.acknowledged == [2])
    rig.ingest.stop()
    thread.join(5)
    assert "division" in rig.ingest.counters.last_error


def test_a_full_queue_lets_messages_go_unacknowledged_and_asks_for_them_again(rig, tools):
    ingest = Ingest(rig.store, rig.quarantine, rig.broker, queue_messages=2)
    ingest.connected()
    for seq in (1, 2, 3):
        ingest.message(block_topic("edge-1"), encode_block(tools.block(seq)), seq)
    assert ingest.counters.let_go == 1
    assert ingest.reconnect_wanted.is_set()
    ingest.turn()
    assert rig.broker.acknowledged == [1, 2]


def test_agents_states_are_kept_with_the_time_they_were_heard(rig):
    rig.ingest.connected()
    state = AgentState("edge-1", True, "spool-1", 9, 7, 1, "0.1", {"spool": "3 MB"})
    rig.send(encode_state(state), state_topic("edge-1"))
    rig.turn()
    assert rig.ingest.agents == {"edge-1": (state, 42)}
    assert rig.broker.acknowledged == [1]


def test_reading_never_raises_and_says_why(tools):
    good = encode_block(tools.block(1))
    assert read_message(block_topic("edge-1"), good).seq == 1
    for topic, payload in (
        ("asleft/1/block/edge-1", good[:-20]),
        ("asleft/1/block/EDGE", good),
        ("something/else", good),
        ("asleft/1/state/edge-1", good),
        ("asleft/1/block/edge-1", b""),
    ):
        said = read_message(topic, payload)
        assert isinstance(said, Unusable)
        assert said.why
    named = pb.Upload()
    named.block.agent, named.block.stream, named.block.seq = "edge-1", "spool-1", 7
    said = read_message("asleft/1/block/edge-1", named.SerializeToString())
    assert said.instead == Gap("edge-1", "spool-1", 7, 7, said.instead.why)
    assert read_message("asleft/1/block/edge-2", named.SerializeToString()).instead is None


def test_the_quarantine_keeps_the_newest_and_counts_all(tmp_path, monkeypatch):
    monkeypatch.setattr("asleft.recorder.quarantine.KEPT_MESSAGES", 10)
    quarantine = Quarantine(tmp_path)
    for number in range(17):
        quarantine.put("t", b"x" * 300_000 if number == 16 else b"y", f"reason {number}", number)
    quarantine.close()
    quarantine = Quarantine(tmp_path)
    assert quarantine.count() == 17
    kept = quarantine.newest(100)
    assert [row[0] for row in kept] == list(range(16, 6, -1))
    assert kept[0][2:4] == ("reason 16", 300_000)
    assert len(kept[0][4]) == 256 * 1024
    quarantine.close()
