"""A new quantity is three edits: its row, the row of its kind of finding, its estimate. All else follows."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

#: The three edits, made before anything else of the program is imported.
THREE_EDITS = """
from asleft.catalogue import finding_kinds, quantities
from asleft.catalogue.parts import Part
from asleft.catalogue.statuses import Status

quantities.QUANTITIES["oil_at_work"] = quantities.Quantity(
    "oil_at_work", "degC", "oil at work", "oil", "temperature of the oil while it produces",
    quantities.DefaultTolerance(5.0, quantities.Share.ABSOLUTE), (-40.0, 120.0), "oil-changed", 45.0,
)
finding_kinds.FINDING_KINDS["oil-changed"] = finding_kinds.FindingKind(
    "oil-changed", "oil temperature changed", Status.MAINTENANCE_REQUIRED, 2, Part.PRESSURE_SOURCE,
    quantities=("oil_at_work",), from_quantity=True,
)
finding_kinds.KIND_OF["oil_at_work"] = "oil-changed"

from asleft.judge.estimates import estimate as estimates
from asleft.judge.decide import Estimate

def with_oil(sheet, seen, measured=estimates.estimate):
    out = measured(sheet, seen)
    oil = [dwell.oil_degc for dwell in seen.dwells]
    out.quantities["oil_at_work"] = Estimate(sum(oil) / len(oil), 0.1, 10.0)
    return out

estimates.estimate = with_oil
"""
SHEET = """
[valve]
id = "press-1.test"
[signal]
kind = "0-10V"
[as_left]
current_at_zero = 0.2
current_at_full = 1.0
oil_at_work = 45.0
"""
USE = """
import json, sys
from asleft.alarms.classes import class_of
from asleft.cli.main import main
from asleft.sheet.names import LABELS
from asleft.web.words import kind_words

log, sheet, out = sys.argv[1:]
code = main(["judge", log, "--sheet", sheet, "--json", out])
print("CODE", code, class_of("oil-changed", 2).value, kind_words("oil-changed"), LABELS["oil_at_work"], sep="|")
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    time_s = np.arange(0.0, 120.0, 0.02)
    demand = np.where((time_s // 3.0) % 2 == 0, 0.1, 0.9)
    rng = np.random.default_rng(3)
    current = 0.2 + 0.8 * demand + rng.normal(0.0, 1e-3, time_s.size)
    rows = zip(time_s, 10.0 * demand, current, np.full(time_s.size, 58.0), strict=True)
    lines = [f"{t:.2f},{v:.3f},{i:.4f},{oil:.1f}" for t, v, i, oil in rows]
    (tmp_path / "log.csv").write_text("time,command,current,oil_temperature\n" + "\n".join(lines) + "\n")
    (tmp_path / "sheet.toml").write_text(SHEET)
    return tmp_path


def test_a_row_a_kind_and_an_estimate_make_a_quantity(folder: Path) -> None:
    files = [str(folder / name) for name in ("log.csv", "sheet.toml", "out.json")]
    run = subprocess.run(
        [sys.executable, "-c", THREE_EDITS + USE, *files], capture_output=True, text=True, timeout=120, check=True
    )
    judged = json.loads((folder / "out.json").read_text())
    line = next(one for one in judged["quantities"] if one["id"] == "oil_at_work")
    assert (line["unit"], line["as_left"], line["tolerance"], line["verdict"]) == ("degC", 45.0, 5.0, "out")
    assert line["as_found"] == pytest.approx(58.0)
    finding = next(one for one in judged["findings"] if one["kind"] == "oil-changed")
    assert (finding["part"], finding["severity"]) == ("pressure-source", 2)
    assert judged["sentence"].startswith("Oil at work is at 58.0 °C; it was left at 45.0 °C.")
    assert "Oil at work is at 58.0 °C" in run.stdout
    assert "oil at work" in run.stdout.split("CODE")[0]
    assert "CODE|1|this shift|oil temperature changed|oil at work" in run.stdout


def test_without_the_row_a_sheet_refuses_the_key(folder: Path) -> None:
    files = [str(folder / name) for name in ("log.csv", "sheet.toml", "out.json")]
    command = [sys.executable, "-m", "asleft.cli.main", "judge", files[0], "--sheet", files[1]]
    run = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert run.returncode == 2
    assert "oil_at_work" in run.stderr
