"""The commands themselves over brokers of others, with every option at once: WebSockets, TLS, certificates."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest
from asleft.store.samples import open_samples_reader

pytestmark = pytest.mark.end_to_end

SETTINGS = """
agent = "hall-1"
[broker]
host = "127.0.0.1"
port = {port}
websocket_path = "{path}"
ca_file = "{folder}/ca.crt"
certificate_file = "{folder}/hall-1.crt"
key_file = "{folder}/hall-1.key"
[sampling]
rate_hz = 50
block_s = 0.5
[[instrument]]
family = "csv-replay"
file = "log.csv"
valve = "press-1.commands"
loop = true
channel = [{{ name = "command", unit = "mA" }}, {{ name = "current", unit = "A" }}]
"""


@pytest.fixture
def started(tmp_path):
    running = []

    def start(*command):
        with (tmp_path / "processes.log").open("ab") as log:
            running.append(subprocess.Popen([sys.executable, "-m", *command], stdout=log, stderr=log))
        return running[-1]

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()


def test_agent_and_recorder_as_commands(broker, started, tools, tmp_path):
    rows = "\n".join(f"{n / 100:.2f},{4 + n / 100},{n / 1000}" for n in range(200))
    (tmp_path / "log.csv").write_text(f"time,command,current\n{rows}\n")
    port, folder = broker.ports["wss"], broker.certificates
    (tmp_path / "box.toml").write_text(SETTINGS.format(port=port, path=broker.path, folder=folder))
    recorder = started(
        "asleft.cli.main", "record", "--data", str(tmp_path / "data"), "--broker", f"127.0.0.1:{port}",
        "--broker-websocket", broker.path, "--broker-ca", str(folder / "ca.crt"), "--client-id", "as-a-command",
        "--broker-certificate", str(folder / "RECORDER.crt"), "--broker-key", str(folder / "RECORDER.key"),
        "--first-come", "--judging-processes", "1",
    )  # fmt: skip
    agent = started("asleft.edge.main", str(tmp_path / "box.toml"))
    tools.until(lambda: (tmp_path / "data" / "samples.db").exists())
    reader = open_samples_reader(tmp_path / "data")
    tools.until(lambda: any(mark.agent == "hall-1" and mark.mark >= 6 for mark in reader.marks()))
    assert reader.valves() == ["press-1.commands"]
    reader.close()
    for process in (agent, recorder):
        process.send_signal(signal.SIGTERM)
        assert process.wait(120) == 0
