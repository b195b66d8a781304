"""A backup made while everything runs, put back: judging goes on without a gap, agents send what came after."""

from __future__ import annotations

import json
import shlex
import sqlite3
import stat
import subprocess
from contextlib import closing

import pytest
from asleft.cli.main import main
from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool import Spool
from asleft.judge import judge
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.batch import Message
from asleft.store.backup import back_up, read_backup, restore
from asleft.store.protocols import SheetRecord
from asleft.store.samples import open_samples, open_samples_reader
from asleft.wire.block import AgentState
from asleft.wire.codec import encode_ack, encode_state
from asleft.wire.topics import block_topic, state_topic

NOW_S = 4000


@pytest.fixture
def spool(tmp_path, writing):
    made = Spool(tmp_path / "edge" / "spool.db", writing.AGENT, 16 << 20, 1 << 20)
    yield made
    made.close()


class Line:
    """Carries what the agent's own delivery sends to the recorder, and back."""

    def __init__(self, spool, agent):
        self.delivery = DeliveryCore(spool, lambda: 0.5, 0.0)
        self.spool, self.agent, self.out, self.in_flight, self.now_s = spool, agent, [], 0, 0.0
        self.delivery.connected(0.0)

    def send_upload(self, payload):
        self.out.append(payload)

    def carry(self, plant):
        """Until everything is acknowledged."""
        spool = self.spool
        for _ in range(100):
            self.now_s += 3.0
            state = AgentState(self.agent, True, spool.stream, spool.highest_seq, spool.acknowledged, 1)
            messages = [Message(plant.core.acks.generation, 0, state_topic(self.agent), encode_state(state))]
            while self.delivery.send(self, self.now_s):
                pass
            messages += [Message(plant.core.acks.generation, 0, block_topic(self.agent), one) for one in self.out]
            self.out = []
            plant.take(messages)
            for ack in plant.acks():
                self.delivery.take(encode_ack(ack), self.now_s)
            if (
                self.delivery.mark == spool.highest_seq
                and {m.stream: m.mark for m in plant.samples.marks()}.get(spool.stream) == spool.highest_seq
            ):
                return
        pytest.fail("not delivered")


def judged(plant, writing):
    """What the judge has come to, and every instant it has judged."""
    body = dict(plant.records.judgement(writing.VALVE))
    spans = plant.records.intervals(writing.VALVE, 0, 2**62)
    return body["samples"], body["to"], [(round(one.from_s, 3), round(one.to_s, 3), one.state) for one in spans]


def test_restored_it_judges_on_without_a_gap(tmp_path, writing, spool, plants):
    now_ns = writing.T0 + NOW_S * writing.S
    data = tmp_path / "data"
    plant = plants(data, judge, JUDGE_VERSION, now_ns)
    plant.records.put_sheet(SheetRecord(writing.VALVE, 1, 1, "ab", "first", writing.SHEET, 1))
    line = Line(spool, writing.AGENT)
    spool.append([writing.block(seq, spool.stream) for seq in range(1, 101)])
    line.carry(plant)
    plant.judge()

    # While the recorder has all open, and an instant before more is committed to each store.
    backup = back_up(data, tmp_path / "backup", "0.1.0")
    assert set(backup.files) == {"records.db", "samples.db", "quarantine.db"}
    assert stat.S_IMODE((tmp_path / "backup").stat().st_mode) == 0o700
    assert all(path.stat().st_mode & 0o007 == 0 for path in (tmp_path / "backup").glob("*.db"))
    spool.append([writing.block(seq, spool.stream) for seq in range(101, 161)])
    line.carry(plant)
    plant.judge()
    expected = judged(plant, writing)
    plant.close()

    kept = restore(read_backup(tmp_path / "backup"), data)
    assert sqlite3.connect(kept / "samples.db").execute("SELECT mark FROM stream").fetchone() == (160,)
    assert sqlite3.connect(kept / "records.db").execute("SELECT count(*) FROM judgement").fetchone() == (1,)
    again = plants(data, judge, JUDGE_VERSION, now_ns)
    assert again.samples.marks()[0].mark == 100
    line.carry(again)
    (mark,) = again.samples.marks()
    assert (mark.mark, mark.declared_gap) == (160, 0)
    again.judge()
    assert judged(again, writing) == expected
    refs = again.samples.refs_after(writing.VALVE, {}, 1000)
    assert [ref.seq for ref in refs] == list(range(1, 161))


