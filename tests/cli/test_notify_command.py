"""`asleft notify` as a process beside a sample store that fails: people are told all the same."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Block, Channel

pytestmark = pytest.mark.end_to_end

S = 10**9
V = "press-4.platen"
SETTINGS = """
base = "https://presses.plant.example"
zone = "Europe/Vienna"
[[to]]
name = "on call"
url_from = "ASLEFT_ON_CALL"
classes = ["now"]
"""


@pytest.fixture
def told() -> Iterator[tuple[str, list[str]]]:
    """An address, and the titles of what was sent there."""
    got: list[str] = []

    class Keep(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"])))["title"])
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = HTTPServer(("127.0.0.1", 0), Keep)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"json://127.0.0.1:{server.server_port}/", got
    server.shutdown()
    server.server_close()


def raise_alarm(data: Path, kind: str) -> None:
    """One that cannot wait, raised long enough ago not to wait for others like it."""
    records = open_records(data / "records.db")
    at_ns = time.time_ns() - 60 * S
    records.append_alarm_events(
        [
            AlarmEvent(
                f"{V}/{kind}/{at_ns}",
                1,
                EventKind.RAISED,
                at_ns,
                "judge",
                "",
                V,
                kind,
                3,
                "coil-wiring",
                "none flows",
                at_ns,
            )
        ]
    )
    records.close()


def until(condition, within_s: float = 60.0) -> None:
    end_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.1)


def test_a_sample_store_that_fails_keeps_nobody_from_being_told(tmp_path: Path, told: tuple[str, list[str]]) -> None:
    url, titles = told
    data, log = tmp_path / "data", tmp_path / "log"
    samples = open_samples(data)
    times_us = (np.arange(100) * 10_000).astype(np.int32)
    channel = Channel("current", "A", values=np.full(100, 0.5))
    samples.commit([Block("e", V, "s", 1, "b", time.time_ns(), S, True, times_us, (channel,))], (), 1)
    samples.close()
    (tmp_path / "notify.toml").write_text(SETTINGS)
    raise_alarm(data, "current-lost")
    with log.open("wb") as out:
        command = [sys.executable, "-m", "asleft.cli.main", "notify", "--data", str(data), "--settings"]
        process = subprocess.Popen(
            [*command, str(tmp_path / "notify.toml")],
            stdout=out,
            stderr=out,
            env={**os.environ, "ASLEFT_ON_CALL": url},
        )
    try:
        until(lambda: len(titles) == 1)
        (data / "samples.db").write_bytes(b"no database" * 1000)
        until(lambda: "a store cannot be read" in log.read_text())
        raise_alarm(data, "command-failed")
        until(lambda: len(titles) == 2)
        time.sleep(11)  # two more rounds
        assert process.poll() is None
        said = log.read_text()
        assert said.count("a store cannot be read") == 1, said
        assert "Traceback" not in said
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
    finally:
        process.kill()
        process.wait()
