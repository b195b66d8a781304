"""Declared work in progress: its rules, and its log in both stores, with its lines of the audit trail."""

from __future__ import annotations

import pytest
from asleft.store.access import AccessStore
from asleft.store.actor import Actor
from asleft.store.engine import writing
from asleft.store.work import (
    LONGEST_NS,
    SHORTEST_NS,
    NoWork,
    Work,
    WorkConflict,
    WorkEvent,
    WorkKind,
    WorkRefused,
    check_declaration,
    fold_work,
    standing,
)
from asleft.store.work_log import open_work
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

KL, RS = Actor("kl", "10.0.0.7"), Actor("rs", "10.0.0.8")
HOUR = 3_600 * 10**9
T0 = 1_700_000_000 * 10**9
V = "press-1.platen"


@pytest.fixture
def store(engine):
    return AccessStore(engine)


def test_declared_work_holds_from_now_to_its_expiry_and_is_on_the_trail(store):
    store.work.declare(V, T0 + HOUR, "coil changed", 0, T0, KL)
    work = Work(V, T0, T0 + HOUR, "coil changed", "kl", store.work.last(V))
    assert store.work.work_standing(T0) == {V: work}
    assert store.work.work_standing(T0 + HOUR - 1) == {V: work}
    assert store.work.work_standing(T0 + HOUR) == {}
    assert store.work.work_standing(T0 - 1) == {}
    (line,) = store.audit.newest(10)
    assert (line.who, line.address, line.action, line.subject, line.details, line.at_ns) == (
        "kl", "10.0.0.7", "work declared", V, "coil changed", T0,
    )  # fmt: skip


def test_it_is_ended_early_once_and_stays_what_it_was_until_then(store):
    store.work.declare(V, T0 + 3 * HOUR, "coil changed", 0, T0, KL)
    assert store.work.end(V, store.work.last(V), T0 + HOUR, RS)
    assert store.work.work_standing(T0 + HOUR) == {}
    (work,) = store.work.work_of(V, T0, T0 + 9 * HOUR)
    assert (work.from_ns, work.until_ns, work.who, work.ended_by) == (T0, T0 + HOUR, "kl", "rs")
    assert not store.work.end(V, store.work.last(V), T0 + 2 * HOUR, RS)
    assert [line.action for line in store.audit.newest(10)] == ["work ended", "work declared"]


def test_declaring_anew_puts_the_new_expiry_in_force_and_keeps_the_old_on_record(store):
    store.work.declare(V, T0 + 3 * HOUR, "coil changed", 0, T0, KL)
    store.work.declare(V, T0 + 2 * HOUR, "only the filter", store.work.last(V), T0 + HOUR, RS)
    assert store.work.work_standing(T0 + HOUR)[V].why == "only the filter"
    assert store.work.work_standing(T0 + 2 * HOUR) == {}
    assert [(w.from_ns, w.until_ns, w.why) for w in store.work.work_of(V, 0, T0 + 9 * HOUR)] == [
        (T0, T0 + HOUR, "coil changed"),
        (T0 + HOUR, T0 + 2 * HOUR, "only the filter"),
    ]


def test_stretches_are_found_by_time_and_valve(store):
    store.work.declare(V, T0 + HOUR, "one", 0, T0, KL)
    store.work.declare("press-2.clamp", T0 + HOUR, "two", 0, T0, KL)
    store.work.declare(V, T0 + 5 * HOUR, "three", store.work.last(V), T0 + 4 * HOUR, KL)
    assert [w.why for w in store.work.work_of(V, T0 + HOUR, T0 + 4 * HOUR)] == []
    assert [w.why for w in store.work.work_of(V, T0 + HOUR - 1, T0 + 4 * HOUR)] == ["one"]
    assert [w.why for w in store.work.work_of(V, T0, T0 + 4 * HOUR + 1)] == ["one", "three"]
    assert sorted(store.work.work_standing(T0)) == [V, "press-2.clamp"]