def test_what_the_spool_no_longer_has_is_declared_lost_and_can_be_brought_back(
    tmp_path, writing, spool, plants, capsys
):
    now_ns = writing.T0 + NOW_S * writing.S
    data = tmp_path / "data"
    plant = plants(data, judge, JUDGE_VERSION, now_ns)
    line = Line(spool, writing.AGENT)
    spool.append([writing.block(seq, spool.stream) for seq in range(1, 61)])
    line.carry(plant)
    plant.close()
    spool._db.execute("DELETE FROM block WHERE seq <= 40")  # as making room does with what is acknowledged
    raw = (data / "samples.db").read_bytes()
    (data / "samples.db").write_bytes(b"\xa5" * 64 + raw[64:])
    fresh = plants(data, judge, JUDGE_VERSION, now_ns)
    line.carry(fresh)
    (mark,) = fresh.samples.marks()
    assert (mark.mark, mark.declared_gap) == (60, 40)
    fresh.close()
    (data / "samples.db.damaged-x").write_bytes(raw)
    assert main(["restore", "--readings", str(data / "samples.db.damaged-x"), "--data", str(data)]) == 0
    assert "40 blocks brought back, 20 were there already" in capsys.readouterr().out
    reader = open_samples_reader(data)
    assert [ref.seq for ref in reader.refs_after(writing.VALVE, {}, 1000)] == list(range(1, 61))
    assert reader.marks()[0].declared_gap == 0
    reader.close()


def test_of_a_file_with_spoilt_pages_all_else_comes_back(tmp_path, writing, capsys):
    store = open_samples(tmp_path / "old")
    store.commit([writing.block(seq) for seq in range(1, 301)], [], 1)
    store.maintain(1)  # some in runs, some not
    bursts = store.bursts(writing.VALVE, 0, 2**62)
    store.close()
    raw = bytearray((tmp_path / "old" / "samples.db").read_bytes())
    with closing(sqlite3.connect(tmp_path / "old" / "samples.db")) as rows:
        (payload,) = rows.execute("SELECT payload FROM block ORDER BY seq DESC LIMIT 1 OFFSET 5").fetchone()
    page = raw.find(payload) // 4096
    raw[page * 4096 : (page + 1) * 4096] = b"\xa5" * 4096
    (tmp_path / "spoilt.db").write_bytes(raw)
    data = tmp_path / "data"
    assert main(["restore", "--readings", str(tmp_path / "spoilt.db"), "--data", str(data)]) == 1
    assert "cannot be read" in capsys.readouterr().out
    reader = open_samples_reader(data)
    got = [ref.seq for ref in reader.refs_after(writing.VALVE, {}, 1000)]
    assert 250 < len(got) < 300
    assert got == sorted(set(got))
    (mark,) = reader.marks()  # of a stream that nobody sends any more the rest is declared
    assert (mark.mark, mark.stored) == (300, len(got))
    assert len(reader.bursts(writing.VALVE, 0, 2**62)) == len(bursts) == 1
    reader.close()


@pytest.fixture
def backed_up(tmp_path, writing):
    store = open_samples(tmp_path / "data")
    store.commit([writing.block(1)], [], 1)
    store.close()
    assert main(["backup", "--data", str(tmp_path / "data"), str(tmp_path / "to")]) == 0
    return tmp_path / "to"


