"""Brokers on free ports, an agent in miniature, blocks, and a judge that counts."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from asleft.catalogue.parts import Part
from asleft.catalogue.statuses import Status
from asleft.judge.types import ChartPoint, Finding, Judgement, State, StateInterval
from asleft.store.protocols import SheetRecord
from asleft.wire.block import Block, Channel
from asleft.wire.codec import decode_ack, encode_block
from asleft.wire.topics import ack_topic, block_topic
from paho.mqtt.enums import CallbackAPIVersion

S = 1_000_000_000
T0 = 1_700_000_000 * S

SHEET = """
[valve]
id = "{valve}"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
[revision]
number = {number}
at = 2023-01-01T00:00:00Z
by = "ab"
why = "first"
"""


def until(condition, timeout_s=300.0, every_s=0.02):
    """Waits until the condition holds; its value."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        value = condition()
        if value:
            return value
        time.sleep(every_s)
    pytest.fail(f"not within {timeout_s} s")


def block(
    seq, *, agent="edge-1", stream="spool-1", valve="press-1.platen", at_ns=None, length_s=1.0, n=10, unit="mA"
):
    counts = np.full(n, seq % 30_000, np.int16)
    return Block(
        agent=agent,
        valve=valve,
        stream=stream,
        seq=seq,
        boot_id="boot",
        wall_ns=T0 + (seq - 1) * S if at_ns is None else at_ns,
        monotonic_ns=seq * S,
        clock_synchronised=True,
        offsets_us=(np.arange(n) * (length_s * 1e6 / n)).astype(np.int32),
        channels=(
            Channel("command", unit, counts=counts, scale=0.001),
            Channel("current", "A", values=np.full(n, 0.5)),
        ),
    )


def sheet_record(valve="press-1.platen", number=1, at_ns=0, toml=None):
    return SheetRecord(valve, number, at_ns, "ab", "first", toml or SHEET.format(valve=valve, number=number), 1)


@dataclass
class CountingJudge:
    """Remembers every reading it was given; its state is what it has seen."""

    calls: list = field(default_factory=list)
    findings: tuple = ()
    state: State = State.PRODUCING
    fail_on: set = field(default_factory=set)
    begun: list = field(default_factory=list)
    due: bool = True

    def begin(self, sheet):
        self.begun.append((sheet.valve, sheet.revision.number))
        return {"sheet": sheet.revision.number, "samples": 0}

    def advance(self, sheet, state, samples):
        if sheet.valve in self.fail_on:
            raise RuntimeError("no idea what this is")
        self.calls.append((sheet.valve, sheet.revision.number, samples))
        now = {"sheet": state["sheet"], "samples": state["samples"] + samples.time_s.size}
        first, last = float(samples.time_s[0]), float(samples.time_s[-1])
        interval = StateInterval(self.state, first, last, "test")
        return _Taken(now, (interval,), (ChartPoint("ramp_up", last, 1.0, 0.1),), self.due)

    def summarise(self, sheet, state):
        return Judgement(
            sheet.valve, sheet.revision.number, None, None, state["samples"], Status.GOOD, "As left.",
            {}, (), self.findings, current_state=self.state,
        )  # fmt: skip

    def dumps(self, state):
        return json.dumps(state)

    def loads(self, text):
        return json.loads(text)


@dataclass(frozen=True)
class _Taken:
    state: dict
    intervals: tuple
    points: tuple
    due: bool


def finding(kind, onset_s=None, consequence_of=None):
    return Finding(kind, Part.SUPPLY, (), onset_s, 2, "Evidence.", consequence_of)


class Mosquitto:
    """A real broker on a free port, without persistence: what it knows dies with it."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        self._process = None

    def start(self):
        binary = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        assert binary, "the tests need the broker mosquitto (Debian package mosquitto)"
        self._process = subprocess.Popen([binary, "-c", str(self._conf)], stderr=subprocess.DEVNULL)
        wait_for_port(self.port)
        return self

    def kill(self):
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for_port(port):
    def answers():
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    until(answers)


@pytest.fixture
def mosquitto(tmp_path):
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.kill()


AMQTT = """
import asyncio, sys
from amqtt.broker import Broker
async def serve():
    config = {"listeners": {"default": {"type": "tcp", "bind": "127.0.0.1:" + sys.argv[1]}},
              "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}}
    broker = Broker(config)
    await broker.start()
    await asyncio.Event().wait()
asyncio.run(serve())
"""


@pytest.fixture
def amqtt():
    """The embedded broker, which knows MQTT 3.1.1 only; its port."""
    port = free_port()
    process = subprocess.Popen([sys.executable, "-c", AMQTT, str(port)], stderr=subprocess.DEVNULL)
    wait_for_port(port)
    yield port
    process.kill()
    process.wait()


class MiniAgent:
    """Sends blocks in order, keeps them until acknowledged end to end, goes back when nothing moves."""

    WINDOW = 400

    def __init__(
        self, port, name="edge-1", stream="spool-1", protocol=mqtt.MQTTv5, valve="press-1.platen", make=block
    ):
        """`make` makes block number `seq`, as `block` does."""
        self.name, self.stream, self.valve, self._make = name, stream, valve, make
        self.mark, self.next, self.highest = 0, 1, 0
        self.fresh = 0
        self._moved_s = time.monotonic()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        self._client.on_connect = lambda client, *_: client.subscribe(ack_topic(self.name), 1)
        self._client.on_message = self._on_ack
        self._client.reconnect_delay_set(0.1, 0.5)
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def offer(self, count):
        """Generate further blocks."""
        with self._lock:
            self.highest += count

    def close(self):
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _on_ack(self, _client, _userdata, message):
        ack = decode_ack(message.payload)
        with self._lock:
            if ack.stream != self.stream or ack.mark > self.highest:
                return
            self.fresh += ack.fresh
            now_s = time.monotonic()
            if ack.mark > self.mark or (ack.fresh and ack.mark < self.mark):
                self.mark = ack.mark
                self._moved_s = now_s
                self.next = max(self.next, ack.mark + 1) if ack.mark >= self.next else self.next

    def _run(self):
        while not self._stop.wait(0.005):
            with self._lock:
                now_s = time.monotonic()
                if self.mark < self.highest and now_s - self._moved_s > 0.7:
                    self.next, self._moved_s = self.mark + 1, now_s
                todo = range(self.next, min(self.highest, self.mark + self.WINDOW) + 1)
                self.next = max(self.next, todo.stop)
                if not self._client.is_connected():
                    self.next = self.mark + 1
                    continue
            for seq in todo:
                payload = encode_block(self._make(seq, agent=self.name, stream=self.stream, valve=self.valve))
                self._client.publish(block_topic(self.name), payload, 1)


@pytest.fixture
def agent(mosquitto):
    made = MiniAgent(mosquitto.port)
    yield made
    made.close()


@pytest.fixture(scope="session")
def made_block():
    return block


@pytest.fixture
def tools():
    """The helpers of this file, for tests."""
    return _Tools()


class _Tools:
    s, t0 = S, T0
    block = staticmethod(block)
    sheet_record = staticmethod(sheet_record)
    finding = staticmethod(finding)
    until = staticmethod(until)
    free_port = staticmethod(free_port)
    judge = CountingJudge
    agent = MiniAgent
    sheet_text = SHEET
