"""The parts of a plant on loopback: a broker, an agent and a recorder as real processes, killed and started by id."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

AGENT = "hall-2"
VALVES = 6
BLOCK_S = 0.5

_CLOCKED_AGENT = """
import sys, time
from pathlib import Path
from asleft.edge import clock
offset = Path(sys.argv[1])
def wall_ns():
    try:
        return time.time_ns() + int(float(offset.read_text()) * 1e9)
    except (OSError, ValueError):
        return time.time_ns()
clock.wall_ns = wall_ns
from asleft.edge.main import main
sys.exit(main(sys.argv[2:]))
"""
_SLOW_RECORDER = """
import sys, time
from asleft.store import samples
commit = samples.EmbeddedSamples.commit
def slow(self, blocks, gaps, now_ns):
    time.sleep(0.4)
    return commit(self, blocks, gaps, now_ns)
samples.EmbeddedSamples.commit = slow
from asleft.cli.main import main
sys.exit(main(sys.argv[1:]))
"""


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Part:
    """One process: started, killed with SIGKILL or ended, by its process id."""

    def __init__(self, name: str, command: Sequence[str], log: Path) -> None:
        self.name = name
        self.command = list(command)
        self._log = log
        self.source: Path | None = None
        """A checkout whose program is run; this one's when None."""
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._log_from = self._log.stat().st_size if self._log.exists() else 0
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                self.command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self._environment()
            )

    def _environment(self) -> dict[str, str] | None:
        if self.source is None:
            return None
        rooms = (str(self.source / room) for room in ("agent", "dashboard", "sim"))
        return {**os.environ, "PYTHONPATH": os.pathsep.join(rooms)}

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def said(self, words: str) -> bool:
        """Whether these words are in its log since it was last started."""
        with self._log.open("rb") as log:
            log.seek(self._log_from)
            return words.encode() in log.read()

    def kill(self) -> None:
        """`kill -9`."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def end(self) -> int | None:
        """SIGTERM, and wait; the exit code."""
        if self.process is None:
            return None
        self.process.send_signal(signal.SIGTERM)
        try:
            code = self.process.wait(120)
        except subprocess.TimeoutExpired:
            self.kill()
            return None
        self.process = None
        return code

    def log(self) -> str:
        """End of what it said."""
        return self._log.read_text(errors="replace")[-3000:] if self._log.exists() else ""


def mosquitto(folder: Path, port: int, *, persistent: bool) -> Part:
    """A real mosquitto; its disk is `folder/broker`."""
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    assert binary, "install the Debian package mosquitto: tests/install_services.sh does"
    disk = folder / "broker"
    disk.mkdir(exist_ok=True)
    text = f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nlog_dest stderr\nlog_type error\n"
    text += "max_queued_messages 100000\n"
    if persistent:
        text += f"persistence true\npersistence_location {disk}/\nautosave_interval 1\n"
    else:
        text += "persistence false\n"
    config = folder / "mosquitto.conf"
    config.write_text(text)
    return Part("broker", [binary, "-c", str(config)], folder / "broker.log")


def embedded(folder: Path, port: int) -> Part:
    """The embedded broker of `asleft demo`."""
    command = [sys.executable, "-m", "asleft.cli.demonstration.embedded_broker", "--port", str(port)]
    return Part("broker", command, folder / "broker.log")


def agent(folder: Path, port: int, spool: Path, *, clock_offset: Path | None = None, spool_mb: int = 64) -> Part:
    """A real agent that replays logs of six valves, two blocks a second each."""
    rows = "\n".join(f"{n / 20:.2f},{4 + n / 20},{n / 1000}" for n in range(200))
    text = f'agent = "{AGENT}"\n[broker]\nport = {port}\nkeepalive_s = 4\n'
    text += f'[spool]\nfile = "{spool}"\nsize_mb = {spool_mb}\n[sampling]\nrate_hz = 20.0\nblock_s = {BLOCK_S}\n'
    for number in range(VALVES):
        (folder / f"v{number}.csv").write_text(f"time,command,current\n{rows}\n")
        text += (
            f'[[instrument]]\nfamily = "csv-replay"\nfile = "v{number}.csv"\nvalve = "press-1.v{number}"\n'
            "loop = true\n"
            'channel = [{ name = "command", unit = "mA" }, { name = "current", unit = "A" }]\n'
        )
    settings = folder / "agent.toml"
    settings.write_text(text)
    if clock_offset is None:
        command = [sys.executable, "-m", "asleft.edge.main", str(settings)]
    else:
        command = [sys.executable, "-c", _CLOCKED_AGENT, str(clock_offset), str(settings)]
    return Part("agent", command, folder / "agent.log")


def recorder(folder: Path, port: int, data: Path, *, slow: bool = False) -> Part:
    """A real recorder."""
    start = ["-c", _SLOW_RECORDER] if slow else ["-m", "asleft.cli.main"]
    command = [sys.executable, *start, "record", "--data", str(data), "--broker", f"127.0.0.1:{port}"]
    return Part("recorder", command, folder / "recorder.log")


def wait_for_port(port: int, within_s: float = 300.0) -> None:
    """Until somebody listens there."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise TimeoutError(f"nobody listens on port {port}")
