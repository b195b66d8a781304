"""How the demo ends its processes."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from asleft.cli.demonstration import processes
from asleft.cli.demonstration.processes import Household, Part
from asleft.recorder.judge_child import STOP_S

SLOW = """
import signal, sys, time
def end(*_):
    time.sleep({0})
    sys.exit(0)
signal.signal(signal.SIGTERM, end)
open(sys.argv[1], "w").close()
while True:
    time.sleep(1)
"""


def household(folder: Path, takes_s: float) -> Household:
    made, ready = Household(), folder / "ready"
    command = (sys.executable, "-c", SLOW.format(takes_s), str(ready))
    made.start(Part("recorder", command, folder / "log", last_work="it stores what has come"))
    until_s = time.monotonic() + 30.0
    while not ready.exists() and time.monotonic() < until_s:
        time.sleep(0.01)
    return made


def test_a_part_that_takes_its_time_is_waited_for_and_said_to_be_at_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(processes, "_SAY_AFTER_S", 0.05)
    said: list[str] = []
    assert household(tmp_path, 0.5).stop(said.append) == []
    assert said == ["waiting for recorder: it stores what has come"]


def test_a_part_that_hangs_is_killed_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "_SAY_AFTER_S", 0.05)
    monkeypatch.setattr(processes, "_STOP_S", 0.2)
    assert household(tmp_path, 600.0).stop(lambda _: None) == ["recorder"]


def test_a_recorder_may_take_as_long_as_its_judging_may() -> None:
    assert processes._STOP_S > 2 * STOP_S
