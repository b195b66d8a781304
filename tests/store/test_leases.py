"""Leases of agents, on every records store: one owner at a time, and no commit under a hold that has gone."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import asleft.store.engine as store_engine
import pytest
from asleft.recorder.judging import AWAY
from asleft.store.engine import make_engine, reading, writing
from asleft.store.lease_types import Hold, LeaseLost, Leases, NameTaken
from asleft.store.leases import check_holds, open_leases
from asleft.store.protocols import ClockChange, JudgeStep
from asleft.store.records import open_records
from asleft.store.tables import agent_lease, sample_lap
from sqlalchemy import select

LONG_S, SHORT_S = 3600.0, 0.1
NEARLY_LONG_S = LONG_S - 600.0  # what is left of it on a machine that is slow


@pytest.fixture
def leases(where) -> Iterator[Leases]:
    opened = open_leases(where)
    yield opened
    opened.close()


@pytest.fixture
def engine(where, leases):  # noqa: ARG001 - the tables are made by then
    made = make_engine(where)
    yield made
    made.dispose()


def look(leases, recorder, hold_s=LONG_S, holds=(), agents=(), instance=None):
    return leases.look(recorder, instance or f"folder of {recorder}", hold_s, holds, agents)


def lease(leases, agent, recorder="looker"):
    return next(one for one in look(leases, recorder).leases if one.agent == agent)


def test_members_are_those_who_said_so_lately_and_agents_are_nobodys_at_first(leases):
    look(leases, "a", agents=["edge-1", "edge-2"])
    look(leases, "b", agents=["edge-2"])
    survey = look(leases, "a")
    assert survey.members == {"a", "b"}
    assert [(one.agent, one.owner, one.epoch) for one in survey.leases] == [("edge-1", "", 0), ("edge-2", "", 0)]
    assert all(one.left_s <= 0 for one in survey.leases)
    look(leases, "b", SHORT_S)
    time.sleep(SHORT_S)
    assert look(leases, "a").members == {"a"}


def test_an_agent_is_taken_by_one_and_by_another_only_once_the_lease_has_run_out(leases):
    look(leases, "a", agents=["edge-1"])
    free = lease(leases, "edge-1")
    assert leases.take("a", free, LONG_S) == Hold("edge-1", "a", 1)
    assert leases.take("b", free, LONG_S) is None
    held = lease(leases, "edge-1")
    assert (held.owner, held.epoch) == ("a", 1)
    assert NEARLY_LONG_S < held.left_s <= LONG_S
    assert leases.take("b", held, LONG_S) is None
    leases.take("a", held, SHORT_S)
    time.sleep(SHORT_S)
    ran_out = lease(leases, "edge-1")
    assert ran_out.left_s <= 0
    assert leases.take("b", held, LONG_S) is None  # what it saw is no longer so
    assert leases.take("b", ran_out, LONG_S) == Hold("edge-1", "b", 3)
    assert lease(leases, "edge-1").left_s > NEARLY_LONG_S


def test_a_look_renews_what_is_held_and_nothing_else(leases):
    look(leases, "a", agents=["edge-1", "edge-2", "edge-3"])
    one = leases.take("a", lease(leases, "edge-1"), SHORT_S)
    leases.take("a", lease(leases, "edge-2"), SHORT_S)
    leases.take("b", lease(leases, "edge-3"), SHORT_S)
    survey = look(leases, "a", holds=[one, Hold("edge-2", "a", 7), Hold("edge-3", "a", 1)])
    assert [agent.left_s > NEARLY_LONG_S for agent in survey.leases] == [True, False, False]


def test_our_own_lease_is_taken_again_with_another_epoch(leases):
    look(leases, "a", agents=["edge-1"])
    first = leases.take("a", lease(leases, "edge-1"), LONG_S)
    again = leases.take("a", lease(leases, "edge-1"), LONG_S)
    assert (first.epoch, again.epoch) == (1, 2)


def test_what_is_given_up_is_nobodys_unless_somebody_has_it_by_now(leases):
    look(leases, "a", agents=["edge-1", "edge-2"])
    one = leases.take("a", lease(leases, "edge-1"), LONG_S)
    two = leases.take("a", lease(leases, "edge-2"), SHORT_S)
    time.sleep(SHORT_S)
    leases.take("b", lease(leases, "edge-2"), LONG_S)
    leases.give_up([two, one])
    assert [(lease.owner, lease.epoch) for lease in look(leases, "c").leases] == [("", 1), ("b", 2)]


def test_who_leaves_is_no_member_and_owns_nothing(leases):
    look(leases, "a", agents=["edge-1"])
    held = leases.take("a", lease(leases, "edge-1"), LONG_S)
    leases.leave("a", "some other folder", [])
    assert "a" in look(leases, "b").members
    leases.leave("a", "folder of a", [held])
    survey = look(leases, "b")
    assert "a" not in survey.members
    assert survey.leases[0].owner == ""


def test_a_second_recorder_of_one_name_is_refused_while_the_first_is_alive(leases):
    look(leases, "a", agents=["edge-1"])
    with pytest.raises(NameTaken, match="'a'"):
        look(leases, "a", LONG_S, agents=["edge-2"], instance="another folder")
    assert [one.agent for one in look(leases, "a", SHORT_S).leases] == ["edge-1"]
    time.sleep(SHORT_S)
    look(leases, "a", LONG_S, instance="another folder")
    with pytest.raises(NameTaken):
        look(leases, "a")


def test_a_transaction_under_a_hold_that_has_gone_is_refused(leases, engine):
    look(leases, "a", agents=["edge-1", "edge-2"])
    one = leases.take("a", lease(leases, "edge-1"), SHORT_S)
    two = leases.take("a", lease(leases, "edge-2"), LONG_S)
    with writing(engine) as connection:
        check_holds(connection, [two, one])
    time.sleep(SHORT_S)
    with writing(engine) as connection:
        check_holds(connection, [one])  # it has run out, but nobody has taken it
    leases.take("b", lease(leases, "edge-1"), LONG_S)
    for lost in (one, Hold("edge-2", "b", 1), Hold("edge-2", "a", 2), Hold("edge-9", "a", 1)):
        with pytest.raises(LeaseLost) as refused, writing(engine) as connection:
            check_holds(connection, [two, lost] if lost.agent != "edge-2" else [lost])
        assert refused.value.agents == {lost.agent}


def test_nobody_takes_an_agent_while_its_owner_is_committing(leases, engine):
    look(leases, "a", agents=["edge-1"])
    held = leases.take("a", lease(leases, "edge-1"), SHORT_S)
    time.sleep(SHORT_S)
    ran_out = lease(leases, "edge-1")
    taken = []
    taker = threading.Thread(target=lambda: taken.append(leases.take("b", ran_out, LONG_S)))
    with writing(engine) as connection:
        check_holds(connection, [held])
        taker.start()
        time.sleep(0.5)
        assert taken == []
    taker.join()
    assert taken == [Hold("edge-1", "b", 2)]


def test_of_many_who_take_at_once_one_succeeds(where):
    stores = [open_leases(where) for _ in range(6)]
    for number in range(5):
        agent = f"edge-{number}"
        look(stores[0], "a", agents=[agent])
        free = lease(stores[0], agent)
        got: list[Hold | None] = []
        gate = threading.Barrier(len(stores))

        def take(at, free=free, got=got, gate=gate):
            gate.wait()
            got.append(stores[at].take(f"recorder-{at}", free, LONG_S))

        threads = [threading.Thread(target=take, args=(at,)) for at in range(len(stores))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(got) == len(stores)
        assert sum(one is not None for one in got) == 1
    for store in stores:
        store.close()


def test_a_valve_is_judged_by_the_owner_of_the_agent_that_sent_last(leases, engine):
    look(leases, "a", agents=["edge-1", "edge-2"])
    one = leases.take("a", lease(leases, "edge-1"), LONG_S)
    two = leases.take("b", lease(leases, "edge-2"), LONG_S)
    laps = [("platen", "edge-1", 0, 500), ("platen", "edge-2", 0, 900), ("platen", "edge-1", 1, 700),
            ("ejector", "edge-1", 0, 10)]  # fmt: skip
    with writing(engine) as connection:
        for valve, agent, lap, to_ns in laps:
            row = {"valve": valve, "agent": agent, "stream": "s", "lap": lap, "last_seq": 1, "to_ns": to_ns}
            connection.execute(sample_lap.insert(), row | {"longest_ns": 1})
    assert leases.valves_of("a") == {"ejector": one}
    assert leases.valves_of("b") == {"platen": two}
    leases.take("b", lease(leases, "edge-2"), SHORT_S)
    time.sleep(SHORT_S)
    assert leases.valves_of("b") == {}
    assert leases.valves_of("nobody") == {}
    with reading(engine) as connection:
        assert connection.execute(select(agent_lease.c.agent)).all() == [("edge-1",), ("edge-2",)]


@pytest.fixture
def records(where):
    opened = open_records(where)
    yield opened
    opened.close()


def test_judging_and_clocks_are_put_on_record_only_under_a_hold_that_stands(leases, records):
    look(leases, "a", agents=["edge-1"])
    held = leases.take("a", lease(leases, "edge-1"), LONG_S)
    step = JudgeStep("platen", {"s": 5}, 1, 1, 500, "state", {"sentence": "As left."})
    records.commit_step(step, held)
    records.put_clock_changes([ClockChange("edge-1", "s", 1, 10, "late", 1)], [held])
    leases.give_up([held])
    leases.take("b", lease(leases, "edge-1"), LONG_S)
    with pytest.raises(LeaseLost):
        records.commit_step(replace(step, cursor={"s": 9}), held)
    with pytest.raises(LeaseLost):
        records.reset_judging("platen", None, held)
    with pytest.raises(LeaseLost):
        records.put_clock_changes([ClockChange("edge-1", "s", 2, 20, "late", 1)], [held])
    assert records.judge_cursor("platen").cursor == {"s": 5}
    assert [change.first_seq for change in records.clock_changes()] == [1]


def test_a_recorder_that_freezes_in_the_middle_of_a_commit_does_not_keep_its_agents(engine, leases, monkeypatch):
    """Its rows stay locked until its database session ends, and a frozen process does not end it."""
    if engine.dialect.name != "postgresql":
        pytest.skip("one machine: who shares a file with a frozen process waits for it, and says so")
    monkeypatch.setattr(store_engine, "FROZEN_AFTER_S", 1.0)
    look(leases, "a", agents=["edge-1"])
    hold = leases.take("a", lease(leases, "edge-1"), SHORT_S)

    def commit_of_the_frozen_one():
        with writing(engine) as connection:
            check_holds(connection, [hold])
            time.sleep(SHORT_S)
            ran_out = lease(leases, "edge-1")
            taken.append(leases.take("b", ran_out, LONG_S))  # for ever, were it not for the server's own clock
            connection.execute(select(1))

    taken: list[Hold | None] = []
    with pytest.raises(AWAY):
        commit_of_the_frozen_one()
    assert taken == [Hold("edge-1", "b", 2)]
