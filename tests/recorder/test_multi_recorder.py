"""What a recorder does beside others, part by part: whom it stores and speaks for, and what it does about leases."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from types import SimpleNamespace

import paho.mqtt.client as mqtt
import pytest
from asleft.recorder.broker_link import BrokerLink
from asleft.recorder.clocks import Clocks
from asleft.recorder.ingest import Ingest
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.recorder.leasing import Leasing, instance_of
from asleft.recorder.multi_recorder import MultiRecorder
from asleft.recorder.quarantine import Quarantine
from asleft.store.lease_types import Hold, LeaseLost, NameTaken
from asleft.store.leases import open_leases
from asleft.store.protocols import ClockChange, StreamMark
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import AgentState, Gap
from asleft.wire.codec import decode_ack, encode_block, encode_gap, encode_state
from asleft.wire.topics import block_topic, state_topic
from paho.mqtt.enums import CallbackAPIVersion


@dataclass
class Broker:
    acknowledged: list = field(default_factory=list)
    published: list = field(default_factory=list)

    def acknowledge(self, packet):
        self.acknowledged.append(packet)

    def publish(self, topic, payload):
        ack = decode_ack(payload)
        self.published.append((ack.agent, ack.mark, ack.fresh))


class Fenced:
    """The embedded store, refusing agents that the test says are another's by now."""

    def __init__(self, store):
        self.inner, self.lost = store, set()

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def commit(self, blocks, gaps, now_ns):
        if gone := {one.agent for one in [*blocks, *gaps]} & self.lost:
            raise LeaseLost(gone)
        return self.inner.commit(blocks, gaps, now_ns)


class Owning:
    def __init__(self, *agents):
        self.agents = set(agents)

    def held(self, agent):
        return agent in self.agents


@pytest.fixture
def rig(tmp_path):
    class Rig:
        def __init__(self):
            self.store = Fenced(open_samples(tmp_path))
            self.quarantine, self.broker, self.owning = Quarantine(tmp_path), Broker(), Owning("edge-1")
            self.now_s, self.packet, self.kept, self.lost_clocks = 100.0, 0, [], set()
            self.ingest = Ingest(
                self.store, self.quarantine, self.broker, monotonic_s=lambda: self.now_s, wall_ns=lambda: 42,
                clocks=Clocks(), keep_clock_changes=self.keep, owning=self.owning,
            )  # fmt: skip
            self.ingest.connected()

        def keep(self, changes):
            if gone := {change.agent for change in changes} & self.lost_clocks:
                raise LeaseLost(gone)
            self.kept += changes

        def send(self, topic, payload):
            self.packet += 1
            self.ingest.message(topic, payload, self.packet)

        def turn(self):
            self.now_s += 1.0
            self.ingest.turn()

        def adopt(self, agent, marks=(), changes=(), still=True):
            self.owning.agents.add(agent)
            done = []
            self.ingest.adopt(agent, list(marks), list(changes), still=lambda: still, then=lambda: done.append(1))
            self.turn()
            return bool(done)

    made = Rig()
    yield made
    made.quarantine.close()
    made.store.close()


def test_what_is_not_ours_is_neither_stored_nor_acknowledged_to_its_agent(rig, tools):
    rig.adopt("edge-1")
    for agent in ("edge-1", "edge-2"):
        rig.send(block_topic(agent), encode_block(tools.block(1, agent=agent)))
    rig.send(block_topic("edge-2"), encode_gap(Gap("edge-2", "spool-1", 2, 5, "spool full")))
    rig.send(state_topic("edge-2"), encode_state(AgentState("edge-2", True, "spool-1", 9, 9, tools.t0)))
    rig.turn()
    assert [mark.agent for mark in rig.store.marks()] == ["edge-1"]
    assert rig.broker.published == [("edge-1", 1, True)]
    assert rig.broker.acknowledged == [1, 2, 3, 4]  # the broker need not keep them; the agent does
    assert rig.ingest.counters.not_ours == 2
    assert "edge-2" in rig.ingest.agents  # heard of all the same


def test_an_agent_lost_in_the_middle_of_a_commit_is_left_out_and_the_others_are_stored(rig, tools):
    rig.owning.agents |= {"edge-2"}
    rig.store.lost = {"edge-2"}
    for seq in (1, 2):
        for agent in ("edge-1", "edge-2"):
            rig.send(block_topic(agent), encode_block(tools.block(seq, agent=agent)))
    rig.turn()
    assert [(mark.agent, mark.mark) for mark in rig.store.marks()] == [("edge-1", 2)]
    assert {agent for agent, _, _ in rig.broker.published} == {"edge-1"}
    assert rig.ingest.counters.not_ours == 2
    assert rig.ingest.counters.failures == 0


