from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.alarms.events import EventKind
from asleft.judge.types import State
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.recorder.stretches import least_of
from asleft.store.actor import Actor
from asleft.store.protocols import Backfill, ClockChange
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.store.work_log import open_work
from asleft.wire.block import Gap

V = "press-1.platen"
S = 1_000_000_000


@pytest.fixture
def rig(tmp_path, tools):
    class Rig:
        def __init__(self):
            self.store = open_samples(tmp_path)
            self.records = open_records(tmp_path / "records.db")
            self.work = open_work(tmp_path / "records.db")
            self.judge = tools.judge()
            self.now_s, self.wall_ns = 1000.0, tools.t0 + 10**6 * S
            self.version = 1
            self.restart()

        def restart(self):
            """A new process over the same stores."""
            self.judging = Judging(
                self.store,
                self.records,
                self.judge,
                self.version,
                sheet_of,
                work=self.work,
                wall_ns=lambda: self.wall_ns,
                monotonic_s=lambda: self.now_s,
            )

        def rounds(self, count=20):
            for _ in range(count):
                self.now_s += 1.1
                self.judging.round()

        def cursor(self, valve=V):
            return self.records.judge_cursor(valve)

        def times_s(self, valve=V):
            return [samples.time_s - tools.t0 / 1e9 for name, _, samples in self.judge.calls if name == valve]

    made = Rig()
    yield made
    made.work.close()
    made.records.close()
    made.store.close()


def blocks(tools, first, last, **changes):
    return [tools.block(seq, **changes) for seq in range(first, last + 1)]


def test_every_block_is_judged_once_in_order(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    for first in (1, 4, 5, 9):
        rig.store.commit(blocks(tools, first, first + 3), [], 1)
        rig.rounds(2)
    rig.rounds()
    times = np.concatenate(rig.times_s())
    assert times.size == 120
    assert bool(np.all(np.diff(times) > 0))
    cursor = rig.cursor()
    assert (cursor.cursor, cursor.sheet_number, cursor.judge_version) == ({"spool-1": 12}, 1, 1)
    assert cursor.state == '{"sheet": 1, "samples": 120}'
    assert rig.records.judgement(V)["samples"] == 120
    assert [(one.from_s, one.to_s) for one in rig.records.intervals(V, 0, 4 * 10**18)] == [
        (tools.t0 / 1e9, pytest.approx(tools.t0 / 1e9 + 11.9))
    ]
    assert len(rig.records.points(V, "ramp_up", 0, 4 * 10**18)) == len(rig.judge.calls)


def test_live_is_judged_block_by_block_and_a_rest_when_nothing_follows(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 1), [], 1)
    rig.judging.round()
    assert [times.size for times in rig.times_s()] == [10]  # what must be told at once does not wait
    rig.store.commit([tools.block(2, length_s=0.3)], [], 1)
    rig.judging.round()
    assert len(rig.judge.calls) == 1
    rig.rounds(4)
    assert [times.size for times in rig.times_s()] == [10, 10]


