"""Declared work through the real judge, from blocks in a store to alarms: none meanwhile, and it resumes."""

from __future__ import annotations

import sys
from pathlib import Path

import asleft.judge.judge as real_judge
import pytest
from asleft.alarms.events import EventKind
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.sim.model import default_valve
from asleft.sim.recording import simulate
from asleft.store.actor import Actor
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.store.work_log import open_work

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from blocks import blocks_of

START_S = 1_764_070_200.0
START_NS = round(START_S) * 10**9
S = 10**9
LENGTH_S = 360.0
MODEL = default_valve()
V = MODEL.valve_id
SHEET = f"""
[valve]
id = "{V}"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.05
ramp_down = 2.0
[revision]
number = 1
at = 2025-11-20T08:00:00Z
by = "kl"
why = "first"
"""


@pytest.fixture(scope="module")
def blocks():
    (recording,) = simulate([MODEL], [START_S], LENGTH_S, burst_every_s=0.0)
    return list(blocks_of(recording, block_s=10))


@pytest.fixture
def judged(tmp_path, blocks):
    """Judges everything with work declared from some seconds on; the alarm events, and the states by name."""
    opened = []

    def judge(from_s: float | None, until_s: float, ended_s: float | None = None):
        samples, records = open_samples(tmp_path), open_records(tmp_path / "records.db")
        log = open_work(tmp_path / "records.db")
        opened.extend((samples, records, log))
        samples.commit(blocks, [], 1)
        records.put_sheet(SheetRecord(V, 1, START_NS - 86_400 * S, "kl", "first", SHEET, 0))
        who = Actor("kl", "")
        if from_s is not None:
            at_ns = START_NS + round(from_s * S)
            log.declare(V, START_NS + round(until_s * S), "ramp being tuned", 0, at_ns, who)
            if ended_s is not None:
                log.end(V, log.last(V), START_NS + round(ended_s * S), who)
        now_s = [1000.0]
        judging = Judging(
            samples, records, real_judge, JUDGE_VERSION, sheet_of, work=log,
            wall_ns=lambda: START_NS + 10**6 * S, monotonic_s=lambda: now_s[0],
        )  # fmt: skip
        for _ in range(12):
            now_s[0] += 4.0
            judging.round()
        events = [(e.event, (e.at_ns - START_NS) / S) for e in records.alarm_events(V)]
        states = [
            (one.state.value, one.from_s - START_S, one.to_s - START_S)
            for one in records.intervals(V, START_NS, START_NS + 1000 * S)
        ]
        return events, states, records.judgement(V)

    yield judge
    for one in opened:
        one.close()


def test_without_a_declaration_the_ramp_is_an_alarm(judged):
    events, _, judgement = judged(None, 0.0)
    assert [event for event, _ in events] == [EventKind.RAISED]
    assert judgement["findings"][0]["kind"] == "ramp-up-changed"


def test_while_work_is_declared_nothing_is_judged_and_no_alarm_raised(judged):
    events, states, judgement = judged(5.0, 1000.0)
    assert events == []
    assert judgement["state"] == "work-in-progress"
    assert judgement["status"] == "function-check"
    assert judgement["findings"] == []
    assert states[-1] == ("work-in-progress", pytest.approx(5.0, abs=0.02), pytest.approx(LENGTH_S, abs=0.1))
    assert judgement["states"]["work-in-progress"] == pytest.approx((LENGTH_S - 5.0) / 3600.0, abs=1e-4)


@pytest.mark.parametrize(("until_s", "ended_s"), [(120.0, None), (1000.0, 120.0)])
def test_judging_resumes_when_it_expires_or_is_ended(judged, until_s, ended_s):
    events, states, judgement = judged(5.0, until_s, ended_s)
    assert [event for event, _ in events] == [EventKind.RAISED]
    assert events[0][1] > 120.0
    assert [name for name, _, _ in states].count("work-in-progress") >= 1
    assert max(to_s for name, _, to_s in states if name == "work-in-progress") == pytest.approx(120.0, abs=0.02)
    assert judgement["state"] == "producing"
    onset = judgement["findings"][0]["onset"]
    assert onset is None or onset > "2025-11-25T11:32"  # nothing is dated into the work