def test_an_agent_taken_over_is_told_its_mark_as_fresh_and_one_given_up_is_told_nothing(rig):
    assert rig.adopt("edge-2", [StreamMark("edge-2", "spool-1", 7, 0, 0, 1)])
    assert rig.broker.published == [("edge-2", 7, True)]
    rig.adopt("edge-2", [StreamMark("edge-2", "spool-1", 5, 0, 0, 1)])  # lost and had back: as it stands now
    assert rig.broker.published[1:] == [("edge-2", 5, True)]
    rig.owning.agents.discard("edge-2")
    rig.ingest.connected()
    assert rig.broker.published[2:] == []  # its lease has run out, and nobody has told us yet
    rig.ingest.release(["edge-2"])
    rig.owning.agents.add("edge-2")
    rig.ingest.connected()
    assert rig.broker.published[2:] == []


def test_an_agent_that_believes_in_too_much_is_told_when_it_is_taken_over(rig, tools):
    rig.send(state_topic("edge-3"), encode_state(AgentState("edge-3", True, "spool-1", 9, 9, tools.t0)))
    rig.turn()
    assert rig.broker.published == []
    rig.adopt("edge-3")
    assert rig.broker.published == [("edge-3", 0, True)]


def test_an_agent_lost_before_the_writer_took_it_up_is_not_taken_up(rig):
    assert not rig.adopt("edge-2", [StreamMark("edge-2", "spool-1", 7, 0, 0, 1)], still=False)
    assert rig.broker.published == []


def test_a_correction_of_a_clock_is_not_kept_for_an_agent_that_was_lost(rig, tools, monkeypatch):
    def heard(_self, block, *_):
        return ClockChange(block.agent, block.stream, block.seq, 10, "late", 1)

    monkeypatch.setattr(Clocks, "heard", heard)
    rig.owning.agents |= {"edge-2"}
    rig.lost_clocks = {"edge-2"}
    for agent in ("edge-1", "edge-2"):
        rig.send(block_topic(agent), encode_block(tools.block(1, agent=agent)))
    rig.turn()
    assert [change.agent for change in rig.kept] == ["edge-1"]
    assert [mark.agent for mark in rig.store.marks()] == ["edge-1"]


# ------------------------------------------------------------------------------------------------ leases


class Side:
    """One recorder's leasing over a real records store, with what it was told to do."""

    def __init__(self, path, name, known=("edge-1", "edge-2", "edge-3", "edge-4")):
        self.leases = open_leases(path)
        self.now_s, self.able, self.fails, self.failing, self.proves = 0.0, True, False, False, True
        self.adopted: list[Hold] = []
        self.released: list[tuple[str, str]] = []
        self.leasing = Leasing(
            self.leases, name, f"folder of {name}", known=lambda: known, able=lambda: self.able,
            adopt=self.adopt, release=self.release, lease_s=60.0, monotonic_s=lambda: self.now_s,
            failing=lambda: self.failing, prove=self.prove,
        )  # fmt: skip

    def prove(self):
        if not self.proves:
            raise OSError("http://10.0.0.7:8086 cannot be reached")

    def adopt(self, holds):
        if self.fails:
            raise OSError("marks cannot be read")
        self.adopted += holds

    def release(self, agents):
        owners = {lease.agent: lease.owner for lease in self.leases.look("x", "x", 0.001, (), ()).leases}
        self.released += [(agent, owners[agent]) for agent in agents]


@pytest.fixture
def side(tmp_path):
    made = []

    def begin(name, **more):
        made.append(Side(tmp_path / "records.db", name, **more))
        return made[-1]

    yield begin
    for one in made:
        one.leases.close()


def test_one_alone_takes_all_and_gives_up_what_a_second_one_is_to_have(side):
    north, south = side("north"), side("south")
    north.leasing.turn()
    everything = ["edge-1", "edge-2", "edge-3", "edge-4"]
    assert north.leasing.owned() == everything
    assert [hold.epoch for hold in north.adopted] == [1, 1, 1, 1]
    south.leasing.turn()
    assert south.leasing.owned() == []
    north.leasing.turn()
    given = [agent for agent, _ in north.released]
    assert len(given) == 2
    assert {owner for _, owner in north.released} == {"north"}  # work ends before the lease does
    south.leasing.turn()
    assert sorted(given) == south.leasing.owned()
    assert sorted(given + north.leasing.owned()) == everything
    assert south.leasing.holds(given) == sorted(south.adopted, key=lambda hold: given.index(hold.agent))
    with pytest.raises(LeaseLost, match=given[0]):
        north.leasing.holds(everything)
    south.leasing.leave()
    north.leasing.turn()
    assert north.leasing.owned() == everything