def test_a_judge_that_is_busy_takes_two_seconds_at_a_time(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    for seq in range(1, 7):
        rig.judging.step_s = 0.6  # of every call, for one valve
        rig.store.commit(blocks(tools, seq, seq), [], 1)
        rig.judging.round()
    assert [times.size for times in rig.times_s()] == [30, 30]


@pytest.mark.parametrize(
    ("valves", "step_s", "least_s"), [(1, 0.0, 0.8), (8, 0.02, 0.8), (20, 0.02, 1.6), (100, 0.02, 2.0)]
)
def test_a_call_waits_for_as_little_as_leaves_the_judge_idle_for_three_quarters_of_its_time(valves, step_s, least_s):
    assert least_of(valves, step_s) == pytest.approx(least_s * 1e9)


def test_the_judge_is_told_when_work_was_declared_and_when_it_was_ended(rig, tools):
    kl = Actor("kl", "")
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.rounds()
    at_ns = tools.t0 + 6 * S
    rig.work.declare(V, at_ns + 3600 * S, "coil changed", 0, at_ns, kl)
    rig.work.declare("press-9.other", at_ns + 3600 * S, "else", 0, at_ns, kl)
    rig.store.commit(blocks(tools, 6, 9), [], 1)
    rig.rounds()
    rig.work.end(V, rig.work.last(V), at_ns + 4 * S, kl)
    rig.store.commit(blocks(tools, 10, 14), [], 1)
    rig.rounds()
    begins_s = at_ns / 1e9
    told = [samples.work for name, _, samples in rig.judge.calls if name == V]
    assert told == [(), ((begins_s, begins_s + 3600.0),), ((begins_s, begins_s + 4.0),)]


def test_work_that_ended_long_ago_is_not_told_again_nor_forgotten_by_a_restart(rig, tools):
    kl = Actor("kl", "")
    rig.records.put_sheet(tools.sheet_record())
    rig.work.declare(V, tools.t0 - 86_000 * S, "a day ago", 0, tools.t0 - 90_000 * S, kl)
    rig.work.declare(V, tools.t0 - 87_000 * S + 60 * S, "earlier", 1, tools.t0 - 89_000 * S, kl)
    rig.restart()
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.rounds()
    (told,) = [samples.work for _, _, samples in rig.judge.calls]
    assert told == ()
    rig.work.declare(V, tools.t0 + 90 * S, "now", rig.work.last(V), tools.t0 + S, kl)
    rig.restart()
    rig.store.commit(blocks(tools, 6, 9), [], 1)
    rig.rounds()
    assert rig.judge.calls[-1][2].work == (((tools.t0 + S) / 1e9, tools.t0 / 1e9 + 90.0),)


def test_results_survive_a_restart_and_nothing_is_judged_twice(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.rounds()
    rig.restart()
    rig.rounds()
    assert len(rig.judge.calls) == 1
    rig.store.commit(blocks(tools, 6, 9), [], 1)
    rig.rounds()
    assert rig.cursor().state == '{"sheet": 1, "samples": 90}'
    assert rig.judge.begun == [(V, 1)]


def test_a_crash_before_the_commit_is_judged_again_with_one_result(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    commit, crashed = rig.records.commit_step, []

    def crash(step, hold=None):
        if not crashed:
            crashed.append(step)
            raise KeyboardInterrupt
        commit(step, hold)

    rig.records.commit_step = crash
    with pytest.raises(KeyboardInterrupt):
        rig.judging.round()
    assert rig.cursor() is None
    rig.restart()
    rig.rounds()
    assert len(rig.judge.calls) == 2
    assert rig.cursor().state == '{"sheet": 1, "samples": 50}'
    assert len(rig.records.points(V, "ramp_up", 0, 4 * 10**18)) == 1


def test_a_valve_without_a_sheet_is_stored_and_not_judged_until_it_has_one(rig, tools):
    rig.store.commit(blocks(tools, 1, 9), [], 1)
    rig.rounds()
    assert rig.judge.calls == []
    assert rig.judging.without_sheet() == [V]
    rig.records.put_sheet(tools.sheet_record(at_ns=tools.t0 + 5 * S))
    rig.rounds()
    assert rig.judging.without_sheet() == []
    assert rig.times_s()[0][0] == pytest.approx(5.0)
    assert rig.cursor().cursor == {"spool-1": 9}


def test_valves_take_turns(rig, tools):
    other = "press-2.clamp"
    rig.records.put_sheet(tools.sheet_record())
    rig.records.put_sheet(tools.sheet_record(other))
    long = [tools.block(seq, n=2) for seq in range(1, 2001)]
    rig.store.commit(long, [], 1)
    rig.store.commit(blocks(tools, 1, 5, valve=other, stream="spool-2"), [], 1)
    rig.judging.round()
    assert [(name, samples.time_s.size) for name, _, samples in rig.judge.calls] == [(V, 1200), (other, 50)]
    rig.rounds()
    assert rig.cursor().cursor == {"spool-1": 2000}


def test_a_failing_judge_stops_only_its_valve_and_is_tried_again(rig, tools, caplog):
    other = "press-2.clamp"
    rig.records.put_sheet(tools.sheet_record())
    rig.records.put_sheet(tools.sheet_record(other))
    rig.store.commit(blocks(tools, 1, 5) + blocks(tools, 1, 5, valve=other, stream="spool-2"), [], 1)
    rig.judge.fail_on = {V}
    rig.rounds(3)
    assert rig.cursor() is None
    assert rig.cursor(other).cursor == {"spool-2": 5}
    failure = rig.judging.valves[V].failure
    assert (failure.count, failure.message) == (1, "RuntimeError: no idea what this is")
    assert "press-1.platen cannot be judged" in caplog.text
    rig.rounds(10)
    assert rig.judging.valves[V].failure.count == 2
    rig.judge.fail_on = set()
    rig.rounds(30)
    assert rig.judging.valves[V].failure is None
    assert rig.cursor().cursor == {"spool-1": 5}


def test_a_sheet_that_cannot_be_read_and_a_wrong_unit_are_shown(rig, tools):
    rig.records.put_sheet(tools.sheet_record(toml="[valve]\nid = 5\n"))
    rig.records.put_sheet(tools.sheet_record("press-2.clamp"))
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.store.commit(blocks(tools, 1, 5, valve="press-2.clamp", stream="spool-2", unit="V"), [], 1)
    rig.rounds(2)
    assert "valve.id = 5: must be text in quotes" in rig.judging.valves[V].failure.message
    assert "in 'V', the sheet's signal is in 'mA'" in rig.judging.valves["press-2.clamp"].failure.message


def test_a_new_revision_takes_over_at_its_time(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 5 * S))
    rig.store.commit(blocks(tools, 1, 10), [], 1)
    rig.rounds()
    assert [(number, samples.time_s.size) for _, number, samples in rig.judge.calls] == [(1, 50), (2, 50)]
    assert rig.cursor().state == '{"sheet": 2, "samples": 50}'
    assert len(rig.records.points(V, "ramp_up", 0, 4 * 10**18)) == 2


def test_a_revision_entered_late_is_judged_again_from_its_start(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 10), [], 1)
    rig.rounds()
    rig.judge.calls.clear()
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 7 * S))
    rig.rounds()
    assert [(number, samples.time_s.size) for _, number, samples in rig.judge.calls] == [(2, 30)]
    cursor = rig.cursor()
    assert (cursor.cursor, cursor.sheet_number) == ({"spool-1": 10}, 2)
    intervals = rig.records.intervals(V, 0, 4 * 10**18)
    assert intervals[0].from_s == tools.t0 / 1e9
    assert intervals[-1].to_s == pytest.approx(tools.t0 / 1e9 + 9.9)


