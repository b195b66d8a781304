"""Cells that could not be used: of a file as of the store, few of them are told and no finding."""

from __future__ import annotations

import json

import numpy as np
import pytest
from asleft.cli.main import main
from asleft.judge.judge import begin, step
from asleft.judge.types import Samples
from asleft.sheet.reader import read_sheet

SHEET = """\
[valve]
id = "press-4.platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
[revision]
number = 1
at = 2023-11-01T00:00:00Z
"""
CALLS, CALL_S, RATE_HZ = 15, 10.0, 20.0


def calls(share: float) -> list[Samples]:
    """Minutes of steps; a share of all readings fails, by chance."""
    rng = np.random.default_rng(4)
    count = round(CALL_S * RATE_HZ)
    made = []
    for k in range(CALLS):
        time_s = 1_700_000_000.0 + (k * count + np.arange(count)) / RATE_HZ
        up = (time_s % 10.0 >= 2.0) & (time_s % 10.0 < 7.0)
        channels = {"command": np.where(up, 16.8, 4.0), "current": np.where(up, 0.772, 0.18)}
        for name, values in channels.items():
            channels[name] = values + rng.normal(0.0, 0.0005, count)
            channels[name][rng.random(count) < share] = np.nan
        made.append(Samples(time_s, channels))
    return made


def live_kinds(parts: list[Samples]) -> set[str]:
    """What the readings' way through the store finds."""
    state = begin(read_sheet(SHEET))
    for samples in parts:
        outcome = step(read_sheet(SHEET), state, samples)
        state = outcome.state
    return {finding.kind for finding in outcome.judgement.findings}


def as_file(parts: list[Samples]) -> str:
    rows = ["time,command,current"]
    for part in parts:
        for at, *cells in zip(part.time_s, part.channels["command"], part.channels["current"], strict=True):
            rows.append(",".join([f"{at:.2f}", *("" if np.isnan(cell) else f"{cell:.5f}" for cell in cells)]))
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(("share", "finding"), [(0.0005, False), (0.04, False), (0.08, True)])
def test_a_file_with_holes_is_judged_like_the_same_readings_live(share, finding, tmp_path, capsys) -> None:
    parts = calls(share)
    log, sheet = tmp_path / "log.csv", tmp_path / "sheet.toml"
    log.write_text(as_file(parts), encoding="utf-8")
    sheet.write_text(SHEET, encoding="utf-8")
    code = main(["judge", str(log), "--sheet", str(sheet), "--no-questions", "--json", "-"])
    found = json.loads(capsys.readouterr().out)
    kinds = {one["kind"] for one in found["findings"]}
    assert ("data-missing" in kinds, "data-missing" in live_kinds(parts)) == (finding, finding)
    assert code == int(finding)
    # Told they are in any case.
    lost = sum(int(np.isnan(values).sum()) for part in parts for values in part.channels.values())
    assert found["log"]["not_used"] == {"empty cells": lost}
    main(["judge", str(log), "--sheet", str(sheet), "--no-questions"])
    assert "empty cell" in capsys.readouterr().out
