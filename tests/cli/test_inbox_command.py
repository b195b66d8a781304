"""`asleft inbox` with the true recognition and the true judge."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from asleft.cli.main import main

HEALTHY = "healthy.csv"


@pytest.fixture
def folder(tmp_path: Path, sheet_text: str) -> Path:
    (tmp_path / "press-4.toml").write_text(sheet_text, encoding="utf-8")
    made = tmp_path / "in"
    made.mkdir()
    return made


def healthy(per_ampere: float = 1.0) -> str:
    """A valve at its as-left values: steps of 50 % with linear ramps of 1.2 s and 2.0 s for full travel."""
    lines = ["time,command,current,pressure"]
    level, target = 0.0, 0.0
    for count in range(12_000):
        at_s = count / 100
        target = 0.5 if int(at_s / 6) % 2 else 0.0
        step = 0.01 / (1.2 if target > level else 2.0)
        level += max(-step, min(step, target - level))
        current, pressure = 0.18 + 0.74 * level, 12 + 198 * level
        lines.append(f"{at_s:.2f},{4 + 16 * target:.3f},{current * per_ampere:.5f},{pressure:.3f}")
    return "\n".join(lines) + "\n"


def run(folder: Path, *more: str) -> int:
    return main(["inbox", str(folder), "--sheet", str(folder.parent / "press-4.toml"), *more])


def test_once_judges_as_the_shell_does_and_puts_away(folder: Path, tmp_path: Path) -> None:
    (folder / HEALTHY).write_text(healthy())
    (folder / "notes.csv").write_text("nothing of numbers\n")
    expected = tmp_path / "expected.json"
    sheet = str(tmp_path / "press-4.toml")
    alone = main(["judge", str(folder / HEALTHY), "--sheet", sheet, "--json", str(expected)])
    assert run(folder, "--once", "--settle", "0") == 2
    (made,) = json.loads((folder / "done" / f"{HEALTHY}.json").read_text())["judgements"]
    wanted = json.loads(expected.read_text())
    assert made["quantities"] == wanted["quantities"]
    assert made["log"]["files"][0]["sha256"] == wanted["log"]["files"][0]["sha256"]
    assert "no rows of numbers found" in (folder / "failed" / "notes.csv.reason.txt").read_text()
    with (folder / "judgements.csv").open(newline="") as file:
        rows = {row["file"]: row for row in csv.DictReader(file)}
    assert rows[HEALTHY]["valve"] == "press-4.platen"
    assert rows[HEALTHY]["sha256"] == wanted["log"]["files"][0]["sha256"]
    assert rows["notes.csv"]["status"] == "not read"
    assert run(folder, "--once", "--settle", "0") == 0
    assert alone in {0, 1, 3}


def test_a_file_that_does_not_fit_its_sheet_fails_with_what_to_write(folder: Path) -> None:
    # A map that is wrong: the file's mA are read as A.
    (folder / "log.csv").write_text(healthy(1000.0))
    (folder.parent / "map.toml").write_text('[column]\ncurrent = "current"\n')
    assert run(folder, "--once", "--settle", "0", "--map", str(folder.parent / "map.toml")) == 3
    assert "not fit" in (folder / "failed" / "log.csv.reason.txt").read_text()
    assert not list((folder / "done").iterdir())


def test_faulty_options_are_exit_two(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder, "--once", "--settle", "-1") == 2
    assert run(folder / "nowhere", "--once") == 2
    (folder.parent / "press-4.toml").write_text("[valve]\n")
    assert run(folder, "--once") == 2
    said = capsys.readouterr().err
    assert "--settle -1: must be from 0 to 3600 seconds" in said


@pytest.mark.end_to_end
def test_as_a_service_it_waits_for_a_file_to_be_finished_and_ends_on_sigterm(folder: Path) -> None:
    sheet = str(folder.parent / "press-4.toml")
    command = [sys.executable, "-m", "asleft.cli.main", "inbox", str(folder), "--sheet", sheet, "--settle", "1"]
    process = subprocess.Popen(command, env=os.environ, stderr=subprocess.DEVNULL)
    try:
        text = healthy()
        until_s = time.monotonic() + 120
        with (folder / HEALTHY).open("w") as file:
            for part in (text[:50_000], text[50_000:100_000], text[100_000:]):
                file.write(part)
                file.flush()
                time.sleep(0.6)
                assert not (folder / "done" / HEALTHY).exists()
        while not (folder / "done" / HEALTHY).exists():
            assert time.monotonic() < until_s
            assert process.poll() is None
            time.sleep(0.1)
        assert (folder / "done" / HEALTHY).read_text() == text
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
