"""A plant that several recorders share: broker, databases, agents with a valve each, and recorders as processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import paho.mqtt.client as mqtt
from asleft.recorder.lease_core import owners_of
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx_reader
from asleft.store.leases import open_leases
from asleft.store.records import open_records
from asleft.wire.block import AgentState
from asleft.wire.codec import encode_state
from asleft.wire.topics import state_topic
from paho.mqtt.enums import CallbackAPIVersion


class SharedPlant:
    """`tools` are the helpers of this folder's conftest: agent, sheet_record, until, t0."""

    def __init__(self, folder, broker_port, influx, url, tools, agents):
        self.folder, self.port, self.url = folder, broker_port, url
        self.samples, self._token = influx.plant_place("plant")
        self.influx, self.tools = influx, tools
        self.names = [f"hall-{number}" for number in range(1, agents + 1)]
        self.recorders = {}
        self.records = open_records(url)
        self.leases = open_leases(url)
        self.reader = open_influx_reader(place_from(self.samples, self._token), url)
        for name in self.names:
            self.records.put_sheet(tools.sheet_record(f"press-{name}"))
        self._introduce()
        self.agents = [tools.agent(broker_port, name, f"spool-{name}", valve=f"press-{name}") for name in self.names]

    def _introduce(self):
        """Each agent's retained word about itself, which every recorder hears."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        for name in self.names:
            state = encode_state(AgentState(name, True, f"spool-{name}", 0, 0, self.tools.t0))
            client.publish(state_topic(name), state, 1, retain=True).wait_for_publish(120.0)
        client.disconnect()
        client.loop_stop()

    def start(self, name, samples=None):
        """Start a recorder, over the plant's samples or others."""
        command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(self.folder / name)]
        command += ["--broker", f"127.0.0.1:{self.port}", "--client-id", name]
        command += ["--samples", samples or self.samples, "--records", self.url]
        with (self.folder / f"{name}.log").open("ab") as log:
            self.recorders[name] = subprocess.Popen(
                command, env={**os.environ, **self._token}, stdout=log, stderr=log
            )

    def offer(self, count):
        """Each agent generates further blocks."""
        for agent in self.agents:
            agent.offer(count)

    def until_stored(self, count, *patience_s):
        """Until every agent has heard that so many blocks are stored."""
        self.tools.until(lambda: all(agent.mark == count for agent in self.agents), *patience_s)

    def owners(self):
        """Who has which agent, by leases that have not run out."""
        survey = self.leases.look("onlooker", "test", 0.001, (), ())
        return {lease.agent: lease.owner for lease in survey.leases if lease.left_s > 0}

    def shared_by(self, *recorders):
        """Whether each agent is owned by the one of these that it belongs to."""
        return self.owners() == owners_of(self.names, recorders)

    def check_nothing_lost_or_twice(self, count):
        """Asked of the ledger by the store's reader, and of InfluxDB without any of the project's code."""
        marks = self.reader.marks()
        assert [(mark.mark, mark.stored, mark.declared_gap) for mark in marks] == [(count, count, 0)] * len(
            self.names
        )
        for agent in self.agents:
            refs = self.reader.refs_after(agent.valve, {}, count + 10)
            assert [ref.seq for ref in refs] == list(range(1, count + 1))
        assert self.counted("block", "seq") == len(self.names) * count
        assert self.counted("sample", "current") == len(self.names) * 10 * count

    def counted(self, measurement, field):
        """Points in InfluxDB."""
        series = self.influx.query(f'SELECT COUNT("{field}") FROM "{measurement}"', "plant")
        return series[0]["values"][0][1] if series else 0

    def until_judged(self, count):
        """Until every block of every valve is judged, each reading once."""

        def judged():
            cursors = [self.records.judge_cursor(agent.valve) for agent in self.agents]
            return [0 if one is None else max(one.cursor.values()) for one in cursors] == [count] * len(cursors)

        self.tools.until(judged)
        for agent in self.agents:
            assert self.records.judgement(agent.valve)["samples"] == 10 * count

    def close(self):
        """End everything that was started here."""
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