def test_a_recorder_without_its_broker_leaves_its_agents_to_others(side):
    north = side("north")
    north.leasing.turn()
    north.able = False
    north.now_s += 30.0
    north.leasing.turn()
    assert len(north.leasing.owned()) == 4
    north.now_s += 31.0
    north.leasing.turn()
    assert north.leasing.owned() == []
    assert len(north.released) == 4
    assert "north" not in north.leases.look("x", "x", 0.001, (), ()).members
    north.able = True
    north.leasing.turn()
    assert len(north.leasing.owned()) == 4


def members(side):
    return side.leases.look("x", "x", 0.001, (), ()).members - {"x"}


def test_no_agent_is_taken_and_no_share_left_before_hearing_and_own_write_are_proved(side):
    deaf, mute, well = side("deaf"), side("mute"), side("well")
    deaf.able = False
    mute.proves = False
    for _ in range(3):
        deaf.leasing.turn()
        with pytest.raises(OSError, match="cannot be reached"):
            mute.leasing.turn()
        well.leasing.turn()
        assert members(well) == {"well"}
    assert len(well.leasing.owned()) == 4
    assert deaf.leasing.owned() == mute.leasing.owned() == []
    mute.proves = True
    mute.leasing.turn()
    well.leasing.turn()
    mute.leasing.turn()
    assert len(mute.leasing.owned()) == len(well.leasing.owned()) == 2


def test_what_a_recorder_itself_hears_and_writes_is_what_must_be_proved(tmp_path):
    """The parts are joined in `MultiRecorder`: its own hearing, and a write to its own samples."""
    hears, writes = [False], [False]
    adopted: list[str] = []

    def prove():
        if not writes[0]:
            raise OSError("http://10.0.0.7:8086 cannot be reached")

    samples = SimpleNamespace(marks=list, prove=prove)
    ingest = SimpleNamespace(agents={"edge-1"}, storing=SimpleNamespace(since_s=None),
                             adopt=lambda agent, *_, **__: adopted.append(agent), release=lambda _: None)  # fmt: skip
    link = SimpleNamespace(listen=lambda _: None, stop_listening=lambda _: None)
    hearing = SimpleNamespace(proved=lambda: hears[0])
    made = MultiRecorder(tmp_path / "records.db", "north", tmp_path, link, hearing)
    made.bind(ingest, samples, SimpleNamespace(clock_changes=list))
    made.leasing.turn()
    assert (made.leasing.owned(), adopted) == ([], [])
    hears[0] = True
    with pytest.raises(OSError, match="cannot be reached"):
        made.leasing.turn()
    assert (made.leasing.owned(), adopted) == ([], [])
    writes[0] = True
    made.leasing.turn()
    assert adopted == ["edge-1"]
    made.stop()


def test_agents_whose_blocks_cannot_be_stored_are_given_up_and_not_taken_again_at_once(side):
    north = side("north")
    north.leasing.turn()
    north.failing = True
    for north.now_s in (30.0, 60.0):
        north.leasing.turn()
        assert members(north) == {"north"}
    north.now_s = 61.0
    north.leasing.turn()
    assert (north.leasing.owned(), members(north)) == ([], set())
    assert "could not be stored" in north.leasing.trouble()
    north.failing = False  # nothing is left to be stored: no proof that it would be
    pauses, began_s = [], 61.0
    for _ in range(3):
        while not north.leasing.owned():
            north.now_s += 1.0
            north.leasing.turn()
        pauses.append(north.now_s - began_s)
        north.failing = True
        north.now_s += 61.0
        north.leasing.turn()
        assert north.leasing.owned() == []
        north.failing, began_s = False, north.now_s
    assert pauses == [60.0, 120.0, 240.0]


def test_while_the_broker_is_away_for_a_moment_agents_are_kept_and_none_is_taken(side):
    north, south = side("north"), side("south")
    north.leasing.turn()
    south.leasing.turn()
    north.leasing.turn()
    north.now_s += 1.0
    south.able = False
    south.leasing.turn()
    assert south.leasing.owned() == []
    south.able = True
    south.leasing.turn()
    assert len(south.leasing.owned()) == 2


def test_an_agent_whose_marks_could_not_be_read_is_taken_again(side):
    north = side("north", known=("edge-1",))
    north.fails = True
    with pytest.raises(OSError, match="marks"):
        north.leasing.turn()
    assert north.leasing.owned() == []
    north.fails = False
    north.leasing.turn()
    assert north.adopted == [Hold("edge-1", "north", 2)]
    assert north.leasing.stands(Hold("edge-1", "north", 2))
    assert not north.leasing.stands(Hold("edge-1", "north", 1))


