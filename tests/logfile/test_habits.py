"""Habits of loggers seldom met: read as they were written, or refused in words; no reading is ever another's."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.cli.log_options import add_log_options, given_of
from asleft.logfile.door import OpenQuestionsError, Reading, read
from asleft.logfile.errors import LogError
from asleft.logfile.given import Given
from asleft.logfile.maps import map_text
from asleft.sheet.logmap import read_log_map
from asleft.sheet.reader import read_sheet
from habits import HABITS, TRAPS
from recording import RATE_HZ, SHEET, recording

SHEET_READ = read_sheet(SHEET)
TRUE = recording()


def options(words: list[str]) -> Given:
    parser = argparse.ArgumentParser()
    add_log_options(parser)
    return given_of(parser.parse_args(words), signal=SHEET_READ.signal)


def assert_no_reading_is_another_s(found: Reading, loose_s: float = 1e-5) -> None:
    """Each reading that is there is the recording's, of its channel, at its time."""
    samples = found.samples
    since_s = samples.time_s - samples.time_s[0]
    row = np.rint(since_s * RATE_HZ).astype(int)
    assert np.abs(since_s - TRUE.time_s[row]).max() <= loose_s
    for channel, column in (
        ("command", TRUE.command_ma),
        ("current", TRUE.current_a),
        ("pressure", TRUE.pressure_bar),
    ):
        values = samples.channels.get(channel, np.zeros(0))
        there = np.flatnonzero(np.isfinite(values))
        assert np.allclose(values[there], column[row[there]], rtol=1e-9, atol=2e-6), channel


@pytest.mark.parametrize("name", HABITS)
def test_a_habit_is_read_whole_and_its_map_reads_the_same(name: str, tmp_path: Path) -> None:
    habit = HABITS[name]
    path = habit.write(TRUE, tmp_path)
    if habit.answers:
        with pytest.raises(OpenQuestionsError):
            read(path, options([]))
    found = read(path, options(list(habit.answers)))
    assert found.samples.time_s.size == TRUE.time_s.size == found.rows
    assert {"command", "current", "pressure"} <= set(found.samples.channels)
    assert all(np.isfinite(found.samples.channels[each]).all() for each in ("command", "current", "pressure"))
    assert found.dropped == {}
    assert_no_reading_is_another_s(found, habit.loose_s)
    if not habit.elapsed:
        assert abs(found.samples.time_s[0] - TRUE.start.timestamp()) < 1e-3
    log_map = read_log_map(map_text(found.log_map, {}))
    by_map = read(path, Given(log_map=log_map, signal=SHEET_READ.signal))
    assert np.array_equal(by_map.samples.time_s, found.samples.time_s)
    for channel, values in found.samples.channels.items():
        assert np.array_equal(by_map.samples.channels[channel], values), channel


@pytest.mark.parametrize("name", TRAPS)
def test_of_a_trap_nothing_is_mistaken_and_it_is_said(name: str, tmp_path: Path) -> None:
    trap = TRAPS[name]
    said = ""
    try:
        found = read(trap.write(TRUE, tmp_path), options([]))
    except LogError as error:
        said = str(error)
    else:
        assert_no_reading_is_another_s(found)
        said = " ".join([*found.notes, *found.unused])
    assert trap.says in said