def test_who_was_slower_changes_nothing(store):
    store.work.declare(V, T0 + HOUR, "one", 0, T0, KL)
    with pytest.raises(WorkConflict, match="the act was based on 0"):
        store.work.declare(V, T0 + 2 * HOUR, "two", 0, T0 + 1, RS)
    with pytest.raises(WorkConflict):
        store.work.end(V, 0, T0 + 1, RS)
    assert store.work.work_standing(T0 + 2)[V].why == "one"
    assert len(store.audit.newest(10)) == 1


def test_nothing_is_kept_of_what_is_refused(store):
    with pytest.raises(WorkRefused, match="7 days"):
        store.work.declare(V, T0 + LONGEST_NS + 1, "long", 0, T0, KL)
    assert store.work.work_events() == []
    assert store.audit.newest(10) == []


def test_the_log_is_read_on_from_where_one_stands(store):
    store.work.declare(V, T0 + HOUR, "one", 0, T0, KL)
    (first,) = store.work.work_events()
    store.work.end(V, first.number, T0 + 1, KL)
    (second,) = store.work.work_events(first.number)
    assert (first.event, second.event, second.at_ns) == (WorkKind.DECLARED, WorkKind.ENDED, T0 + 1)
    assert second.number > first.number
    assert second.until_ns == first.until_ns


def test_the_store_itself_refuses_to_change_what_was_declared(engine, store):
    store.work.declare(V, T0 + HOUR, "one", 0, T0, KL)
    for change in ("UPDATE work_event SET why = 'another'", "DELETE FROM work_event"):
        with pytest.raises(DBAPIError, match="never changed"), writing(engine) as connection:
            connection.execute(text(change))
    assert [event.why for event in store.work.work_events()] == ["one"]


def test_it_opens_by_itself(tmp_path):
    log = open_work(tmp_path / "records.db")
    assert log.work_events() == []
    log.close()


@pytest.mark.parametrize(
    ("until_ns", "why", "words"),
    [
        (T0 + SHORTEST_NS - 1, "x", "until: must lie ahead"),
        (T0 - HOUR, "x", "until: must lie ahead"),
        (T0 + LONGEST_NS + 1, "x", "at most 7 days"),
        (T0 + HOUR, " ", "why: missing"),
        (T0 + HOUR, "x" * 201, "has 201 characters, at most 200"),
    ],
)
def test_what_is_refused_says_why(until_ns, why, words):
    with pytest.raises(WorkRefused, match=words):
        check_declaration(T0, until_ns, why)


@pytest.mark.parametrize("until_ns", [T0 + SHORTEST_NS, T0 + LONGEST_NS])
def test_what_is_just_within_its_limits_is_taken(until_ns):
    check_declaration(T0, until_ns, "x" * 200)


def test_a_fold_of_two_valves_in_any_order():
    def event(number, valve, kind, at, until):
        return WorkEvent(number, valve, kind, at, until, f"why {number}", "kl")

    log = [
        event(1, "a", WorkKind.DECLARED, 0, 10),
        event(2, "b", WorkKind.DECLARED, 1, 11),
        event(3, "a", WorkKind.ENDED, 4, 10),
        event(4, "a", WorkKind.ENDED, 5, 10),  # nothing stands any more
        event(5, "b", WorkKind.ENDED, 20, 11),  # after it had expired
    ]
    found = [(work.valve, work.from_ns, work.until_ns) for work in fold_work(reversed(log))]
    assert found == [("a", 0, 4), ("b", 1, 11)]
    assert standing(log, 3).keys() == {"a", "b"}
    assert standing(log, 4).keys() == {"b"}


def test_where_nothing_is_declared_there_is_none():
    none = NoWork()
    assert (none.work_events(), none.work_standing(0), none.work_of(V, 0, 1)) == ([], {}, [])