def test_a_new_version_of_the_judge_judges_again_from_the_sheets_start(rig, tools):
    rig.records.put_sheet(tools.sheet_record(at_ns=tools.t0 + 2 * S))
    rig.store.commit(blocks(tools, 1, 10), [], 1)
    rig.rounds()
    rig.version = 2
    rig.restart()
    rig.rounds()
    assert [times.size for times in rig.times_s()] == [80, 80]
    cursor = rig.cursor()
    assert (cursor.judge_version, cursor.state) == (2, '{"sheet": 1, "samples": 80}')
    assert len(rig.records.points(V, "ramp_up", 0, 4 * 10**18)) == 1


def test_while_history_is_on_its_way_live_blocks_wait(rig, tools):
    until_ns = tools.t0 + 10_000 * S
    rig.records.put_sheet(tools.sheet_record())
    rig.records.put_backfill(Backfill(V, until_ns, 0, 3, complete=False))
    live = [tools.block(seq, at_ns=until_ns + (seq - 1) * S) for seq in range(1, 8)]
    rig.store.commit(live, [], 1)
    rig.rounds(10)
    assert rig.judge.calls == []
    assert rig.judging.valves[V].held == 7

    def window(number, part):
        first = (number * 60) + 1
        return [
            tools.block(
                seq, stream="history", n=20, length_s=10, at_ns=tools.t0 + (number * 3000 + (seq - first) * 10) * S
            )
            for seq in range(first, first + 60)
        ][part]

    rig.store.commit(window(0, slice(None)) + window(1, slice(0, 20)), [], 1)
    rig.judging.round()
    rig.judging.round()
    assert [times.size for times in rig.times_s()] == [1200]
    rig.store.commit(window(1, slice(20, 60)) + window(2, slice(None)), [], 1)
    rig.judging.round()
    assert [times.size for times in rig.times_s()] == [1200, 1200]
    rig.rounds(5)
    assert [times.size for times in rig.times_s()] == [1200, 1200, 1200]
    rig.records.put_backfill(Backfill(V, until_ns, 3, 3, complete=True))
    rig.rounds(5)
    times = rig.times_s()
    assert [one.size for one in times] == [1200, 1200, 1200, 70]
    assert bool(np.all(np.diff(np.concatenate(times)) > 0))
    assert rig.cursor().cursor == {"history": 180, "spool-1": 7}


