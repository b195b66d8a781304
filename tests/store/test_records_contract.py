"""What every records store promises."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.store.protocols import (
    AlarmEventConflict,
    Backfill,
    ClockChange,
    Health,
    JudgeCursor,
    JudgeStep,
    SheetExists,
    SheetRecord,
)

V = "press-1.platen"
S = 1_000_000_000
HOUR = 3600 * S


def sheet(number=1, at_ns=100, valve=V, toml="[valve]\n", entered_at_ns=5):
    return SheetRecord(valve, number, at_ns, "ab", "new pump", toml, entered_at_ns)


def step(seq, at_s=None, valve=V, **changes):
    at_ns = (seq if at_s is None else at_s) * S
    made = JudgeStep(
        valve=valve,
        cursor={"s": seq},
        judge_version=1,
        sheet_number=1,
        at_ns=at_ns,
        state=f"state {seq}",
        judgement={"valve": valve, "seq": seq},
    )
    return replace(made, **changes)


def event(alarm="a/1", seq=1, kind=EventKind.RAISED, at_ns=10, **changes):
    made = AlarmEvent(alarm, seq, kind, at_ns, "judge", "", V, "ramp-up-changed", 2, "driver-setting", "Slower.", 9)
    return replace(made, **changes)


def producing(from_s, to_s, state=State.PRODUCING, basis="pump_running"):
    return StateInterval(state, from_s, to_s, basis)


class TestSheets:
    def test_revisions_are_kept_as_entered(self, records):
        assert records.put_sheet(sheet(2, 200))
        assert records.put_sheet(sheet(1, 100, toml="ä\n"))
        assert records.put_sheet(sheet(1, valve="press-0.clamp"))
        assert records.sheets(V) == [sheet(1, 100, toml="ä\n"), sheet(2, 200)]
        assert records.sheet_valves() == ["press-0.clamp", V]
        assert records.sheets("press-9.none") == []

    def test_the_identical_one_is_ignored_and_another_refused(self, records):
        records.put_sheet(sheet())
        assert not records.put_sheet(sheet(entered_at_ns=77))
        for changed in (sheet(toml="other"), sheet(at_ns=101), replace(sheet(), by="xy"), replace(sheet(), why="")):
            with pytest.raises(SheetExists, match=r"press-1\.platen: revision 1"):
                records.put_sheet(changed)
        assert records.sheets(V) == [sheet()]

    def test_in_force_is_the_newest_by_at_then_number(self, records):
        for one in (sheet(1, 100), sheet(2, 300), sheet(3, 200), sheet(4, 300)):
            records.put_sheet(one)
        found = {at: records.effective_sheet(V, at) for at in (99, 100, 199, 200, 299, 300, 2**62)}
        assert {at: one and one.number for at, one in found.items()} == {
            99: None, 100: 1, 199: 1, 200: 3, 299: 3, 300: 4, 2**62: 4,
        }  # fmt: skip


class TestTheWholeFleet:
    """What is asked of all valves at once is what is asked of each."""

    OTHER = "press-2.clamp"

    def test_sheets_in_force(self, records):
        assert records.effective_sheets(2**62) == {}
        for one in (sheet(1, 100), sheet(2, 300), sheet(3, 200), sheet(4, 300), sheet(1, 150, valve=self.OTHER)):
            records.put_sheet(one)
        for at in (99, 100, 149, 150, 250, 300, 2**62):
            each = {valve: records.effective_sheet(valve, at) for valve in (V, self.OTHER)}
            assert records.effective_sheets(at) == {valve: one for valve, one in each.items() if one is not None}
        assert records.effective_sheets(300)[V].number == 4

    def test_how_far_each_valve_is_judged(self, records):
        assert records.judged_until() == {}
        records.commit_step(step(5))
        records.commit_step(step(9, valve=self.OTHER))
        assert records.judged_until() == {valve: records.judge_cursor(valve).at_ns for valve in (V, self.OTHER)}

    def test_judgements_of_now_and_then(self, records):
        assert records.judgements() == {}
        assert records.judgements_at(2**62) == {}
        for valve in (V, self.OTHER):
            records.put_sheet(sheet(valve=valve))
            records.put_sheet(sheet(2, 200, valve=valve))
        for hour in (1, 3, 4):
            records.commit_step(step(hour * 3600 + 5))
        records.commit_step(step(2 * 3600, valve=self.OTHER))
        assert {valve: one["seq"] for valve, one in records.judgements().items()} == {
            V: 4 * 3600 + 5, self.OTHER: 2 * 3600,
        }  # fmt: skip
        for at in (0, HOUR, 2 * HOUR, 3 * HOUR, 4 * HOUR - 1, 4 * HOUR, 9 * HOUR):
            each = {valve: records.judgement_at(valve, at) for valve in (V, self.OTHER)}
            assert records.judgements_at(at) == {valve: one for valve, one in each.items() if one is not None}
        assert records.judgements_at(4 * HOUR)[V]["seq"] == 3 * 3600 + 5


class TestSteps:
    def test_a_step_is_all_there(self, records):
        assert records.judge_cursor(V) is None
        assert records.judgement(V) is None
        points = [ChartPoint("ramp_up", 1.5, 1.2, 0.01), ChartPoint("ramp_down", 1.5, 2.0, 0.02)]
        records.commit_step(
            step(3, cursor={"s": 3, "h": 9}, intervals=[producing(0, 3)], points=points, alarm_events=[event()])
        )
        assert records.judge_cursor(V) == JudgeCursor(V, {"s": 3, "h": 9}, 1, 1, 3 * S, "state 3")
        assert records.judgement(V) == {"valve": V, "seq": 3}
        assert records.intervals(V, 0, 10 * S) == [producing(0, 3)]
        assert records.points(V, "ramp_up", 0, 10 * S) == [points[0]]
        assert records.alarm_events() == [event()]
        assert records.judge_cursor("press-2.clamp") is None

    def test_judging_a_block_twice_gives_one_result(self, records):
        first = step(
            3, intervals=[producing(0, 3)], points=[ChartPoint("ramp_up", 1, 1.2, 0.1)], alarm_events=[event()]
        )
        records.commit_step(first)
        records.commit_step(first)
        again = step(3, state="other", judgement={"seq": 0}, intervals=[producing(3, 9)], alarm_events=[event("a/2")])
        records.commit_step(again)
        assert records.judge_cursor(V).state == "state 3"
        assert records.judgement(V)["seq"] == 3
        assert records.intervals(V, 0, 99 * S) == [producing(0, 3)]
        assert records.alarm_events() == [event()]

    @pytest.mark.parametrize("cursor", [{}, {"s": 4}, {"s": 5}, {"h": 99}, {"s": 4, "h": 99}])
    def test_a_cursor_that_does_not_go_forward_changes_nothing(self, records, cursor):
        records.commit_step(step(5))
        records.commit_step(step(9, cursor=cursor))
        assert records.judge_cursor(V) == JudgeCursor(V, {"s": 5}, 1, 1, 5 * S, "state 5")

    @pytest.mark.parametrize("cursor", [{"s": 6}, {"s": 5, "h": 1}])
    def test_any_stream_may_advance(self, records, cursor):
        records.commit_step(step(5))
        records.commit_step(step(9, cursor=cursor))
        assert records.judge_cursor(V).cursor == cursor

    def test_a_step_without_a_judgement_keeps_the_last_one(self, records):
        records.commit_step(step(5))
        records.commit_step(step(6, judgement={}))
        assert records.judgement(V)["seq"] == 5
        assert records.judge_cursor(V).cursor == {"s": 6}

    def test_the_last_judgement_of_each_hour_is_kept(self, records):
        for seq, at_s in enumerate((10, 3500, 3700, 7300, 15_000), start=1):
            records.commit_step(step(seq, at_s))
        seen = {
            at_s: records.judgement_at(V, at_s * S) for at_s in (0, 3599, 3600, 7199, 7200, 14_399, 14_400, 18_000)
        }
        assert {at_s: one and one["seq"] for at_s, one in seen.items()} == {
            0: None, 3599: None, 3600: 2, 7199: 2, 7200: 3, 14_399: 4, 14_400: 4, 18_000: 5,
        }  # fmt: skip

    def test_points_are_unique_and_the_latest_counts(self, records):
        records.commit_step(step(1, points=[ChartPoint("ramp_up", 7, 1.0, 0.1), ChartPoint("ramp_up", 7, 1.1, 0.1)]))
        records.commit_step(step(2, points=[ChartPoint("ramp_up", 7, 1.3, 0.2), ChartPoint("ramp_up", 5, 1.0, 0.1)]))
        assert records.points(V, "ramp_up", 0, 99 * S) == [
            ChartPoint("ramp_up", 5, 1.0, 0.1),
            ChartPoint("ramp_up", 7, 1.3, 0.2),
        ]
        assert records.points(V, "ramp_up", 5 * S + 1, 7 * S) == []

    def test_an_alarm_event_taken_by_somebody_undoes_the_whole_step(self, records):
        records.append_alarm_events([event(), event(seq=2, kind=EventKind.ACKNOWLEDGED, who="ab")])
        with pytest.raises(AlarmEventConflict, match="event 2"):
            records.commit_step(
                step(
                    1, intervals=[producing(0, 1)], alarm_events=[event("a/2"), event(seq=2, kind=EventKind.RETURNED)]
                )
            )
        assert records.judge_cursor(V) is None
        assert records.judgement(V) is None
        assert records.intervals(V, 0, 99 * S) == []
        assert len(records.alarm_events()) == 2


class TestAlarmsLately:
    """What waits for somebody is given however old it is, and whole; what is done with only while it is recent."""

    def test_what_waits_and_what_is_recent(self, records):
        def seen(alarm, *kinds, at_ns):
            records.append_alarm_events([event(alarm, seq, kind, at_ns) for seq, kind in enumerate(kinds, start=1)])

        seen("old and there", EventKind.RAISED, EventKind.ACKNOWLEDGED, at_ns=10)
        seen("old and unseen", EventKind.RAISED, EventKind.RETURNED, at_ns=10)
        seen("old and done", EventKind.RAISED, EventKind.RETURNED, EventKind.ACKNOWLEDGED, at_ns=10)
        seen("old and closed", EventKind.RAISED, EventKind.RETURNED, EventKind.FOUND, at_ns=10)
        seen("done since", EventKind.RAISED, at_ns=10)
        records.append_alarm_events([event("done since", 2, EventKind.RETURNED, 50)])
        records.append_alarm_events([event("done since", 3, EventKind.FOUND, 60)])
        found = records.alarm_events_lately(40)
        assert {one.alarm for one in found} == {"old and there", "old and unseen", "done since"}
        assert len(found) == 7
        assert [one.at_ns for one in found] == sorted(one.at_ns for one in found)
        assert {one.alarm for one in records.alarm_events_lately(61)} == {"old and there", "old and unseen"}

    def test_what_got_worse_after_it_was_acknowledged_waits_again(self, records):
        worse = (EventKind.RAISED, EventKind.ACKNOWLEDGED, EventKind.ESCALATED, EventKind.RETURNED)
        records.append_alarm_events([event("worse", seq, kind, 10) for seq, kind in enumerate(worse, start=1)])
        assert {one.alarm for one in records.alarm_events_lately(40)} == {"worse"}
        records.append_alarm_events([event("worse", 5, EventKind.ACKNOWLEDGED, 11)])
        assert records.alarm_events_lately(40) == []


class TestIntervals:
    def commit(self, records, *groups):
        for seq, group in enumerate(groups, start=1):
            records.commit_step(step(seq, intervals=group))
        return records.intervals(V, 0, 10**6 * S)

    def test_touching_ones_of_a_state_become_one(self, records):
        found = self.commit(records, [producing(0, 2)], [producing(2.01, 4)], [producing(4, 6), producing(6.5, 7)])
        assert found == [producing(0, 7)]

    def test_another_state_basis_or_a_gap_begins_a_new_one(self, records):
        stopped = producing(4, 6, State.STOPPED)
        other = producing(6, 8, basis="inferred")
        found = self.commit(records, [producing(0, 4)], [stopped, other], [producing(20, 21, basis="inferred")])
        assert found == [producing(0, 4), stopped, other, producing(20, 21, basis="inferred")]

    def test_what_overlaps_is_cut_off(self, records):
        found = self.commit(
            records,
            [producing(0, 4), producing(4, 6, State.STOPPED)],
            [producing(3, 5), producing(5, 8)],
            [producing(1, 2), producing(7.5, 7.5)],
        )
        assert found == [producing(0, 4), producing(4, 6, State.STOPPED), producing(6, 8)]

    def test_only_what_overlaps_the_span(self, records):
        stopped = producing(4, 6, State.STOPPED)
        self.commit(records, [producing(0, 4), stopped, producing(6, 9)])
        assert records.intervals(V, 4 * S, 6 * S) == [stopped]
        assert records.intervals(V, 4 * S - 1, 4 * S) == [producing(0, 4)]
        assert records.intervals("press-2.clamp", 0, 99 * S) == []


class TestReset:
    @pytest.fixture
    def judged(self, records):
        records.put_sheet(sheet())
        for seq, at_s in enumerate((1800, 5400, 9000, 12_600), start=1):
            records.commit_step(
                step(
                    seq,
                    at_s,
                    intervals=[producing(at_s - 3600, at_s, State.PRODUCING if seq % 2 else State.STOPPED)],
                    points=[ChartPoint("ramp_up", at_s, 1.0, 0.1)],
                    alarm_events=[event(f"a/{seq}", at_ns=at_s * S)],
                )
            )
        records.commit_step(step(1, 1800, valve="press-2.clamp"))
        return records

    def test_all_of_it(self, judged):
        judged.reset_judging(V)
        assert judged.judge_cursor(V) is None
        assert judged.judgement(V) is None
        assert judged.judgement_at(V, 10**6 * S) is None
        assert judged.intervals(V, -(10**9), 10**6 * S) == []
        assert judged.points(V, "ramp_up", 0, 10**6 * S) == []
        assert len(judged.alarm_events(V)) == 4
        assert judged.sheets(V) == [sheet()]
        assert judged.judge_cursor("press-2.clamp") is not None
        judged.commit_step(step(1))
        assert judged.judge_cursor(V).cursor == {"s": 1}

    def test_from_a_time_on(self, judged):
        judged.reset_judging(V, 7200 * S)
        assert judged.judge_cursor(V) == JudgeCursor(V, {}, 0, 0, 7200 * S, "")
        assert judged.judgement(V) is None
        assert judged.judgement_at(V, 10**6 * S)["seq"] == 2
        assert [point.at_s for point in judged.points(V, "ramp_up", 0, 10**6 * S)] == [1800, 5400]
        assert judged.intervals(V, 0, 10**6 * S)[-1] == producing(5400, 7200)
        judged.commit_step(step(1, 7300, intervals=[producing(7200, 7300)]))
        assert judged.intervals(V, 0, 10**6 * S)[-1] == producing(5400, 7300)
        judged.reset_judging(V, 7200 * S)
        judged.reset_judging(V, 7200 * S)
        assert judged.judge_cursor(V).state == ""


class TestAlarmEvents:
    def test_the_log_is_in_order_and_can_be_asked_for_by_valve_and_time(self, records):
        events = [
            event("b/1", 1, at_ns=5),
            event("b/1", 2, EventKind.RETURNED, at_ns=9),
            event("c/1", 1, at_ns=7, valve="press-2.clamp"),
            event("b/1", 3, EventKind.SHELVED, at_ns=9, until_ns=99, who="ab", comment="waiting for a part"),
        ]
        records.append_alarm_events(reversed(events))
        assert records.alarm_events() == [events[0], events[2], events[1], events[3]]
        assert records.alarm_events(V) == [events[0], events[1], events[3]]
        assert records.alarm_events("press-2.clamp") == [events[2]]
        assert records.alarm_events(since_ns=8) == [events[1], events[3]]

    def test_a_repetition_is_ignored_and_another_event_refused_as_a_whole(self, records):
        records.append_alarm_events([event()])
        records.append_alarm_events([event()])
        with pytest.raises(AlarmEventConflict, match=r"'raised' by 'judge', not as 'acknowledged' by 'ab'"):
            records.append_alarm_events([event("new/1"), event(kind=EventKind.ACKNOWLEDGED, who="ab")])
        assert records.alarm_events() == [event()]


def test_backfills_are_replaced_by_valve(records):
    assert records.backfills() == []
    records.put_backfill(Backfill(V, 100, 1, 9, complete=False))
    records.put_backfill(Backfill("press-0.clamp", 100, 0, 9, complete=False))
    records.put_backfill(Backfill(V, 100, 9, 9, complete=True))
    assert records.backfills() == [Backfill("press-0.clamp", 100, 0, 9, False), Backfill(V, 100, 9, 9, True)]


def test_health_is_replaced_by_source(records):
    records.put_health(Health("recorder", 1, {"queue_depth": 3, "streams": [{"mark": 2**60}]}))
    records.put_health(Health("agent/edge-1", 1, {}))
    records.put_health(Health("recorder", 2, {"queue_depth": 0, "streams": [{"mark": 2**60}]}))
    assert records.health() == [
        Health("agent/edge-1", 1, {}),
        Health("recorder", 2, {"queue_depth": 0, "streams": [{"mark": 2**60}]}),
    ]


def test_several_have_it_open_and_nothing_is_lost(record_adapter, tmp_path):
    stores = [record_adapter.open_store(tmp_path) for _ in range(3)]
    failures = []

    def work(number):
        try:
            for seq in range(1, 11):
                stores[number].append_alarm_events([event(f"{number}/x", seq, at_ns=seq)])
                stores[number].put_health(Health("web", seq, {"n": number}))
                stores[number].commit_step(step(seq, valve=f"press-{number}.x"))
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(stores[0].alarm_events()) == 30
    for store in stores:
        store.close()


def test_everything_is_there_after_opening_again(record_adapter, tmp_path):
    store = record_adapter.open_store(tmp_path)
    store.put_sheet(sheet())
    store.commit_step(step(4, points=[ChartPoint("ramp_up", 7, 1.0, 0.1)]))
    store.close()
    store = record_adapter.open_store(tmp_path)
    assert store.sheets(V) == [sheet()]
    assert store.judge_cursor(V).cursor == {"s": 4}
    assert store.points(V, "ramp_up", 0, 99 * S) == [ChartPoint("ramp_up", 7, 1.0, 0.1)]
    store.close()


def test_corrections_of_clocks_are_kept_in_order_and_replaced_by_number(records):
    late = ClockChange("edge-1", "spool-1", 40, 3_600 * S, "it is 60 min behind", 9)
    records.put_clock_changes([late, ClockChange("edge-1", "spool-1", 7, -S, "it is 1.0 s ahead", 8)])
    records.put_clock_changes([ClockChange("edge-1", "spool-1", 7, 0, "", 10)])
    records.put_clock_changes([])
    assert records.clock_changes() == [ClockChange("edge-1", "spool-1", 7, 0, "", 10), late]
