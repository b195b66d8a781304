"""Several judging processes over one data folder: each block is judged once, whoever takes it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import nullcontext

import pytest
from asleft.recorder import judge_child
from asleft.recorder.judge_child import STOP_S, JudgeChild, stop_together
from asleft.recorder.judge_process import VALVES_FILE, sheet_of
from asleft.recorder.judging import Judging
from asleft.store.lock import ValveLocks
from asleft.store.protocols import Backfill
from asleft.store.records import open_records
from asleft.store.samples import open_samples

S = 1_000_000_000
VALVES = tuple(f"press-{k}.platen" for k in range(1, 7))

HOLDER = """
import sys, time
from pathlib import Path
from asleft.store.lock import ValveLocks
locks = ValveLocks(Path(sys.argv[1]), "valves.lock")
with locks.of("press-1.platen") as free:
    print(free, flush=True)
    time.sleep(60)
"""

COUNTING_JUDGE = """
import json, os, time
from types import SimpleNamespace
from asleft.judge.types import Judgement, State, Status
def begin(sheet):
    return {"samples": 0, "by": []}
def advance(sheet, state, samples):
    time.sleep(0.05)
    now = {"samples": state["samples"] + samples.time_s.size, "by": [*state["by"], os.getpid()]}
    return SimpleNamespace(state=now, intervals=(), points=(), due=True)
def summarise(sheet, state):
    return Judgement(sheet.valve, 1, None, None, state["samples"], Status.GOOD, "As left.", {}, (), (),
                     current_state=State.PRODUCING)
dumps, loads = json.dumps, json.loads
"""


@pytest.fixture
def stores(tmp_path):
    samples, records = open_samples(tmp_path), open_records(tmp_path / "records.db")
    yield samples, records
    records.close()
    samples.close()


def test_a_valve_taken_by_another_process_is_left_alone_until_that_ends(tmp_path):
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    locks = ValveLocks(tmp_path, "valves.lock")
    try:
        assert holder.stdout.readline() == "True\n"
        with locks.of("press-1.platen") as free:
            assert not free
        with locks.of("press-2.platen") as free:
            assert free
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        with locks.of("press-1.platen") as free:
            assert free
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()
        locks.close()


def test_what_another_has_taken_is_not_judged(stores, tools):
    samples, records = stores
    records.put_sheet(tools.sheet_record())
    samples.commit([tools.block(seq) for seq in range(1, 9)], [], 1)
    judge = tools.judge()
    judging = Judging(samples, records, judge, 1, sheet_of, claim=lambda _valve: nullcontext(False))
    assert not judging.round()
    assert judge.calls == []


def test_a_helper_takes_history_and_what_piled_up_and_leaves_live_readings(stores, tools):
    samples, records = stores
    judge, now_s = tools.judge(), [1000.0]
    for valve in VALVES[:3]:
        records.put_sheet(tools.sheet_record(valve=valve))
    samples.commit([tools.block(seq, valve=VALVES[0], stream="a") for seq in range(1, 9)], [], 1)  # live
    samples.commit([tools.block(seq, valve=VALVES[1], stream="b") for seq in range(1, 702)], [], 1)  # piled up
    records.put_backfill(Backfill(VALVES[2], tools.t0 + 10_000 * S, 0, 1, complete=False))  # history
    samples.commit(
        [
            tools.block(seq, valve=VALVES[2], stream="c", length_s=10, at_ns=tools.t0 + (seq - 1) * 10 * S)
            for seq in range(1, 62)
        ],
        [],
        1,
    )
    helper = Judging(samples, records, judge, 1, sheet_of, helping=True, monotonic_s=lambda: now_s[0])
    for _ in range(5):
        now_s[0] += 10.0
        helper.round()
    assert {valve for valve, _, _ in judge.calls} == set(VALVES[1:3])
    assert records.judge_cursor(VALVES[0]) is None
    assert records.judge_cursor(VALVES[1]).cursor == {"b": 600}  # the rest is no backlog any more


@pytest.mark.end_to_end
def test_processes_share_a_history_and_judge_every_reading_once(tmp_path, stores, tools, monkeypatch):
    samples, records = stores
    (tmp_path / "judges").mkdir()
    (tmp_path / "judges" / "counting_judge.py").write_text(COUNTING_JUDGE)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path / "judges"), os.environ.get("PYTHONPATH", "")]))
    windows, per_window = 8, 60
    for k, valve in enumerate(VALVES):
        records.put_sheet(tools.sheet_record(valve=valve))
        records.put_backfill(Backfill(valve, tools.t0 + 10**6 * S, 0, windows, complete=False))
        blocks = [
            tools.block(
                seq,
                valve=valve,
                stream=f"history-{k}",
                length_s=10,
                at_ns=tools.t0 + ((seq - 1) // per_window * 5000 + (seq - 1) % per_window * 10) * S,
            )
            for seq in range(1, windows * per_window + 1)
        ]
        samples.commit(blocks, [], 1)
    children = [JudgeChild(tmp_path, "counting_judge", helping=helping) for helping in (False, True, True)]

    def judged():
        for child in children:
            child.maintain()
        cursors = [records.judge_cursor(valve) for valve in VALVES]
        # without a block behind it the last window waits for more, as long as history is on its way
        return all(cursor and max(cursor.cursor.values()) >= (windows - 1) * per_window for cursor in cursors)

    try:
        tools.until(judged, every_s=0.1)
    finally:
        for child in children:
            child.let_go()
        for child in children:
            child.stop()
    states = [json.loads(records.judge_cursor(valve).state) for valve in VALVES]
    assert all(state["samples"] == len(state["by"]) * per_window * 10 for state in states)  # each window once
    assert len({pid for state in states for pid in state["by"]}) > 1
    assert (tmp_path / VALVES_FILE).exists()


def test_judging_processes_that_hang_take_no_longer_to_end_than_one(tmp_path, monkeypatch):
    now, killed = [0.0], []

    class Hanging:
        stdin = None

        def wait(self, timeout=None):
            if self not in killed:
                now[0] += timeout
                raise subprocess.TimeoutExpired("judge", timeout)

        def kill(self):
            killed.append(self)

    monkeypatch.setattr(judge_child.time, "monotonic", lambda: now[0])
    children = [JudgeChild(tmp_path, helping=helping) for helping in (False, True, True, True)]
    for child in children:
        child._process = Hanging()
    stop_together(children)
    assert now[0] <= STOP_S
    assert len(killed) == 4
    assert not any(child.alive() for child in children)
