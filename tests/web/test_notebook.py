"""The lines that the manual gives for a notebook, run as they stand there."""

from __future__ import annotations

import re
import threading
from pathlib import Path
from wsgiref.simple_server import WSGIRequestHandler, make_server

import numpy as np
import pandas as pd
import pytest
from asleft.cli.main import main
from asleft.store.accounts import Role
from asleft.store.samples import open_samples
from asleft.web.access.visitor import digest_of
from asleft.web.app import create_app
from asleft.wire.block import Block, Channel

MANUAL = (Path(__file__).parents[2] / "dashboard/README.md").read_text(encoding="utf-8")
LINES = re.findall(r"```python\n(.*?)```", MANUAL, re.DOTALL)
V = "press-4.platen"
S = 10**9


class Quiet(WSGIRequestHandler):
    def log_message(self, *_):
        pass


def run(text: str, **given):
    """Run lines of which the last is an expression, as a notebook does; its value and the names."""
    *first, last = re.split(r"\n(?=\S)", text.strip())
    names = dict(given)
    exec("\n".join(first), names)
    return eval(last, names), names


def test_the_manual_has_both():
    assert ["set_index" in lines for lines in LINES] == [True, True]


def test_readings_out_of_a_file(tmp_path, monkeypatch):
    store = open_samples(tmp_path / "asleft-data")
    counts = np.arange(100, dtype=np.int16)
    channels = (Channel("command", "mA", None, counts, 0.1, 4.0), Channel("current", "A", None, counts, 0.01, 0.1))
    times = (np.arange(100) * 10_000).astype(np.int32)
    store.commit([Block("e", V, "s", 1, "b", 1_700_000_000 * S, S, True, times, channels)], (), 1)
    store.close()
    monkeypatch.chdir(tmp_path)
    command = re.search(r"`asleft (export [^`]+press-4\.parquet)`", MANUAL).group(1)
    assert main(command.split()) == 0
    units, names = run(LINES[0])
    assert units == {"command (mA)": "mA", "current (A)": "A"}
    table = names["readings"]
    assert table.index.name == "time"
    assert table.index[0] == pd.Timestamp(1_700_000_000, unit="s", tz="UTC")
    np.testing.assert_allclose(table["current (A)"], 0.1 + counts * 0.01)


@pytest.fixture
def address(plant, door, doors):
    door.add_one_of_each()
    now = door.clock_ns()
    door.store.tokens.add("notebook", digest_of("secret"), Role.VIEWER, [V], now + 10**15, doors.CHIEF, now)
    app = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server
    with make_server("127.0.0.1", 0, app, handler_class=Quiet) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join(10)


def test_history_from_the_dashboard(address, plant):
    lines = LINES[1].replace("http://127.0.0.1:8050", address)
    assert lines != LINES[1]
    (ramps, unit), names = run(lines, token="secret")
    points = plant.points(V, "ramp_up", plant.now - 30 * 86_400 * S, plant.now)
    assert len(points) > 50
    assert (ramps.tolist(), unit) == ([point.value for point in points], "s")
    assert ramps.index.equals(pd.DatetimeIndex([round(p.at_s * 1e9) for p in points], tz="UTC", name="time"))
    assert names["history"].attrs["valve"] == V
