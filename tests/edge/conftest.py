from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from asleft.wire.block import Ack, AgentState, Block, Gap
from asleft.wire.codec import decode_state, decode_upload, encode_ack
from asleft.wire.topics import ack_topic, block_topic, state_topic
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A real mosquitto on a free port of loopback, without persistence: killed, it forgets everything."""

    def __init__(self, folder: Path, access: str = "allow_anonymous true") -> None:
        found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        assert found, "these tests need a real broker: install the Debian package mosquitto"
        self._binary = found
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        rest = "persistence false\nuser root\nlog_dest stderr\n"
        self._config.write_text(f"listener {self.port} 127.0.0.1\n{access}\n{rest}")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen([self._binary, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 120
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self._process.poll() is None, "mosquitto ended at once"
                assert time.monotonic() < deadline
                time.sleep(0.05)
            else:
                return

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()
            self._process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def strict_broker(tmp_path: Path) -> Iterator[Broker]:
    """Asks for a password; agent hall-2 may say how it is but not send blocks."""
    passwords, rules = tmp_path / "passwords", tmp_path / "rules"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "hall-2", "correct horse"], check=True)
    rules.write_text("user hall-2\ntopic write asleft/1/state/hall-2\ntopic read asleft/1/ack/hall-2\n")
    made = Broker(tmp_path, f"allow_anonymous false\npassword_file {passwords}\nacl_file {rules}")
    made.start()
    yield made
    made.kill()


class FakeRecorder:
    """The recorder's half of the delivery protocol with a dictionary for a store."""

    def __init__(self, port: int, agent: str) -> None:
        self._agent = agent
        self._lock = threading.Lock()
        self.blocks: dict[tuple[str, int], Block] = {}
        self.gaps: list[Gap] = []
        self.states: list[AgentState] = []
        self.received = 0
        self.faults: list[str] = []
        self.mute = False
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="recorder", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.on_connect = self._connected
        self._client.on_message = self._message
        self._client.reconnect_delay_set(1, 2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe([(block_topic(self._agent), 1), (state_topic(self._agent), 1)])
        for stream in {stream for stream, _ in self.blocks}:
            self._acknowledge(stream, fresh=True)

    def _message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            if message.topic == state_topic(self._agent):
                self.states.append(decode_state(message.payload))
                return
            self.received += 1
            upload = decode_upload(message.payload)
            with self._lock:
                if isinstance(upload, Block):
                    self.blocks.setdefault((upload.stream, upload.seq), upload)
                elif upload not in self.gaps:
                    self.gaps.append(upload)
            self._acknowledge(upload.stream, fresh=False)
        except Exception as error:  # noqa: BLE001 - the test looks at them at its end
            self.faults.append(repr(error))

    def mark(self, stream: str) -> int:
        with self._lock:
            covered = {seq for known, seq in self.blocks if known == stream}
            for gap in self.gaps:
                covered |= set(range(gap.first, gap.last + 1))
            mark = 0
            while mark + 1 in covered:
                mark += 1
            return mark

    def _acknowledge(self, stream: str, *, fresh: bool) -> None:
        if not self.mute:
            payload = encode_ack(Ack(self._agent, stream, self.mark(stream), fresh))
            self._client.publish(ack_topic(self._agent), payload, qos=1, retain=True)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def settings_file(tmp_path: Path, broker: Broker) -> Path:
    """Two valves replayed from short logs in a loop, half-second blocks."""
    for name in ("one", "two"):
        rows = "\n".join(f"{n / 100:.2f},{4 + n / 100},{n / 1000}" for n in range(200))
        (tmp_path / f"{name}.csv").write_text(f"time,command,current\n{rows}\n")
    instrument = """
[[instrument]]
family = "csv-replay"
file = "{name}.csv"
valve = "press-1.{name}"
loop = true
channel = [{{ name = "command", unit = "mA" }}, {{ name = "current", unit = "A" }}]
"""
    file = tmp_path / "box.toml"
    file.write_text(
        f'agent = "hall-2"\n[broker]\nport = {broker.port}\n[sampling]\nblock_s = 0.5\n'
        + instrument.format(name="one")
        + instrument.format(name="two")
    )
    return file


@pytest.fixture
def make_recorder() -> type[FakeRecorder]:
    return FakeRecorder