def test_history_that_comes_too_late_is_passed_over_and_counted(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 11, 20, stream="live"), [], 1)
    rig.store.commit([], [Gap("edge-1", "live", 1, 10, "test")], 1)
    rig.rounds()
    rig.store.commit(blocks(tools, 1, 6, stream="late"), [], 1)
    rig.store.commit(blocks(tools, 21, 24, stream="live"), [], 1)
    rig.rounds()
    assert rig.judging.valves[V].late == 6
    assert rig.cursor().cursor == {"live": 24, "late": 6}
    assert rig.cursor().state == '{"sheet": 1, "samples": 140}'
    assert rig.records.judgement(V)["samples"] == 140


def test_readings_from_the_future_do_not_stop_the_present(rig, tools):
    rig.wall_ns = tools.t0 + 100 * S
    rig.records.put_sheet(tools.sheet_record())
    year = 365 * 86_400
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.store.commit([tools.block(seq, at_ns=tools.t0 + (year + seq) * S) for seq in (6, 7)], [], 1)
    rig.store.commit(blocks(tools, 8, 12), [], 1)
    rig.rounds()
    assert rig.judging.valves[V].ahead == 2
    assert rig.cursor().cursor == {"spool-1": 12}
    assert np.concatenate(rig.times_s()).max() < 12


def test_a_clock_that_runs_into_the_future_is_judged_up_to_a_day_ahead(rig, tools):
    rig.wall_ns = tools.t0 - 86_400 * S + 5 * S
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 10), [], 1)
    rig.rounds()
    assert np.concatenate(rig.times_s()).size == 50
    assert rig.judging.valves[V].ahead == 5
    rig.wall_ns += 100 * S
    rig.store.commit(blocks(tools, 11, 14), [], 1)
    rig.rounds()
    assert np.concatenate(rig.times_s()).size == 90
    assert rig.cursor().cursor == {"spool-1": 14}


