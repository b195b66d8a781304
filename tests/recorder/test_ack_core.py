from __future__ import annotations

from itertools import pairwise

from asleft.recorder.ack_core import COALESCE_S, STALLED_S, AckCore
from asleft.store.protocols import StreamMark
from asleft.wire.block import Ack, AgentState
from hypothesis import given
from hypothesis import strategies as st


def mark(number, stream="s", agent="a", last_at_ns=0):
    return StreamMark(agent, stream, number, 0, 0, last_at_ns)


def test_a_connection_begins_with_every_mark_as_fresh_the_newest_stream_last():
    core = AckCore([mark(9, "new", last_at_ns=20), mark(4, "old", last_at_ns=10)])
    assert core.due(0.0) == []
    assert core.connected(0.0) == [Ack("a", "old", 4, True), Ack("a", "new", 9, True)]
    assert core.due(1.0) == []
    core.disconnected()
    assert core.connected(5.0) == [Ack("a", "old", 4, True), Ack("a", "new", 9, True)]


def test_any_block_is_answered_even_one_that_moves_nothing():
    core = AckCore([mark(9)])
    core.connected(0.0)
    core.stored([mark(9)], {("a", "s"): 3}, 1.0)
    assert core.due(1.0) == [Ack("a", "s", 9, False)]
    assert core.due(1.0) == []


def test_answers_are_coalesced():
    core = AckCore([mark(0)])
    core.connected(0.0)
    said = []
    for k in range(100):
        now_s = 1.0 + k * 0.004
        core.stored([mark(k + 1)], {("a", "s"): k + 1}, now_s)
        said += core.due(now_s)
    assert (len(said) - 1) * COALESCE_S < 1.0 + 99 * 0.004 - 1.0
    assert len(said) == 8
    wait_s = core.next_due_s(1.4)
    assert 0 < wait_s < COALESCE_S
    assert core.due(1.4 + wait_s) == [Ack("a", "s", 100, False)]
    assert core.next_due_s(2.0) is None


def test_the_first_word_about_a_stream_on_a_connection_is_fresh():
    """A recorder restored from before the stream began never announced it; the agent must be able to go back."""
    core = AckCore([])
    core.connected(0.0)
    core.stored([mark(0)], {("a", "s"): 501}, 1.0)
    assert core.due(1.0) == [Ack("a", "s", 0, True)]
    core.stored([mark(0)], {("a", "s"): 502}, 1.1)
    assert core.due(1.1) == [Ack("a", "s", 0, False)]


def test_a_mark_that_stands_still_below_arriving_blocks_is_said_again_as_fresh():
    core = AckCore([mark(300)])
    core.connected(0.0)
    fresh_at = []
    for k in range(100):
        now_s = 1.0 + 0.1 * k
        core.stored([mark(300)], {("a", "s"): 600 + k}, now_s)
        fresh_at += [now_s for ack in core.due(now_s) if ack.fresh]
    assert len(fresh_at) in (4, 5)
    assert all(after - before >= STALLED_S - 1e-9 for before, after in pairwise(fresh_at))
    core.stored([mark(301)], {("a", "s"): 700}, 20.0)
    assert [ack.fresh for ack in core.due(20.0)] == [False]


def test_redeliveries_below_the_mark_are_no_standstill():
    core = AckCore([mark(300)])
    core.connected(0.0)
    for k in range(100):
        core.stored([mark(300)], {("a", "s"): 250}, 1.0 + 0.1 * k)
        assert not any(ack.fresh for ack in core.due(1.0 + 0.1 * k))


def test_only_messages_of_the_present_connection_may_be_acknowledged():
    core = AckCore([])
    assert not core.may_acknowledge(core.generation)
    core.connected(0.0)
    first = core.generation
    assert core.may_acknowledge(first)
    core.disconnected()
    assert not core.may_acknowledge(first)
    assert not core.may_acknowledge(core.generation)
    core.connected(1.0)
    assert not core.may_acknowledge(first)
    assert core.may_acknowledge(core.generation)


def test_without_a_connection_nothing_is_said_and_what_was_due_is_said_fresh_later():
    core = AckCore([])
    core.stored([mark(3)], {("a", "s"): 3}, 0.0)
    assert core.due(1.0) == []
    assert core.next_due_s(1.0) is None
    assert core.connected(2.0) == [Ack("a", "s", 3, True)]


KINDS = ["up", "down", "block", "again", "due"]


@given(
    events=st.lists(
        st.tuples(
            st.sampled_from(["up", "down", "block", "again", "due"]), st.sampled_from("xyz"), st.floats(0, 0.2)
        ),
        max_size=60,
    )
)
def test_rules_hold_whatever_happens(events):
    core = AckCore([])
    marks: dict[str, int] = {}
    unanswered: dict[str, float] = {}
    said_s: dict[str, float] = {}
    announced: set[str] = set()
    up, now_s = False, 0.0
    for kind, stream, passed_s in events:
        now_s += passed_s
        acks = []
        if kind == "up":
            acks, up, announced = core.connected(now_s), True, set()
            assert {ack.stream for ack in acks} == set(marks)
        elif kind == "down":
            core.disconnected()
            up = False
        elif kind in ("block", "again"):
            marks[stream] = marks.get(stream, 0) + (kind == "block")
            core.stored([mark(marks[stream], stream)], {("a", stream): marks[stream]}, now_s)
            unanswered.setdefault(stream, now_s)
        else:
            acks = core.due(now_s)
            for ack in acks:
                assert now_s - said_s.get(ack.stream, -1.0) >= COALESCE_S
            if up:
                for waiting in unanswered:
                    recently = now_s - said_s.get(waiting, -1.0) < COALESCE_S
                    assert recently or waiting in {ack.stream for ack in acks}
        for ack in acks:
            assert up
            assert ack.mark == marks[ack.stream]
            assert ack.fresh == (ack.stream not in announced)
            announced.add(ack.stream)
            said_s[ack.stream] = now_s
            unanswered.pop(ack.stream, None)


def test_an_agent_that_believes_in_too_high_a_mark_is_told_the_true_one_as_fresh():
    core = AckCore([mark(20)])
    core.connected(0.0)
    core.heard(AgentState("a", True, "s", 60, 20, 1))
    assert core.due(1.0) == []
    core.heard(AgentState("a", True, "s", 60, 50, 1))
    assert core.due(1.0) == [Ack("a", "s", 20, True)]
    core.heard(AgentState("a", True, "unheard of", 9, 7, 1))
    assert core.due(2.0) == [Ack("a", "unheard of", 0, True)]
