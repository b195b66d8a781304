"""Stores, spool and messages of earlier versions, opened by this one; and what this one sends, read by theirs."""

from __future__ import annotations

import base64
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest
from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool import Spool
from asleft.judge import judge
from asleft.judge.published import read_judgement
from asleft.judge.types import JUDGE_VERSION, ChartPoint
from asleft.recorder.admission import Admission
from asleft.recorder.batch import Message
from asleft.store.bindings import open_bindings
from asleft.store.engine import make_engine
from asleft.store.migrate import HEAD, MigrationError, configuration, known_versions, migrate
from asleft.store.protocols import JudgeStep
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Ack, AgentState, Gap
from asleft.wire.codec import decode_ack, decode_upload, encode_ack, encode_block, encode_gap, encode_state
from asleft.wire.topics import block_topic, state_topic
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

HERE = Path(__file__).parent


@pytest.fixture
def messages(left_behind) -> dict[str, bytes]:
    said = json.loads((left_behind / "messages.json").read_text())
    return {name: base64.b64decode(text) for name, text in said.items() if name != "judge_version"}


def upload(plant, writing, payload: bytes) -> Message:
    return Message(plant.core.acks.generation, 0, block_topic(writing.AGENT), payload)


def test_a_store_of_an_earlier_version_goes_on_without_a_gap(left_behind, writing, plants):
    plant = plants(left_behind, judge, JUDGE_VERSION, writing.T0 + 4000 * writing.S)
    (mark,) = plant.samples.marks()
    assert (mark.stream, mark.mark, mark.declared_gap, mark.stored) == (writing.STREAM, 180, 2, 178)
    assert [sheet.number for sheet in plant.records.sheets(writing.VALVE)] == [1]
    assert [event.kind for event in plant.records.alarm_events(writing.VALVE)][:1] == ["dither-weak"]
    assert plant.quarantine.count() == 1
    assert plant.samples.bursts(writing.VALVE, 0, 2**62)[0].sequence == 40
    before = plant.records.judgement(writing.VALVE)
    assert before["samples"] > 3000
    assert read_judgement(before).valve == writing.VALVE

    plant.take([upload(plant, writing, encode_block(writing.block(seq))) for seq in (181, *range(183, 301))])
    (mark,) = plant.samples.marks()
    assert (mark.mark, mark.declared_gap) == (300, 2)
    assert (plant.acks()[-1].mark) == 300
    plant.judge()
    after = plant.records.judgement(writing.VALVE)
    assert after["samples"] == 298 * writing.RATE_HZ
    seqs = [ref.seq for ref in plant.samples.refs_after(writing.VALVE, {}, 1000)]
    assert seqs == [seq for seq in range(1, 301) if seq not in (100, 101)]


def test_an_agent_that_sent_a_valve_before_there_were_bindings_goes_on_and_no_other_begins(left_behind, writing):
    assert layout(left_behind / "records.db") < "0009"  # a store of before
    samples, bindings = open_samples(left_behind), open_bindings(left_behind / "records.db")
    assert bindings.adopt(samples.feeds(), writing.T0) == 1
    admission = Admission(bindings, first_come=False, wall_ns=lambda: writing.T0, monotonic_s=lambda: 0.0)
    admission.refresh()
    assert admission.valve(writing.AGENT, writing.VALVE) is None
    assert "bound to hall-1" in admission.valve("hall-2", writing.VALVE).words
    samples.close()
    bindings.close()


def test_an_old_agents_messages_are_stored_by_this_recorder(tmp_path, messages, writing, plants):
    plant = plants(tmp_path / "new", None, 1, writing.T0 + 4000 * writing.S)
    plant.take([upload(plant, writing, messages[name]) for name in ("block", "gap")])
    plant.take([Message(plant.core.acks.generation, 0, state_topic(writing.AGENT), messages["state"])])
    assert plant.quarantine.count() == 0
    (mark,) = plant.samples.marks()
    assert (mark.agent, mark.stream, mark.mark) == (writing.AGENT, writing.STREAM, 0)
    state, _ = plant.core.agents[writing.AGENT]
    assert (state.version, state.highest_seq, dict(state.details)) == ("0.1.0", 182, {"rate_hz": "20"})
    stored = plant.samples.samples(writing.VALVE, 0, 2**62)
    assert stored.time_ns.size == writing.RATE_HZ


def test_an_old_spool_is_sent_by_this_agent(left_behind, writing):
    spool = Spool(left_behind / "spool.db", writing.AGENT, 4 << 20, 1 << 20)
    assert (spool.highest_seq, spool.acknowledged) == (5, 2)
    sent: list[bytes] = []
    delivery = DeliveryCore(spool, lambda: 0.5, 0.0, begin_anew=spool.begin_anew)
    delivery.connected(0.0)
    while delivery.send(SimpleNamespace(in_flight=0, send_upload=sent.append), 0.0):
        pass
    assert [decode_upload(payload).seq for payload in sent] == [3, 4, 5]
    delivery.take(encode_ack(Ack(writing.AGENT, spool.stream, 5, True)), 1.0)
    assert spool.acknowledged == 5
    spool.close()


