"""`asleft outlets` as a process: a web hook, statuses and an edge node at once, over stores of a real plant."""

from __future__ import annotations

import base64
import json
import os
import signal
import subprocess
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.outlets.service import Outlets
from asleft.outlets.settings import Broker, OutletSettings, SparkplugSettings
from asleft.recorder.broker_link import BrokerAccess
from asleft.store.protocols import SheetRecord, StoreUnavailable
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Block, Channel

S = 10**9
V = "press-4.platen"
ROOT = Path(__file__).parents[2]
SETTINGS = """
[[webhook]]
name = "maintenance"
url_from = "ASLEFT_HOOK"
secret_from = "ASLEFT_HOOK_SECRET"
events = ["alarm-raised"]
[mqtt]
host = "127.0.0.1"
port = {port}
[sparkplug]
group = "plant"
name = "asleft"
host = "127.0.0.1"
port = {port}
"""
SHEET = """
[valve]
id = "press-4.platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_full = 0.92
[revision]
number = 1
at = 2026-03-02T08:10:00Z
by = "kl"
why = "new"
"""


def wait(true, longest_s=120.0):
    end = time.monotonic() + longest_s
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"waited {longest_s:g} s in vain")


@pytest.fixture
def folder(tmp_path):
    """A plant whose valve is heard now."""
    made = tmp_path / "data"
    samples, records = open_samples(made), open_records(made / "records.db")
    channels = (Channel("current", "A", values=np.full(100, 0.5)),)
    for second in range(1, 61):
        times = (np.arange(100) * 10_000).astype(np.int32)
        at = time.time_ns() - (10 - second) * S  # some seconds ahead, so that it stays live for the test
        samples.commit([Block("e", V, "s", second, "b", at, second * S, True, times, channels)], (), 1)
    records.put_sheet(SheetRecord(V, 1, 1_772_439_000 * S, "kl", "new", SHEET, 1_772_439_000 * S))
    samples.close()
    records.close()
    return made


def test_everything_goes_out_of_one_process(folder, tmp_path, mosquitto):
    posted, said = [], {}

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            posted.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    host = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    host.on_message = lambda _client, _userdata, message: said.__setitem__(message.topic, message.payload)
    host.connect("127.0.0.1", mosquitto.port)
    host.subscribe([("asleft/1/#", 1), ("spBv1.0/#", 1)])
    host.loop_start()
    settings = tmp_path / "outlets.toml"
    settings.write_text(SETTINGS.format(port=mosquitto.port), encoding="utf-8")
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(str(ROOT / one) for one in ("agent", "dashboard", "sim")),
        "ASLEFT_HOOK": f"http://127.0.0.1:{server.server_port}/",
        "ASLEFT_HOOK_SECRET": base64.b64encode(bytes(32)).decode(),
    }
    command = [sys.executable, "-m", "asleft.cli.main", "outlets", "--settings", settings, "--data", folder]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert "web hook maintenance: alarm-raised; statuses: 127.0.0.1" in process.stdout.readline()
        wait(lambda: f"asleft/1/status/{V}" in said and f"spBv1.0/plant/DBIRTH/asleft/{V}" in said)
        status = json.loads(said[f"asleft/1/status/{V}"])
        assert (status["status"], status["data"]) == ("not-judged", "live")
        now = time.time_ns()
        records = open_records(folder / "records.db")
        raised = AlarmEvent(f"{V}/current-lost/{now}", 1, EventKind.RAISED, now, "judge", "", V, "current-lost", 3,
                            "coil-wiring", "Current reads 0.", now)  # fmt: skip
        records.append_alarm_events([raised])
        records.close()
        wait(lambda: posted)
        assert (posted[0]["event"], posted[0]["valve"], posted[0]["sequence"]) == ("alarm-raised", V, 1)
        wait(lambda: json.loads(said[f"asleft/1/status/{V}"])["alarms_waiting"] == 1)
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        wait(lambda: json.loads(said["asleft/1/outlet/outlet"])["online"] is False)
        wait(lambda: "spBv1.0/plant/NDEATH/asleft" in said)
    finally:
        process.kill()
        process.wait()
        host.disconnect()
        host.loop_stop()
        server.shutdown()
        server.server_close()


def test_while_the_stores_are_away_no_old_value_passes_for_a_present_one(source, plant, door, mosquitto):
    broker = Broker("asleft", "127.0.0.1", mosquitto.port, BrokerAccess())
    outlets = Outlets.of(
        OutletSettings("UTC", sparkplug=SparkplugSettings("plant", broker)), source, door.store.outbox
    )
    outlets.start(5.0)
    try:
        wait(lambda: outlets.sparkplug.link.up)
        assert outlets.round() == 8

        def away(*_args):
            raise StoreUnavailable("gone")

        plant.all_spans, kept = away, plant.all_spans
        with pytest.raises(StoreUnavailable):
            outlets.round()
        assert outlets.sparkplug.node._devices == {}
        plant.all_spans = kept
        assert outlets.round() == 7
    finally:
        outlets.stop()
