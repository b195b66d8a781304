"""A real broker with the plant's own configuration, and certificates made by the plant's own script."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import ssl
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

COMPOSE = Path(__file__).parents[2] / "compose"
SCRIPT = COMPOSE / "certificates.sh"
WAIT_S = 120.0
OBSERVER = "\nuser OBSERVER\ntopic readwrite #\ntopic readwrite $SYS/#\n"


def make(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the script that makes certificates, keeping them in `folder`."""
    return subprocess.run([str(SCRIPT), "-d", str(folder), *words], capture_output=True, text=True, check=False)


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class PlantBroker:
    """mosquitto on a free port of loopback with `plant.conf` and `access.acl`; an observer may do anything."""

    folder: Path
    certificates: Path
    port: int = 0
    _process: subprocess.Popen[bytes] | None = None

    def start(self, *, watching: bool = False) -> None:
        """Start it with the published files; only port and places are changed. `watching`: by `run.sh`."""
        self.port = free_port()
        text = (COMPOSE / "broker" / "plant.conf").read_text()
        for old, new in (
            ("listener 8883\n", f"listener {self.port} 127.0.0.1\n"),
            (" certificates/", f" {self.certificates}/"),
            ("acl_file access.acl", f"acl_file {self.folder / 'access.acl'}"),
        ):
            assert old in text, f"plant.conf no longer says {old!r}"
            text = text.replace(old, new)
        config = self.folder / "plant.conf"
        config.write_text(text + "user root\n")  # else it could not read this folder
        rules = (COMPOSE / "broker" / "access.acl").read_text()
        (self.folder / "access.acl").write_text(
            rules + "\nuser OBSERVER\ntopic readwrite #\ntopic readwrite $SYS/#\n"
        )
        found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        assert found, "these tests need a real broker: install the Debian package mosquitto"
        command = [found, "-c", str(config)]
        if watching:
            command = [str(COMPOSE / "broker" / "run.sh"), str(config), str(self.certificates / "revoked.crl")]
        self._process = subprocess.Popen(command, stderr=subprocess.DEVNULL, env={**os.environ, "EVERY_S": "0.2"})
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert self._process.poll() is None, "mosquitto ended at once"
                assert time.monotonic() < deadline
                time.sleep(0.05)
            else:
                return

    def reload(self) -> None:
        """What an administrator does after revoking: SIGHUP."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def stop(self) -> None:
        """What a service manager does: SIGTERM, then wait."""
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(WAIT_S)
        self._process = None

    def kill(self) -> None:
        """End it."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@dataclass
class Peer:
    """A client with a certificate, pumped by hand on the test's own thread."""

    broker: PlantBroker
    name: str
    client_id: str = ""
    will: tuple[str, bytes] | None = None
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    refusal: str = ""
    welcomed: bool = False
    _taken: set[int] = field(default_factory=set)
    _granted: int = 0

    def connect(self, folder: Path | None = None) -> bool:
        """Connect with the certificate `name` of `folder`; whether the broker welcomed us."""
        keys = folder or self.broker.certificates
        context = ssl.create_default_context(cafile=self.broker.certificates / "ca.crt")
        if self.name:
            context.load_cert_chain(keys / f"{self.name}.crt", keys / f"{self.name}.key")
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        self._client.tls_set_context(context)
        if self.will is not None:
            self._client.will_set(*self.will, qos=1)
        self._client.on_connect = self._connected
        self._client.on_message = lambda _c, _d, message: self.heard.append((message.topic, bytes(message.payload)))
        self._client.on_publish = lambda _c, _d, mid, _code, _p: self._taken.discard(mid)
        self._client.on_subscribe = self._subscribed
        self._client.on_disconnect = self._gone
        try:
            self._client.connect("127.0.0.1", self.broker.port)
            deadline = time.monotonic() + WAIT_S
            while not self.welcomed and not self.refusal and time.monotonic() < deadline:
                self._pump()
        except OSError as error:
            self.refusal = str(error)
        assert self.welcomed or self.refusal, "neither welcomed nor refused"
        return self.welcomed

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Hand a message over; QoS 1."""
        self._taken.add(self._client.publish(topic, payload, qos=1, retain=retain).mid)

    def subscribe(self, filters: list[str]) -> None:
        """Ask for topics and wait for the answer, whatever it grants."""
        before = self._granted
        self._client.subscribe([(one, 1) for one in filters])
        self.until(lambda: self._granted > before)

    def until(self, done: object) -> None:
        """Do the network's work until `done()`."""
        deadline = time.monotonic() + WAIT_S
        while not done():  # type: ignore[operator]
            assert time.monotonic() < deadline, f"waited in vain; {self.name} heard {self.heard[-3:]}"
            assert not self.refusal, f"{self.name} lost its connection: {self.refusal}"
            self._pump()

    def flush(self) -> None:
        """Until the broker has answered every message of ours, allowed or not."""
        self.until(lambda: not self._taken)

    def ended(self) -> bool:
        """Whether the broker has ended the session; does the network's work meanwhile."""
        if not self.refusal:
            self._pump()
        return bool(self.refusal)

    def drop(self) -> None:
        """Vanish without a goodbye."""
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()

    def _pump(self) -> None:
        code = self._client.loop(0.05)
        if code != mqtt.MQTT_ERR_SUCCESS and not self.refusal:
            self.refusal = mqtt.error_string(code)

    def _connected(self, _c: mqtt.Client, _d: object, _f: object, code: ReasonCode, _p: object) -> None:
        self.welcomed, self.refusal = not code.is_failure, str(code) if code.is_failure else ""

    def _subscribed(self, *_: object) -> None:
        self._granted += 1

    def _gone(self, _c: mqtt.Client, _d: object, _f: object, code: ReasonCode, _p: object) -> None:
        self.refusal = self.refusal or str(code)
