"""`asleft export`: what the files hold, read back by pandas and pyarrow."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from asleft.cli.main import main
from asleft.store.samples import open_samples, open_samples_reader
from asleft.wire.block import Block, Channel, Mark, Reason

VALVE = "press-1.platen"
S = 1_000_000_000
T0 = round(datetime(2025, 11, 25, 12, tzinfo=UTC).timestamp()) * S


def block(seq, valve=VALVE, supply=False, unit="mA"):
    counts = np.arange(100, dtype=np.int16) + seq % 50
    lost = (Mark(10, 5, Reason.NO_ANSWER),) if seq == 3 else ()
    channels = [
        Channel("command", unit, counts=counts, scale=0.01, offset=4.0),
        Channel("current", "A", None, counts, 0.001, 0.1, lost),
    ]
    if supply:
        channels.append(Channel("supply", "V", values=np.full(100, 24.25)))
    return Block(
        *("edge-1", valve, "spool-1", seq, "boot", T0 + (seq - 1) * S + 123, seq * S, True),
        (np.arange(100) * 10_000).astype(np.int32),
        tuple(channels),
    )


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A store with 25 minutes of readings, of which each test has a copy."""
    folder = tmp_path_factory.mktemp("export") / "data"
    store = open_samples(folder)
    store.commit([block(seq, supply=seq > 1000) for seq in range(1, 1501)], (), 1)
    while store.maintain(1):
        pass
    store.close()
    return folder


@pytest.fixture
def data(written, tmp_path):
    return Path(shutil.copytree(written, tmp_path / "data"))


def export(data, capsys, *options):
    code = main(["export", "--data", str(data), *map(str, options)])
    said = capsys.readouterr()
    return code, said.out, said.err


def stored(data):
    reader = open_samples_reader(data)
    try:
        return reader.samples(VALVE, 0, 2**62)
    finally:
        reader.close()


def test_a_csv_file_holds_every_reading_under_its_unit(data, capsys, tmp_path):
    file = tmp_path / "out.csv"
    code, out, err = export(data, capsys, "--output", file)
    assert (code, out) == (0, f"{file}: 150,000 rows of 3 channels\n")
    assert err.startswith(f"{VALVE}: done in ")
    table = pd.read_csv(file, parse_dates=["time (UTC)"])
    assert list(table.columns) == ["time (UTC)", "command (mA)", "current (A)", "supply (V)"]
    wanted = stored(data)
    times = table["time (UTC)"].dt.tz_convert(None).to_numpy().astype("datetime64[ns]").astype(np.int64)
    np.testing.assert_array_equal(times, wanted.time_ns // 1000 * 1000)
    for channel, unit in wanted.units.items():
        np.testing.assert_array_equal(table[f"{channel} ({unit})"].to_numpy(), wanted.channels[channel])
    assert table["supply (V)"].isna().sum() == 100_000
    assert table["current (A)"].isna().sum() == 5


def test_a_parquet_file_holds_the_same_to_the_nanosecond(data, capsys, tmp_path):
    file = tmp_path / "out.parquet"
    assert export(data, capsys, "--valve", VALVE, "--output", file)[0] == 0
    table = pq.read_table(file)
    wanted = stored(data)
    assert table.schema.names == ["time", "command (mA)", "current (A)", "supply (V)"]
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=UTC]"
    assert table.schema.field("command (mA)").metadata == {b"channel": b"command", b"unit": b"mA"}
    np.testing.assert_array_equal(table["time"].to_numpy().astype(np.int64), wanted.time_ns)
    for channel, unit in wanted.units.items():
        column = table[f"{channel} ({unit})"]
        np.testing.assert_array_equal(column.to_numpy(), wanted.channels[channel])
        assert column.null_count == int(np.isnan(wanted.channels[channel]).sum())


def test_only_the_time_asked_for_is_written(data, capsys, tmp_path):
    file = tmp_path / "part.csv"
    zone = ("--zone", "Europe/Vienna", "--from", "2025-11-25T13:05:00", "--to", "2025-11-25T13:05:02")
    code, out, _ = export(data, capsys, *zone, "--output", file)
    assert (code, out) == (0, f"{file}: 200 rows of 2 channels\n")
    lines = file.read_bytes().decode().split("\r\n")
    assert lines[0] == "time (UTC),command (mA),current (A)"
    assert lines[1] == "2025-11-25T12:05:00.000000Z,4.01,0.101"
    assert lines[-1] == ""


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--output", "x.xlsx"), "ends in .csv or .parquet"),
        (("--output", "x.csv", "--valve", "press-9.none"), f"no readings of it are stored; there are {VALVE}"),
        (("--output", "x.csv", "--from", "2026-01-01"), "nothing is stored between --from and --to"),
        (("--output", "x.csv", "--from", "today"), 'wanted as "2026-03-02"'),
        (("--output", "x.csv", "--zone", "Mars/North"), "--zone Mars/North"),
        (("--output", "none/x.csv"), "cannot be written"),
        (("--output", "none/x.parquet"), "cannot be written"),
        (("--output", "x.csv", "--samples", "http://h/b"), "influx://HOST:PORT/BUCKET"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_told(data, capsys, tmp_path, monkeypatch, options, words):
    monkeypatch.chdir(tmp_path)
    code, out, err = export(data, capsys, *options)
    assert (code, out) == (2, "")
    assert words in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data"]


def test_several_valves_have_to_be_told_apart(data, capsys, tmp_path):
    store = open_samples(data)
    store.commit([block(1501, "press-2.clamp")], (), 2)
    store.close()
    code, _, err = export(data, capsys, "--output", tmp_path / "x.csv")
    assert code == 2
    assert f"--valve is missing; there are {VALVE}, press-2.clamp" in err


def test_a_channel_in_two_units_is_not_put_into_one_column(data, capsys, tmp_path):
    store = open_samples(data)
    store.commit([block(1501, unit="V")], (), 2)
    store.close()
    code, _, err = export(data, capsys, "--output", tmp_path / "x.csv")
    assert code == 2
    assert "command was recorded in mA and in V; export the times apart" in err
    assert export(data, capsys, "--to", "2025-11-25T12:25:00", "--output", tmp_path / "x.csv")[0] == 0


def test_an_interrupted_export_leaves_nothing_behind(data, capsys, tmp_path, monkeypatch):
    from asleft.cli import export_files

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(export_files.CsvTable, "write", interrupted)
    code, _, _ = export(data, capsys, "--output", tmp_path / "x.csv")
    assert code == 130
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data"]


def test_names_with_commas_are_quoted():
    from asleft.cli.export_files import _cell, header

    assert _cell(header("flow", 'l/min, "free"')) == '"flow (l/min, ""free"")"'