def test_findings_become_alarms_with_the_step(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    onset_s = tools.t0 / 1e9 + 1.5
    rig.judge.findings = (tools.finding("supply-low", onset_s), tools.finding("current-clipped", None, "supply-low"))
    rig.store.commit(blocks(tools, 1, 3), [], 1)
    rig.rounds(1)
    rig.judge.state = State.STOPPED
    rig.judge.findings = ()
    rig.store.commit(blocks(tools, 4, 6), [], 1)
    rig.rounds(1)
    assert [event.event for event in rig.records.alarm_events(V)] == [EventKind.RAISED]
    rig.judge.state = State.PRODUCING
    rig.store.commit(blocks(tools, 7, 9), [], 1)
    rig.rounds(1)
    raised, returned = rig.records.alarm_events(V)
    assert (raised.kind, raised.event, raised.part) == ("supply-low", EventKind.RAISED, "supply")
    assert raised.onset_ns == round(onset_s * 1e9)
    assert raised.at_ns == tools.t0 + 2 * S + 900_000_000
    assert (returned.event, returned.seq, returned.alarm) == (EventKind.RETURNED, 2, raised.alarm)


def test_somebody_acknowledging_in_between_only_costs_a_repetition(rig, tools):
    rig.records.put_sheet(tools.sheet_record())
    rig.judge.findings = (tools.finding("supply-low"),)
    rig.store.commit(blocks(tools, 1, 3), [], 1)
    rig.rounds(1)
    (raised,) = rig.records.alarm_events(V)
    rig.judge.findings = ()
    read, acknowledged = rig.records.alarm_events, replace(raised, seq=2, event=EventKind.ACKNOWLEDGED, who="ab")

    def read_then_somebody_acknowledges(valve):
        events = read(valve)
        rig.records.alarm_events = read
        rig.records.append_alarm_events([acknowledged])
        return events

    rig.records.alarm_events = read_then_somebody_acknowledges
    rig.store.commit(blocks(tools, 4, 6), [], 1)
    rig.rounds(1)
    assert rig.cursor().cursor == {"spool-1": 3}
    rig.rounds(1)
    assert [event.event for event in rig.records.alarm_events(V)] == [
        EventKind.RAISED,
        EventKind.ACKNOWLEDGED,
        EventKind.RETURNED,
    ]
    assert rig.cursor().cursor == {"spool-1": 6}
    assert rig.judging.valves[V].failure is None


def test_a_wrong_clock_is_a_finding_and_the_judge_gets_true_times(rig, tools):
    """From the fifth block on the agent's clock is an hour behind, from the ninth on it is right again."""
    rig.records.put_sheet(tools.sheet_record())
    raw = [tools.block(seq, at_ns=tools.t0 + (seq - 1 - 3600 * (5 <= seq < 9)) * S) for seq in range(1, 13)]
    why = "its clock was put 60 min behind"
    rig.records.put_clock_changes(
        [
            ClockChange("edge-1", "spool-1", 5, 3600 * S, why, tools.t0 + 5 * S),
            ClockChange("edge-1", "spool-1", 9, 0, "", tools.t0 + 9 * S),
        ]
    )
    rig.store.commit(raw[:8], [], 1)
    rig.rounds()
    assert np.concatenate(rig.times_s()) == pytest.approx(np.arange(0, 8, 0.1), abs=1e-6)
    (finding,) = rig.records.judgement(V)["findings"]
    assert finding["kind"] == "clock-wrong"
    assert why in finding["evidence"]
    assert rig.records.judgement(V)["status"] == "good", "the clock says nothing of the machine"
    assert rig.records.judgement(V)["sentence"] == f"As left. {finding['evidence']}"
    assert [event.kind for event in rig.records.alarm_events(V)] == ["clock-wrong"]
    rig.store.commit(raw[8:], [], 1)
    rig.rounds()
    assert np.concatenate(rig.times_s()) == pytest.approx(np.arange(0, 12, 0.1), abs=1e-6)
    assert rig.records.judgement(V)["findings"] == []
    assert [event.event for event in rig.records.alarm_events(V)] == [EventKind.RAISED, EventKind.RETURNED]
    stored = rig.store.samples(V, tools.t0 - 4000 * S, tools.t0 + 100 * S).time_ns
    assert stored.min() < tools.t0 - 3590 * S, "raw times are kept as they came"


def test_an_alarm_that_ends_by_a_revision_says_so_in_the_log(rig, tools):
    first = tools.sheet_record()
    rig.records.put_sheet(first)
    rig.judge.findings = (tools.finding("current-full-changed", tools.t0 / 1e9),)
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.rounds()
    changed = tools.sheet_text.format(valve=V, number=2).replace("current_at_full = 0.92", "current_at_full = 0.85")
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 5 * S, toml=changed))
    rig.judge.findings = ()
    rig.store.commit(blocks(tools, 6, 10), [], 1)
    rig.rounds()
    raised, returned = rig.records.alarm_events(V)
    assert (raised.event, returned.event) == (EventKind.RAISED, EventKind.RETURNED)
    assert returned.comment.startswith("Sheet 2 was changed to meet it: current at full from 0.920 A to 0.850 A.")


def quiet(rig, tools):
    """A valve of which five seconds are judged, and five more taken in that need not be told yet."""
    rig.records.put_sheet(tools.sheet_record())
    rig.store.commit(blocks(tools, 1, 5), [], 1)
    rig.judging.round()
    rig.judge.due = False
    rig.store.commit(blocks(tools, 6, 10), [], 1)
    rig.judging.round()
    assert [times.size for times in rig.times_s()] == [50, 50]
    assert rig.cursor().cursor == {"spool-1": 5}


