"""Two recorders over one InfluxDB and one PostgreSQL, as processes: one is killed, one is paused, nothing is lost."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from asleft.recorder.lease_core import LEASE_S, owners_of
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx_reader
from asleft.store.leases import open_leases
from asleft.store.records import open_records
from asleft.wire.block import AgentState
from asleft.wire.codec import encode_state
from asleft.wire.topics import state_topic
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parent.parent))
from influx_server import InfluxServer

pytestmark = pytest.mark.end_to_end
NORTH, SOUTH = "north", "south"
SLACK_S = 10.0
"""For a machine on which everything waits for a processor."""


class Plant:
    """Broker, databases, four agents with a valve each, and recorders by name."""

    def __init__(self, folder, broker_port, influx, url, tools):
        self.folder, self.port, self.url, self.samples = folder, broker_port, url, f"{influx.url}/plant"
        self.influx, self.tools = influx, tools
        owners = owners_of([f"hall-{number}" for number in range(1, 5)], (NORTH, SOUTH))
        self.norths, self.souths = (
            [agent for agent, who in owners.items() if who == name] for name in (NORTH, SOUTH)
        )
        assert len(self.norths) == len(self.souths) == 2
        self.recorders = {}
        self.records = open_records(url)
        self.leases = open_leases(url)
        self.reader = open_influx_reader(place_from(self.samples, {}), url)
        for name in self.norths + self.souths:
            self.records.put_sheet(tools.sheet_record(f"press-{name}"))
        self._introduce()
        self.agents = [
            tools.agent(broker_port, name, f"spool-{name}", valve=f"press-{name}")
            for name in self.norths + self.souths
        ]

    def _introduce(self):
        """Each agent's retained word about itself, which every recorder hears."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        for name in self.norths + self.souths:
            state = encode_state(AgentState(name, True, f"spool-{name}", 0, 0, self.tools.t0))
            client.publish(state_topic(name), state, 1, retain=True).wait_for_publish(10.0)
        client.disconnect()
        client.loop_stop()

    def start(self, name):
        command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(self.folder / name)]
        command += ["--broker", f"127.0.0.1:{self.port}", "--client-id", name]
        command += ["--samples", self.samples, "--records", self.url]
        with (self.folder / f"{name}.log").open("ab") as log:
            self.recorders[name] = subprocess.Popen(command, stdout=log, stderr=log)

    def offer(self, count):
        for agent in self.agents:
            agent.offer(count)

    def until_stored(self, count, timeout_s=40.0):
        self.tools.until(lambda: all(agent.mark == count for agent in self.agents), timeout_s)

    def owners(self):
        survey = self.leases.look("onlooker", "test", 0.001, (), ())
        return {lease.agent: lease.owner for lease in survey.leases if lease.left_s > 0}

    def owned_by(self, norths, souths):
        return self.owners() == dict.fromkeys(self.norths, norths) | dict.fromkeys(self.souths, souths)

    def check_nothing_lost_or_twice(self, count):
        """Asked of the ledger by the store's reader, and of InfluxDB without any of the project's code."""
        marks = self.reader.marks()
        assert [(mark.mark, mark.stored, mark.declared_gap) for mark in marks] == [(count, count, 0)] * 4
        for agent in self.agents:
            refs = self.reader.refs_after(agent.valve, {}, count + 10)
            assert [ref.seq for ref in refs] == list(range(1, count + 1))
        (blocks,) = self.influx.query('SELECT COUNT("seq") FROM "block"', "plant")
        assert blocks["values"][0][1] == 4 * count
        (samples,) = self.influx.query('SELECT COUNT("current") FROM "sample"', "plant")
        assert samples["values"][0][1] == 4 * 10 * count

    def until_judged(self, count):
        def judged():
            cursors = [self.records.judge_cursor(agent.valve) for agent in self.agents]
            return [0 if one is None else max(one.cursor.values()) for one in cursors] == [count] * 4

        self.tools.until(judged, 60.0)
        for agent in self.agents:
            assert self.records.judgement(agent.valve)["samples"] == 10 * count

    def close(self):
        for agent in self.agents:
            agent.close()
        for process in self.recorders.values():
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.wait()
        self.reader.close()
        self.leases.close()
        self.records.close()


@pytest.fixture
def plant(tmp_path, mosquitto, postgres, tools):
    influx = InfluxServer(tmp_path / "influx").start()
    made = Plant(tmp_path, mosquitto.port, influx, postgres.url(str(tmp_path)), tools)
    yield made
    made.close()
    influx.stop()


def test_agents_change_hands_without_loss_when_a_recorder_joins_is_killed_or_is_paused(plant, tools):
    plant.start(NORTH)
    plant.offer(50)
    plant.until_stored(50)
    assert plant.owned_by(NORTH, NORTH)

    plant.start(SOUTH)
    tools.until(lambda: plant.owned_by(NORTH, SOUTH), 30.0)
    plant.offer(50)
    plant.until_stored(100)

    plant.offer(150)
    tools.until(lambda: all(agent.mark > 100 for agent in plant.agents))
    plant.recorders[SOUTH].kill()
    killed_s = time.monotonic()
    tools.until(lambda: plant.owned_by(NORTH, NORTH), LEASE_S + SLACK_S)
    print(f"taken over {time.monotonic() - killed_s:.1f} s after the kill")
    plant.until_stored(250)
    plant.check_nothing_lost_or_twice(250)

    plant.start(SOUTH)
    tools.until(lambda: plant.owned_by(NORTH, SOUTH), 30.0)
    plant.offer(50)
    tools.until(lambda: all(agent.mark > 250 for agent in plant.agents))
    plant.recorders[SOUTH].send_signal(signal.SIGSTOP)  # its judging process goes on, and must be harmless as well
    plant.offer(50)
    tools.until(lambda: plant.owned_by(NORTH, NORTH), LEASE_S + SLACK_S)
    plant.until_stored(350)
    plant.recorders[SOUTH].send_signal(signal.SIGCONT)  # wakes up believing that nothing happened
    plant.offer(50)
    tools.until(lambda: plant.owned_by(NORTH, SOUTH), 30.0)
    plant.until_stored(400)
    plant.check_nothing_lost_or_twice(400)
    plant.until_judged(400)

    rows = {row.source: row.details for row in plant.records.health()}
    assert set(plant.norths) == set(rows["recorder/north"]["owns"])
    assert {"recorder/south", "judging/north", "judging/south"} <= rows.keys()
    assert "recorder" not in rows


def test_a_second_recorder_of_the_same_name_is_refused_and_the_first_goes_on(plant):
    plant.start(NORTH)
    plant.offer(20)
    plant.until_stored(20)
    first = plant.recorders[NORTH]
    command = [one if one != str(plant.folder / NORTH) else str(plant.folder / "twin") for one in first.args]
    twin = subprocess.run(command, capture_output=True, text=True, timeout=60.0, check=False)
    assert twin.returncode == 2
    assert "another recorder is at work under the name 'north'" in twin.stderr
    plant.offer(20)
    plant.until_stored(40)
    first.terminate()
    assert first.wait(30.0) == 0
    assert plant.owners() == {}
