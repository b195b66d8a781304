"""A recorder as a service manager and a collector of metrics see it: a real process, a real broker."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

pytestmark = pytest.mark.end_to_end
WAIT_S = 120.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def hear(inbox: socket.socket, word: str) -> None:
    deadline = time.monotonic() + WAIT_S
    while word not in inbox.recv(4096).decode():
        assert time.monotonic() < deadline


def get(port: int, path: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=WAIT_S) as answer:
        return answer.read().decode()


def test_from_its_start_to_its_end(mosquitto, tmp_path):
    port = free_port()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as inbox:
        inbox.bind(str(tmp_path / "notify"))
        inbox.settimeout(WAIT_S)
        command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(tmp_path / "data")]
        command += ["--broker", f"127.0.0.1:{mosquitto.port}", "--metrics", f"127.0.0.1:{port}"]
        environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000"}
        process = subprocess.Popen(
            command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        try:
            hear(inbox, "READY=1")
            hear(inbox, "WATCHDOG=1")
            assert get(port, "/healthz") == "ok\n"
            deadline = time.monotonic() + WAIT_S
            while "asleft_recorder_broker_connected 1.0" not in get(port, "/metrics"):
                assert time.monotonic() < deadline
                time.sleep(0.1)
            assert get(port, "/readyz") == "ok\n"
            process.send_signal(signal.SIGTERM)
            hear(inbox, "STOPPING=1")
            _, said = process.communicate(timeout=WAIT_S)
        finally:
            process.kill()
    assert process.returncode == 0
    assert "Traceback" not in said
    assert all(line[:2] == "20" for line in said.splitlines()), "one line an event, each with its time"


def test_an_address_that_is_none_is_wrong_input(tmp_path, capsys):
    from asleft.cli.main import main

    assert main(["record", "--data", str(tmp_path), "--metrics", "9464"]) == 2
    assert "--metrics '9464': HOST:PORT is expected" in capsys.readouterr().err