def test_what_ran_out_is_released_and_adopted_anew(side):
    north = side("north", known=("edge-1",))
    north.leasing.turn()
    north.now_s += 50.0  # longer than a lease lasts, within which it was not renewed
    assert not north.leasing.held("edge-1")
    north.leasing.turn()
    assert north.released == [("edge-1", "north")]
    assert [hold.epoch for hold in north.adopted] == [1, 2]


def test_a_namesake_is_refused_and_the_same_folder_is_not(side, tmp_path):
    north, twin = side("north"), side("north")
    stopping = threading.Event()
    north.leasing.join(stopping)
    twin.leasing.join(stopping)  # the same folder: the predecessor is dead, or the folder would be locked
    other = Leasing(
        twin.leases, "north", "another folder", known=list, able=lambda: True, adopt=list, release=list, lease_s=0.0
    )
    with pytest.raises(NameTaken):
        other.join(stopping)
    assert instance_of(tmp_path / "data") == instance_of(tmp_path / "data") != instance_of(tmp_path / "twin")


# ---------------------------------------------------------------------------------------------- the broker


class Listener:
    def __init__(self):
        self.heard, self.link = [], None

    def connected(self):
        pass

    def disconnected(self):
        pass

    def message(self, topic, payload, packet):
        self.heard.append((topic, payload))
        self.link.acknowledge(packet)


def test_topics_come_and_go_and_a_clean_session_leaves_nothing_behind(mosquitto, tools):
    sender = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    sender.connect("127.0.0.1", mosquitto.port)
    sender.loop_start()

    def send(text):
        for topic in ("in/always", "in/now"):
            sender.publish(topic, text, 1).wait_for_publish(10.0)

    listener = Listener()
    link = listener.link = BrokerLink("127.0.0.1", mosquitto.port, "beside", ["in/always"], clean=True)
    link.start(listener)
    tools.until(lambda: link.connected)
    link.listen("in/now")
    tools.until(lambda: send(b"1") or ("in/now", b"1") in listener.heard)
    link.restart()  # both topics are asked for again on a new connection
    tools.until(lambda: link.connected)
    tools.until(lambda: send(b"2") or {("in/now", b"2"), ("in/always", b"2")} <= set(listener.heard))
    link.stop_listening("in/now")
    tools.until(lambda: link.connected)
    sender.publish("in/always", b"end", 1)
    tools.until(lambda: ("in/always", b"end") in listener.heard)
    send(b"3")
    tools.until(lambda: ("in/always", b"3") in listener.heard)
    assert ("in/now", b"3") not in listener.heard
    link.stop()
    send(b"4")
    link.start(listener)
    tools.until(lambda: link.connected)
    tools.until(lambda: send(b"5") or ("in/always", b"5") in listener.heard)
    assert not {("in/now", b"4"), ("in/always", b"4"), ("in/now", b"5")} & set(listener.heard)
    link.stop()
    sender.disconnect()
    sender.loop_stop()


# ------------------------------------------------------------------------------------------------ judging


def test_only_valves_of_our_agents_are_judged_and_no_more_once_they_are_anothers(tmp_path, tools):
    store, records = open_samples(tmp_path), open_records(tmp_path / "records.db")
    leases = open_leases(tmp_path / "records.db")
    leases.look("north", "n", 60.0, (), ["edge-1"])
    hold = leases.take("north", leases.look("north", "n", 60.0, (), ()).leases[0], 60.0)
    for valve in ("press-1.platen", "press-2.platen"):
        records.put_sheet(tools.sheet_record(valve))
    now_s, ours = [1000.0], {"press-1.platen": hold}
    judging = Judging(
        store, records, tools.judge(), 1, sheet_of, ours=lambda: dict(ours),
        wall_ns=lambda: tools.t0 + 10**15, monotonic_s=lambda: now_s[0],
    )  # fmt: skip

    def rounds():
        for _ in range(10):
            now_s[0] += 1.1
            judging.round()

    def seen(valve):
        cursor = records.judge_cursor(valve)
        return 0 if cursor is None else json.loads(cursor.state)["samples"]

    def store_blocks(first, last):
        for valve, agent in (("press-1.platen", "edge-1"), ("press-2.platen", "edge-2")):
            blocks = [tools.block(seq, agent=agent, stream=agent, valve=valve) for seq in range(first, last + 1)]
            store.commit(blocks, [], 1)

    store_blocks(1, 5)
    rounds()
    assert (seen("press-1.platen"), seen("press-2.platen")) == (50, 0)
    assert set(judging.valves) == {"press-1.platen"}
    leases.take("north", leases.look("north", "n", 60.0, (), ()).leases[0], 60.0)  # another epoch: the hold is gone
    store_blocks(6, 9)
    rounds()
    assert seen("press-1.platen") == 50
    assert judging.valves["press-1.platen"].failure is None
    ours.clear()
    rounds()
    assert judging.valves == {}
    for one in (leases, records, store):
        one.close()
