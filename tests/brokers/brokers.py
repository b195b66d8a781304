"""Brokers that others wrote, each on free ports of loopback: plain, TLS with client certificates, WebSockets, both.

A broker that is not on the machine is no failure: its tests are skipped, and the end of the run says so with the
reason. RabbitMQ takes 10 s of processor time to start and is used where `ASLEFT_BROKERS` is `all`, as in `make
test-long`.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar

HERE = Path(__file__).parent
SWITCH = "ASLEFT_BROKERS"
TRANSPORTS = ("tcp", "tls", "ws", "wss")
_WAIT_S = 90.0
_SBIN = "/usr/sbin:/usr/local/sbin:/usr/local/go/bin"


class NotHere(Exception):  # noqa: N818 - reads as what it says
    """A broker that this machine does not have; the text says what is missing."""


@dataclass(frozen=True)
class Limits:
    """What a broker is told to take at most; 0: what it takes by itself."""

    packet_bytes: int = 0
    receive_maximum: int = 0
    """Messages under way, unacknowledged."""
    queue_messages: int = 0
    """Messages kept for a client that does not take them."""


@dataclass
class Broker:
    """One broker in one folder. `certificates` holds what `certificates.sh` made."""

    folder: Path
    certificates: Path
    limits: Limits = field(default_factory=Limits)
    ports: dict[str, int] = field(default_factory=dict)
    environment: dict[str, str] = field(default_factory=dict)
    _process: subprocess.Popen[bytes] | None = None

    name: ClassVar[str]
    mqtt: ClassVar[str]
    """The newest version it speaks, as the agent says it."""
    path: ClassVar[str] = "/mqtt"
    """Where its WebSockets are."""

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.ports = self.ports or dict(zip(TRANSPORTS, free_ports(len(TRANSPORTS)), strict=True))

    @classmethod
    def version(cls) -> str:
        """What it says it is. Raises `NotHere`."""
        raise NotImplementedError

    def command(self) -> list[str]:
        """How it is started, with its files written. Raises `NotHere`."""
        raise NotImplementedError

    def start(self) -> Broker:
        """Start it and wait until every port answers."""
        command = self.command()
        with (self.folder / "broker.log").open("ab") as log:
            self._process = subprocess.Popen(
                command, stdout=log, stderr=log, cwd=self.folder, env={**os.environ, **self.environment}
            )
        deadline = time.monotonic() + _WAIT_S
        waiting = set(self.ports.values())
        while waiting:
            waiting = {port for port in waiting if not _answers(port)}
            if self._process.poll() is not None or time.monotonic() > deadline:
                said = (self.folder / "broker.log").read_text(errors="replace")[-2000:]
                self.kill()
                raise RuntimeError(f"{self.name} does not listen on {waiting}: {said}")
            time.sleep(0.05)
        return self

    def kill(self) -> None:
        """End it at once; what it kept in memory is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """End it for good."""
        self.kill()

    def file(self, name: str) -> str:
        """A certificate or key."""
        return str(self.certificates / name)


class Mosquitto(Broker):
    """Debian's."""

    name, mqtt = "mosquitto", "5"

    @classmethod
    def version(cls) -> str:
        told = subprocess.run([program("mosquitto"), "-h"], capture_output=True, text=True, check=False).stdout
        return told.partition("version ")[2].split()[0]

    def command(self) -> list[str]:
        secure = (
            f"cafile {self.file('ca.crt')}\ncertfile {self.file('broker.crt')}\nkeyfile {self.file('broker.key')}\n"
            "require_certificate true\n"
        )
        lines = ["per_listener_settings false", "allow_anonymous true", "persistence false", "user root"]
        for option, value in (
            ("max_packet_size", self.limits.packet_bytes),
            ("max_inflight_messages", self.limits.receive_maximum),
            ("max_queued_messages", self.limits.queue_messages),
        ):
            lines += [f"{option} {value}"] if value else []
        for transport, port in self.ports.items():
            lines.append(f"listener {port} 127.0.0.1")
            lines += ["protocol websockets"] if transport.startswith("ws") else []
            lines += [secure] if transport in ("tls", "wss") else []
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join(lines) + "\n")
        return [program("mosquitto"), "-c", str(config)]


class Aedes(Broker):
    """npm's, as its own documentation shows it; installed where the tests' Python packages are."""

    name, mqtt = "aedes", "3.1.1"
    _installed: ClassVar[Path] = Path(sys.prefix) / "aedes"

    @classmethod
    def version(cls) -> str:
        program("node")
        try:
            about = json.loads((cls._installed / "node_modules/aedes/package.json").read_text())
        except OSError as error:
            raise NotHere("aedes is not installed: sh tests/install_services.sh, with an npm") from error
        return str(about["version"])

    def command(self) -> list[str]:
        self.version()
        want = listening(self) | ({"queueLimit": self.limits.queue_messages} if self.limits.queue_messages else {})
        # A module finds others from the folder it is in.
        place = shutil.copy(HERE / "aedes/broker.js", self.folder)
        shutil.copy(HERE / "aedes/package.json", self.folder)
        with suppress(FileExistsError):
            (self.folder / "node_modules").symlink_to(self._installed / "node_modules")
        return [program("node"), str(place), json.dumps(want)]


