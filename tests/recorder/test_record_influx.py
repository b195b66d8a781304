"""The recorder over an InfluxDB, as processes: the database is killed, the recorder too, and nothing is lost."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from asleft.recorder.ingest import Ingest
from asleft.recorder.quarantine import Quarantine
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx, open_influx_reader
from asleft.store.records import open_records
from asleft.wire.block import Channel
from asleft.wire.codec import encode_block
from asleft.wire.topics import block_topic

sys.path.insert(0, str(Path(__file__).parent.parent))
import influx2_server

pytestmark = pytest.mark.end_to_end
VALVE = "press-1.platen"
WAIT_S = 300.0


@pytest.fixture(params=["InfluxDB 1", "InfluxDB 2"])
def database(request, tmp_path, monkeypatch):
    """A server with what `--samples` is given, and a token in the environment where it asks for one."""
    second = request.param == "InfluxDB 2"
    if second:
        program, version = influx2_server.found()
        if not program:
            pytest.skip(f"not here: {version}")
        request.node.user_properties.append(("server", f"InfluxDB {version}"))
    server = influx2_server.server_of(tmp_path / "influx", second=second)
    server.samples, token = server.plant_place("plant")
    for name, value in token.items():
        monkeypatch.setenv(name, value)
    yield server
    server.stop()


def place_of(database):
    return place_from(database.samples, os.environ)


@pytest.fixture
def start(tmp_path, database, mosquitto):
    command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(tmp_path / "data")]
    command += ["--broker", f"127.0.0.1:{mosquitto.port}", "--samples", database.samples]
    running = []

    def begin():
        with (tmp_path / "recorder.log").open("ab") as log:
            running.append(subprocess.Popen(command, stdout=log, stderr=log))
        return running[-1]

    yield begin
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()


def test_database_and_recorder_are_killed_and_nothing_is_lost(tmp_path, database, start, agent, tools):
    records = open_records(tmp_path / "data" / "records.db")
    records.put_sheet(tools.sheet_record())

    def recorder_says():
        rows = {row.source: row.details for row in records.health()}
        return rows.get("recorder", {})

    recorder = start()
    agent.offer(150)
    tools.until(lambda: agent.mark == 150, WAIT_S)
    database.kill_database()
    agent.offer(100)
    tools.until(lambda: recorder_says().get("storing_fails") is True, WAIT_S)
    assert "http://127.0.0.1" in recorder_says()["last_error"]
    assert agent.mark == 150
    recorder.kill()
    recorder.wait()
    database.start()
    agent.offer(50)
    recorder = start()
    tools.until(lambda: agent.mark == 300, WAIT_S)
    tools.until(
        lambda: recorder_says().get("storing_fails") is False and recorder_says()["streams"][0]["mark"] == 300, WAIT_S
    )
    assert recorder_says()["store"]["where"].startswith("InfluxDB at http://127.0.0.1")
    tools.until(lambda: _judged(records) == 300, WAIT_S)
    (series,) = database.query('SELECT COUNT("current") FROM "sample"', "plant")
    assert series["values"][0][1] == 3000
    assert database.query('SELECT COUNT("seq") FROM "block"', "plant")[0]["values"][0][1] == 300
    reader = open_influx_reader(place_of(database), tmp_path / "data" / "records.db")
    assert [ref.seq for ref in reader.refs_after(VALVE, {}, 1000)] == list(range(1, 301))
    assert (reader.marks()[0].stored, reader.marks()[0].declared_gap) == (300, 0)
    reader.close()
    records.close()


def _judged(records):
    cursor = records.judge_cursor(VALVE)
    return 0 if cursor is None else cursor.cursor.get("spool-1", 0)


class Broker:
    def __init__(self):
        self.acknowledged = []

    def acknowledge(self, packet):
        self.acknowledged.append(packet)

    def publish(self, topic, payload):
        pass


def test_blocks_that_the_database_refuses_are_put_aside_counted_and_declared(tmp_path, database, tools):
    store = open_influx(place_of(database), tmp_path / "records.db", tmp_path)
    quarantine, broker = Quarantine(tmp_path), Broker()
    ingest = Ingest(store, quarantine, broker)
    ingest.connected()
    store.commit([tools.block(1)], [], 1)
    store._writer._send("plant", b"sample,valve=x odd=1i 1700000041000000000")  # from now on `odd` is an integer
    for seq in range(2, 42):
        block = tools.block(seq)
        if seq in (9, 30):
            block = type(block)(
                **{name: getattr(block, name) for name in block.__slots__}
                | {"channels": (Channel("odd", "1", values=block.channels[1].values),)}
            )
        ingest.message(block_topic("edge-1"), encode_block(block), seq)
    ingest.turn()
    assert broker.acknowledged == list(range(2, 42))
    assert ingest.counters.unusable == 2
    assert len(quarantine.newest()) == 2
    assert all("type conflict" in why and '"odd"' in why for _, _, why, _, _ in quarantine.newest())
    (mark,) = store.marks()
    assert (mark.mark, mark.declared_gap, mark.stored) == (41, 2, 39)
    quarantine.close()
    store.close()
