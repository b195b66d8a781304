"""What the outbox does for web hooks: queued in order, apart from what people are sent, bounded."""

from __future__ import annotations

import pytest
from asleft.store.access import open_access
from asleft.store.outbox import HOOK, Notice

TO = f"{HOOK}maintenance"


@pytest.fixture
def outbox(where):
    opened = open_access(where)
    yield opened.outbox
    opened.close()


def notice(k: int, to: str = TO) -> Notice:
    return Notice(f"{to}|{k}", k, to, "alarm-raised", f"body {k}")


def test_messages_and_state_are_written_together_and_once(outbox):
    assert outbox.state(TO) is None
    outbox.advance(TO, "1", [notice(2), notice(1)])
    outbox.advance(TO, "2", [notice(1), notice(3)])
    assert outbox.state(TO) == "2"
    assert [one.body for one in outbox.queue(TO, 10)] == ["body 1", "body 2", "body 3"]
    assert [one.made_ns for one in outbox.queue(TO, 2)] == [1, 2]


def test_people_and_programs_are_kept_apart(outbox):
    outbox.make(notice(1, "on call"), [])
    outbox.advance(TO, "", [notice(2)])
    assert [one.to_name for one in outbox.waiting(10**18)] == ["on call"]
    assert [one.to_name for one in outbox.queue(TO, 10)] == [TO]


def test_one_that_failed_stays_in_its_place(outbox):
    outbox.advance(TO, "", [notice(1), notice(2)])
    outbox.failed(outbox.queue(TO, 1)[0], 100, "answered 500")
    assert [(one.made_ns, one.tries) for one in outbox.queue(TO, 10)] == [(1, 1), (2, 0)]
    outbox.sent(outbox.queue(TO, 1)[0].key, 200)
    assert [one.made_ns for one in outbox.queue(TO, 10)] == [2]


def test_the_oldest_are_given_up_by_age_and_by_number(outbox):
    outbox.advance(TO, "", [notice(k) for k in range(1, 11)])
    outbox.make(notice(1, "on call"), [])
    assert outbox.give_up(TO, 100, 0, 10) == 0
    assert outbox.give_up(TO, 100, 4, 100) == 3
    assert outbox.give_up(TO, 100, 0, 5) == 2
    assert [one.made_ns for one in outbox.queue(TO, 20)] == [6, 7, 8, 9, 10]
    assert outbox.standing().last_sent_ns is None  # none of them was sent
    assert len(outbox.waiting(10**18)) == 1