class Mochi(Broker):
    """A broker library of Go, built from the few lines beside this file where there is a Go."""

    name, mqtt = "mochi-mqtt", "5"

    @classmethod
    def version(cls) -> str:
        program("go")
        found = re.search(r"mochi-mqtt/server/v2 v(\S+)", (HERE / "mochi/go.mod").read_text())
        assert found
        return found[1]

    _binary: ClassVar[Path | None] = None

    @classmethod
    def _built(cls, folder: Path) -> Path:
        """Its program, built once a process: unoptimised and without C, in half the time. Raises `NotHere`."""
        if cls._binary is None or not cls._binary.exists():
            binary = folder / "mochi-broker"
            with Path(__file__).open() as held:  # not go.mod, which Go itself locks
                fcntl.flock(held, fcntl.LOCK_EX)  # who comes second finds all in Go's cache
                made = subprocess.run(
                    [program("go"), "build", "-gcflags=all=-N -l", "-o", str(binary), "."],
                    cwd=HERE / "mochi",
                    capture_output=True,
                    text=True,
                    check=False,
                    env={**os.environ, "GOTOOLCHAIN": "local", "GOFLAGS": "-buildvcs=false", "CGO_ENABLED": "0"},
                )
            if made.returncode:
                raise NotHere(f"mochi-mqtt cannot be built: {' '.join(made.stderr.split())[-200:]}")
            cls._binary = binary
        return cls._binary

    def command(self) -> list[str]:
        binary = self._built(self.folder.parent)
        want = listening(self) | {
            "maximumPacketBytes": self.limits.packet_bytes,
            "receiveMaximum": self.limits.receive_maximum,
            "maximumPendingMessagesOfClient": self.limits.queue_messages,
        }
        return [str(binary), json.dumps(want)]


class RabbitMQ(Broker):
    """Debian's, with its plugins for MQTT and MQTT over WebSockets."""

    name, mqtt, path = "RabbitMQ", "3.1.1", "/ws"
    _scripts: ClassVar[Path] = Path("/usr/lib/rabbitmq/bin")

    @classmethod
    def version(cls) -> str:
        if os.environ.get(SWITCH) != "all":
            raise NotHere(f"RabbitMQ is used where {SWITCH}=all, as in make test-long")
        for folder in sorted(cls._scripts.parent.glob("lib/rabbitmq_server-*")):
            return folder.name.partition("-")[2]
        raise NotHere("RabbitMQ is not installed: apt-get install rabbitmq-server")

    def command(self) -> list[str]:
        self.version()
        distribution, names = free_ports(2)
        lines = [
            "listeners.tcp = none",  # its own protocol, which nobody speaks here
            "mqtt.allow_anonymous = true",
            f"mqtt.listeners.tcp.1 = 127.0.0.1:{self.ports['tcp']}",
            f"mqtt.listeners.ssl.1 = 127.0.0.1:{self.ports['tls']}",
            "web_mqtt.tcp.ip = 127.0.0.1",
            f"web_mqtt.tcp.port = {self.ports['ws']}",
            "web_mqtt.ssl.ip = 127.0.0.1",
            f"web_mqtt.ssl.port = {self.ports['wss']}",
        ]
        for scope in ("ssl_options", "web_mqtt.ssl"):
            lines += [
                f"{scope}.cacertfile = {self.file('ca.crt')}",
                f"{scope}.certfile = {self.file('broker.crt')}",
                f"{scope}.keyfile = {self.file('broker.key')}",
            ]
        lines += ["ssl_options.verify = verify_peer", "ssl_options.fail_if_no_peer_cert = true"]
        if self.limits.receive_maximum:
            lines.append(f"mqtt.prefetch = {self.limits.receive_maximum}")
        (self.folder / "rabbitmq.conf").write_text("\n".join(lines) + "\n")
        (self.folder / "enabled_plugins").write_text("[rabbitmq_mqtt,rabbitmq_web_mqtt].\n")
        self.environment = {
            "HOME": str(self.folder),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
            "ERL_EPMD_PORT": str(names),
            "ERL_EPMD_RELAXED_COMMAND_CHECK": "true",
            "RABBITMQ_NODENAME": f"tests{names}@localhost",
            "RABBITMQ_DIST_PORT": str(distribution),
            "RABBITMQ_CONFIG_FILE": str(self.folder / "rabbitmq"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(self.folder / "enabled_plugins"),
            "RABBITMQ_MNESIA_BASE": str(self.folder / "mnesia"),
            "RABBITMQ_LOG_BASE": str(self.folder / "log"),
            "RABBITMQ_PID_FILE": str(self.folder / "pid"),
        }
        return [str(self._scripts / "rabbitmq-server")]

    def kill(self) -> None:
        """The process started is a script's; what it started is the broker, which says its own id."""
        if self._process is None:
            return
        pid = self.folder / "pid"
        if pid.exists() and pid.read_text().strip():
            subprocess.run(["kill", "-KILL", pid.read_text().strip()], check=False, capture_output=True)
            pid.unlink()
        super().kill()

    def stop(self) -> None:
        self.kill()
        if port := self.environment.get("ERL_EPMD_PORT"):  # its register of names, which outlives it
            ended = ["epmd", "-port", port, "-kill"]
            subprocess.run(ended, check=False, capture_output=True)


BROKERS: dict[str, type[Broker]] = {one.name: one for one in (Mosquitto, Aedes, Mochi, RabbitMQ)}


def program(name: str) -> str:
    """A program's place. Raises `NotHere`."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:{_SBIN}")
    if found is None:
        raise NotHere(f"no {name} on this machine")
    return found


def listening(broker: Broker) -> dict[str, str]:
    """Where to listen with what certificates, for the brokers that are told so by a JSON text."""
    where = {transport: f"127.0.0.1:{port}" for transport, port in broker.ports.items()}
    names = {"authority": "ca.crt", "certificate": "broker.crt", "key": "broker.key"}
    return where | {key: broker.file(name) for key, name in names.items()}


def free_ports(count: int) -> list[int]:
    """Ports of loopback that nobody listens on, all different."""
    probes = [socket.socket() for _ in range(count)]
    try:
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]
    finally:
        for probe in probes:
            probe.close()


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