def test_a_backup_that_is_not_whole_or_not_ours_is_refused_and_nothing_is_changed(tmp_path, backed_up, capsys):
    before = (tmp_path / "data" / "samples.db").read_bytes()

    def refused() -> str:
        assert main(["restore", str(backed_up), "--data", str(tmp_path / "data")]) == 2
        assert (tmp_path / "data" / "samples.db").read_bytes() == before
        assert not list((tmp_path / "data").glob("before-restore-*"))
        return capsys.readouterr().err

    manifest = backed_up / "backup.json"
    said = json.loads(manifest.read_text())
    manifest.write_text(json.dumps({**said, "versions": {**said["versions"], "samples": "99"}}))
    assert "made by a newer program" in refused()
    manifest.write_text(json.dumps({**said, "format": "something"}))
    assert "is something version 1" in refused()
    manifest.write_text(json.dumps({**said, "files": {"../samples.db": "x"}}))
    assert "is not what was backed up" in refused()
    manifest.write_text(json.dumps(said))
    raw = (backed_up / "samples.db").read_bytes()
    (backed_up / "samples.db").write_bytes(raw[:-1] + b"x")
    assert "is not what was backed up" in refused()
    manifest.unlink()
    assert "a backup without backup.json is not whole" in refused()


def test_neither_overwrites_nor_restores_under_a_recorder(tmp_path, backed_up, capsys):
    data = tmp_path / "data"
    assert main(["backup", "--data", str(data), str(backed_up)]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert main(["backup", "--data", str(tmp_path / "nothing"), str(tmp_path / "new")]) == 2
    assert "there is no records.db" in capsys.readouterr().err
    store = open_samples(data)
    assert main(["restore", str(backed_up), "--data", str(data)]) == 2
    assert "in use by another recorder" in capsys.readouterr().err
    store.close()
    assert main(["restore", str(backed_up), "--data", str(data)]) == 0


@pytest.mark.usefixtures("backed_up")
def test_a_damaged_file_makes_no_backup(tmp_path, capsys):
    path = tmp_path / "data" / "samples.db"
    raw = path.read_bytes()
    path.write_bytes(raw[:4096] + b"\xa5" * (len(raw) - 4096))
    assert main(["backup", "--data", str(tmp_path / "data"), str(tmp_path / "second")]) == 2
    assert "samples.db" in capsys.readouterr().err
    assert not (tmp_path / "second" / "backup.json").exists()


def test_servers_are_copied_by_their_own_programs(tmp_path, capsys):
    code = main(
        ["backup", "--data", str(tmp_path), "--records", "postgresql://asleft@db:5433/plant?sslmode=require",
         "--samples", "influx://10.0.0.7/plant", str(tmp_path / "to")]
    )  # fmt: skip
    assert code == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Now run, as this user and in this order:"
    assert shlex.split(lines[1]) == [
        "pg_dump", "--format=custom", f"--file={tmp_path / 'to' / 'records.dump'}",
        "postgresql://asleft@db:5433/plant?sslmode=require",
    ]  # fmt: skip
    assert "influxd backup -portable -host 10.0.0.7:8088 -database plant " in lines[2]
    assert "-database plant-overview" in lines[3]


def test_the_commands_for_postgresql_work(tmp_path, capsys, postgres, writing):
    from asleft.store.records import open_records

    url = postgres.url(str(tmp_path))
    records = open_records(url)
    records.put_sheet(SheetRecord(writing.VALVE, 1, 1, "ab", "first", writing.SHEET, 1))
    records.close()
    to = tmp_path / "to"
    assert (
        main(["backup", "--data", str(tmp_path / "data"), "--records", url, "--samples", "influx://h/p", str(to)])
        == 0
    )
    to.mkdir(exist_ok=True)
    subprocess.run(shlex.split(capsys.readouterr().out.splitlines()[1]), check=True)
    fresh = postgres.url(f"{tmp_path} restored")
    subprocess.run(["pg_restore", "--no-owner", f"--dbname={fresh}", str(to / "records.dump")], check=True)
    again = open_records(fresh)
    assert again.sheet_valves() == [writing.VALVE]
    again.close()
