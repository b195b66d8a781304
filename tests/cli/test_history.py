"""The demo's history maker tells how far the recorder is with what it was sent."""

from __future__ import annotations

import threading

import pytest
from asleft.cli.history import HistoryMaker, blocks_of
from asleft.edge.spool import Spool
from asleft.sim.history import Window, simulate_windows
from asleft.sim.model import ValveModel
from asleft.store.protocols import Backfill, JudgeCursor

NAMES = ("press-1.platen", "press-2.clamp")
WINDOW_S = 20.0  # two blocks


class Records:
    """A records store that counts how often a cursor is read."""

    def __init__(self):
        self.rows = {name: Backfill(name, 10**18, 0, 2, complete=False) for name in NAMES}
        self.judged = dict.fromkeys(NAMES, 0)
        self.read = []

    def backfills(self):
        return list(self.rows.values())

    def put_backfill(self, row):
        self.rows[row.valve] = row

    def judge_cursor(self, valve):
        self.read.append(valve)
        at = self.judged[valve]
        return JudgeCursor(valve, {self.stream: at}, 1, 1, 1, "state") if at else None


@pytest.fixture
def windows():
    models = [ValveModel(valve_id=name) for name in NAMES]
    return [Window(model, 1.764e9 + 1000.0 * k, WINDOW_S, "production") for k in range(2) for model in models]


@pytest.fixture
def spool(tmp_path):
    made = Spool(tmp_path / "history.db", "history", 8 * 1024 * 1024)
    yield made
    made.close()


@pytest.fixture
def records(spool):
    made = Records()
    made.stream = spool.stream
    return made


def test_windows_count_once_they_are_judged_to_their_last_block(records, spool, windows):
    maker = HistoryMaker(records, spool, windows, threading.Event())
    maker.make()
    assert spool.highest_seq == 8
    assert not maker.tell()
    assert [row.done for row in records.backfills()] == [0, 0]
    records.judged = {"press-1.platen": 5, "press-2.clamp": 4}
    assert not maker.tell()
    assert [(row.done, row.complete) for row in records.backfills()] == [(1, False), (1, False)]
    records.judged = {"press-1.platen": 6, "press-2.clamp": 7}
    assert not maker.tell()
    assert [(row.done, row.complete) for row in records.backfills()] == [(2, True), (1, False)]
    records.judged["press-2.clamp"] = 8
    assert maker.tell()
    assert all(row.complete for row in records.backfills())


def test_nothing_is_read_of_a_valve_that_is_through_or_has_nothing_waiting(records, spool, windows):
    maker = HistoryMaker(records, spool, windows, threading.Event())
    maker.tell()
    assert records.read == []
    maker.make()
    records.rows["press-1.platen"] = Backfill("press-1.platen", 10**18, 2, 2, complete=True)
    records.read.clear()
    maker.tell()
    assert records.read == ["press-2.clamp"]


def test_after_an_end_it_goes_on_with_the_first_window_that_was_not_spooled(records, spool, windows):
    for recording in simulate_windows(windows[:1]):
        spool.append(blocks_of(recording, "boot"))
    HistoryMaker(records, spool, windows, threading.Event()).make()
    assert spool.highest_seq == 8