def test_an_old_recorders_acknowledgement_is_read_by_this_agent(messages, writing):
    ack = decode_ack(messages["ack"])
    assert (ack.stream, ack.mark, ack.fresh) == (writing.STREAM, 180, True)


@pytest.fixture(params=sorted(path.name for path in HERE.glob("wire_*.desc")))
def theirs(request):
    """The message classes of an earlier version."""
    file = descriptor_pb2.FileDescriptorProto.FromString((HERE / request.param).read_bytes())
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    kinds = {}
    for message in file.message_type:
        found = pool.FindMessageTypeByName(f"{file.package}.{message.name}")
        kinds[message.name] = message_factory.GetMessageClass(found)
    return SimpleNamespace(**kinds)


def test_what_this_agent_sends_is_read_by_an_old_recorder(theirs, writing):
    block = writing.block(40)
    read = theirs.Upload.FromString(encode_block(block)).block
    assert (read.agent, read.valve, read.stream, read.seq) == (block.agent, block.valve, block.stream, block.seq)
    assert (read.wall_ns, read.monotonic_ns, read.boot_id) == (block.wall_ns, block.monotonic_ns, block.boot_id)
    assert [channel.name for channel in read.channels] == ["command", "current"]
    assert len(read.bursts) == 1
    gap = theirs.Upload.FromString(encode_gap(Gap("hall-1", "s", 3, 5, "why"))).gap
    assert (gap.first, gap.last, gap.why) == (3, 5, "why")
    said = theirs.AgentState.FromString(encode_state(AgentState("hall-1", True, "s", 9, 8, 7, "9.9", {"a": "b"})))
    assert (said.online, said.highest_seq, said.acknowledged, said.version) == (True, 9, 8, "9.9")


def test_what_this_recorder_says_is_read_by_an_old_agent(theirs):
    ack = theirs.Ack.FromString(encode_ack(Ack("hall-1", "s", 12, True, 99)))
    assert (ack.agent, ack.stream, ack.mark, ack.fresh, ack.at_ns) == ("hall-1", "s", 12, True, 99)


def test_a_new_version_of_the_judge_keeps_what_it_cannot_judge_again(left_behind, writing, plants):
    """Readings are kept for a while, history for ever: a year of points must not go with an upgrade."""
    sheet_ns = 1_672_531_200 * writing.S
    records = open_records(left_behind / "records.db")
    cursor = records.judge_cursor(writing.VALVE)
    long_ago_s = sheet_ns / 1e9 + 86_400
    records.commit_step(
        JudgeStep(
            writing.VALVE,
            {**cursor.cursor, "an old spool": 1},
            cursor.judge_version,
            1,
            cursor.at_ns,
            cursor.state,
            records.judgement(writing.VALVE),
            points=[ChartPoint("ramp_up", long_ago_s, 1.5, 0.01)],
        )
    )
    records.close()
    plant = plants(left_behind, judge, JUDGE_VERSION + 1, writing.T0 + 4000 * writing.S)
    plant.judge()
    after = plant.records.judge_cursor(writing.VALVE)
    assert after.judge_version == JUDGE_VERSION + 1
    assert plant.records.judgement(writing.VALVE)["samples"] == 178 * writing.RATE_HZ  # all that is kept, anew
    assert [point.value for point in plant.records.points(writing.VALVE, "ramp_up", 0, 2**62)][:1] == [1.5]
    assert [event.kind for event in plant.records.alarm_events(writing.VALVE)][:1] == ["dither-weak"]


def older(path: Path) -> str:
    """A records store as the migration before the newest left it; that one's name."""
    from alembic import command

    before = sorted(known_versions())[-2]
    engine = make_engine(path)
    with engine.begin() as connection:
        command.upgrade(configuration(connection), before)
    engine.dispose()
    return before


def layout(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]


def test_before_a_migration_the_store_is_kept_as_it_was(tmp_path):
    path = tmp_path / "records.db"
    before = older(path)
    open_records(path).close()
    assert layout(path) == HEAD
    kept = tmp_path / f"records.db.layout-{before}"
    assert layout(kept) == before
    assert kept.stat().st_mode & 0o007 == 0
    shutil.copy(kept, path)  # the way back
    assert layout(path) == before


def test_without_room_for_that_copy_nothing_is_changed(tmp_path, monkeypatch):
    path = tmp_path / "records.db"
    before = older(path)
    monkeypatch.setattr("asleft.store.copying.shutil.disk_usage", lambda _folder: SimpleNamespace(free=1000))
    engine = make_engine(path)
    with pytest.raises(MigrationError, match="has no room for a copy"):
        migrate(engine)
    engine.dispose()
    assert layout(path) == before
    assert not list(tmp_path.glob("*.layout-*"))
