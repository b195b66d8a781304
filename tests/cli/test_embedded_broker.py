"""The demo's broker where mosquitto is not installed: it ends when it is told to, whoever is still connected."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest


@pytest.fixture
def broker() -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    command = [sys.executable, "-m", "asleft.cli.demonstration.embedded_broker", "--port", str(port)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    yield process, port
    process.kill()
    process.wait()


def connected(port: int) -> socket.socket:
    until = time.monotonic() + 120.0
    while True:
        try:
            return socket.create_connection(("127.0.0.1", port), 5.0)
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


def test_it_ends_beside_a_connection_that_says_nothing(broker) -> None:
    process, port = broker
    with connected(port):
        time.sleep(0.5)  # until the broker has taken it
        process.send_signal(signal.SIGTERM)
        assert process.wait(120.0) == 0