def test_what_can_wait_is_taken_in_once_and_committed_with_what_is_due(rig, tools):
    quiet(rig, tools)
    rig.judging.round()
    assert len(rig.judge.calls) == 2
    assert rig.judging.valves[V].judged_ns == tools.t0 + 9 * S + 900_000_000
    rig.judge.due = True
    rig.store.commit(blocks(tools, 11, 15), [], 1)
    rig.judging.round()
    assert [times.size for times in rig.times_s()] == [50, 50, 50]
    assert rig.cursor().state == '{"sheet": 1, "samples": 150}'
    assert rig.cursor().cursor == {"spool-1": 15}
    assert rig.records.judgement(V)["samples"] == 150
    (interval,) = rig.records.intervals(V, 0, 4 * 10**18)
    assert interval.to_s == pytest.approx(tools.t0 / 1e9 + 14.9)
    assert len(rig.records.points(V, "ramp_up", 0, 4 * 10**18)) == 3


def test_what_waits_is_judged_when_nothing_follows(rig, tools):
    quiet(rig, tools)
    rig.rounds(4)
    assert rig.records.judgement(V)["samples"] == 100
    assert rig.cursor().cursor == {"spool-1": 10}
    rig.rounds(4)
    assert len(rig.judge.calls) == 2


def test_what_waits_is_judged_while_live_blocks_are_held_for_history(rig, tools):
    quiet(rig, tools)
    rig.records.put_backfill(Backfill(V, tools.t0 + 10 * S, 0, 3, complete=False))
    rig.store.commit(blocks(tools, 11, 15), [], 1)
    rig.rounds(4)
    assert rig.records.judgement(V)["samples"] == 100
    assert rig.judging.valves[V].held == 5


def test_what_waited_in_a_process_that_ended_is_taken_in_again(rig, tools):
    quiet(rig, tools)
    rig.restart()
    rig.rounds(4)
    assert [times.size for times in rig.times_s()] == [50, 50, 50]
    assert rig.cursor().state == '{"sheet": 1, "samples": 100}'


def test_what_waits_is_judged_under_its_own_sheet_before_the_next(rig, tools):
    quiet(rig, tools)
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 10 * S))
    rig.judge.due = True
    rig.store.commit(blocks(tools, 11, 15), [], 1)
    rig.now_s += 1.1
    rig.judging.round()
    assert rig.cursor().state == '{"sheet": 1, "samples": 100}'
    rig.judging.round()
    assert rig.cursor().state == '{"sheet": 2, "samples": 50}'


def test_what_waits_is_taken_in_again_under_a_sheet_that_is_entered_late(rig, tools):
    quiet(rig, tools)
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 7 * S))
    rig.rounds(6)
    assert [(number, samples.time_s.size) for _, number, samples in rig.judge.calls] == [
        (1, 50), (1, 50), (1, 20), (2, 30),
    ]  # fmt: skip
    assert rig.cursor().state == '{"sheet": 2, "samples": 30}'


def test_what_waits_is_dropped_where_another_process_went_on(rig, tools):
    quiet(rig, tools)
    here = rig.judging
    rig.judge.due = True
    rig.restart()
    rig.judging.round()
    assert rig.cursor().state == '{"sheet": 1, "samples": 100}'
    rig.store.commit(blocks(tools, 11, 15), [], 1)
    here.round()
    assert rig.cursor().state == '{"sheet": 1, "samples": 150}'
    (interval,) = rig.records.intervals(V, 0, 4 * 10**18)
    assert interval.to_s == pytest.approx(tools.t0 / 1e9 + 14.9)


def test_a_clock_that_turns_out_wrong_does_not_wait(rig, tools):
    quiet(rig, tools)
    rig.records.put_clock_changes(
        [ClockChange("edge-1", "spool-1", 11, 0, "its clock cannot be trusted", tools.t0 + 11 * S)]
    )
    rig.store.commit(blocks(tools, 11, 15), [], 1)
    rig.judging.round()
    assert rig.cursor().cursor == {"spool-1": 15}


def test_while_nothing_comes_the_long_state_is_not_read_again(rig, tools):
    quiet(rig, tools)
    read, cursors = rig.records.judge_cursor, []
    rig.records.judge_cursor = lambda valve: cursors.append(valve) or read(valve)
    for _ in range(5):
        rig.judging.round()
    assert cursors == []
    rig.records.put_sheet(tools.sheet_record(number=2, at_ns=tools.t0 + 3 * S))
    rig.rounds(2)
    assert cursors
