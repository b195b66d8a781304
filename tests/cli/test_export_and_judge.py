"""What `asleft export` writes and the interface for programs sends, `asleft judge` reads without a map or a question.

What is judged of the file is what is judged of the readings as they are stored.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pytest
from asleft.cli.main import main
from asleft.judge.judge import judge_log
from asleft.judge.published import judgement_json
from asleft.judge.types import Samples
from asleft.sheet.reader import read_sheet
from asleft.store.samples import open_samples, open_samples_reader
from asleft.web.api import series
from asleft.web.api.answers import Form, ReadingsSpan
from asleft.web.csv_text import utc
from asleft.wire.block import CHANNEL_UNITS, Block, Channel, Mark, Reason

VALVE = "press-4.platen"
S = 10**9
T0 = 1_772_447_400 * S  # 2 March 2026, 10:30 UTC
SECONDS = 600
SHEET = """\
[valve]
id = "press-4.platen"
press = "Press 4"
name = "platen pressure"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
ramp_down = 2.4
pressure_at_zero = 12.0
pressure_at_full = 210.0
supply_voltage = 24.0
[revision]
number = 3
at = 2026-03-01T08:10:00Z
by = "kl"
why = "pump replaced"
"""


def readings() -> dict[str, np.ndarray]:
    """Every channel there is, over a cycle of 30 s in which ramp up takes 2.1 s."""
    rng = np.random.default_rng(7)
    t = np.arange(SECONDS * 100) / 100
    demand = np.array([0.05, 0.55, 0.95, 0.4, 0.65, 0.05])[(t % 30 // 5).astype(int)]
    ramped = np.empty_like(demand)
    ramped[0] = demand[0]
    for k in range(1, t.size):
        ramped[k] = np.clip(demand[k], ramped[k - 1] - 0.01 / 2.4, ramped[k - 1] + 0.01 / 2.1)
    made = {
        "command": 4 + 16 * demand + rng.normal(0, 0.004, t.size),
        "current": 0.18 + 0.74 * ramped + rng.normal(0, 0.0015, t.size),
        "pressure": 12 + 198 * ramped + rng.normal(0, 0.6, t.size),
        "supply": 24 + rng.normal(0, 0.02, t.size),
        "coil_voltage": 11 * (0.18 + 0.74 * ramped) + rng.normal(0, 0.02, t.size),
        "oil_temperature": 45 + rng.normal(0, 0.05, t.size),
        "pump_running": np.ones(t.size),
        "enable": np.ones(t.size),
        "mode": np.full(t.size, 2.0),
    }
    return {name: made[name] for name in CHANNEL_UNITS if name in made}


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("both") / "data"
    found = readings()
    store = open_samples(folder)
    for second in range(SECONDS):
        rows = slice(second * 100, second * 100 + 100)
        lost = (Mark(10, 5, Reason.NO_ANSWER),) if second == 300 else ()
        channels = tuple(
            Channel(name, "mA" if name == "command" else CHANNEL_UNITS[name], values=values[rows], marks=lost)
            for name, values in found.items()
        )
        at = T0 + second * S
        store.commit(
            [
                Block(
                    *("edge-1", VALVE, "s", second + 1, "b", at, second * S, True),
                    (np.arange(100) * 10_000).astype(np.int32),
                    channels,
                )
            ],
            (),
            1,
        )
    store.close()
    return folder


@pytest.fixture(scope="module")
def stored(data):
    reader = open_samples_reader(data)
    found = reader.samples(VALVE, 0, 2**62)
    reader.close()
    return found


@pytest.fixture(scope="module")
def wanted(stored):
    """What is judged of the readings as they are stored."""
    samples = Samples(stored.time_ns / 1e9, {name: stored.channels[name] for name in stored.units})
    return judgement_json(judge_log(read_sheet(SHEET), samples))


def as_api(data: Path, kind: str) -> bytes:
    """As the interface for programs sends it: names without units, which stand in the fields' metadata."""
    reader = open_samples_reader(data)
    end_ns = T0 + SECONDS * S
    plant = SimpleNamespace(check=lambda _: None, source=SimpleNamespace(samples=reader, now_ns=lambda: end_ns))
    asked = ReadingsSpan(from_=utc(T0), to=utc(end_ns), format=kind)
    body: bytes = series.readings(plant, asked, VALVE, Form("asleft.readings", 1)).get_data()
    reader.close()
    return body


@pytest.mark.parametrize("kind", ["csv", "parquet", "csv.gz", "feather", "api.parquet", "api.arrows"])
def test_a_file_is_judged_like_the_readings_it_holds(data, wanted, tmp_path, capsys, kind):
    file, sheet = tmp_path / f"out.{kind}", tmp_path / "sheet.toml"
    sheet.write_text(SHEET, encoding="utf-8")
    if kind.startswith("api"):
        file.write_bytes(as_api(data, {"arrows": "arrow"}.get(kind[4:], kind[4:])))
    else:
        plain = tmp_path / ("out.csv" if kind.startswith("csv") else "out.parquet")
        assert main(["export", "--data", str(data), "--output", str(plain)]) == 0
        if kind == "csv.gz":
            import gzip

            file.write_bytes(gzip.compress(plain.read_bytes()))
        elif kind == "feather":
            feather.write_feather(pq.read_table(plain), file)
    capsys.readouterr()
    code = main(["judge", str(file), "--sheet", str(sheet), "--no-questions", "--json", "-"])
    said = capsys.readouterr()
    assert code == 1, said.err
    found = json.loads(said.out)
    assert wanted["findings"][0]["kind"] == "ramp-up-changed"
    assert found["samples"] == wanted["samples"] == SECONDS * 100
    for ours, theirs in zip(found["quantities"], wanted["quantities"], strict=True):
        assert (ours["id"], ours["unit"], ours["verdict"]) == (theirs["id"], theirs["unit"], theirs["verdict"])
        for what in ("as_found", "uncertainty"):
            assert ours[what] == (None if theirs[what] is None else pytest.approx(theirs[what], rel=1e-4, abs=1e-9))
    told = [[(one["kind"], one["evidence"]) for one in each["findings"]] for each in (found, wanted)]
    assert told[0] == told[1]
