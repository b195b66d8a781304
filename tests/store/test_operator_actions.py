"""What people change: with its line of the audit trail, or not at all."""

from __future__ import annotations

from dataclasses import replace

import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.access import AccessStore
from asleft.store.actor import Actor
from asleft.store.operator_actions import Contact
from asleft.store.outbox import FIRST_RETRY_S, Notice, Standing
from asleft.store.protocols import AlarmEventConflict
from asleft.store.records import SqlRecords

KL = Actor("kl", "10.0.0.7")


def event(seq=1, kind=EventKind.RAISED, who="judge", comment=""):
    return AlarmEvent("v/x/9", seq, kind, seq * 10, who, comment, "v", "ramp-up-changed", 2, "coil", "Slow.", 9)


def test_an_act_and_its_line_of_the_trail_come_together(engine):
    store, records = AccessStore(engine), SqlRecords(engine)
    records.append_alarm_events([event()])
    store.operator_actions.alarms([event(2, EventKind.ACKNOWLEDGED, "kl", "on my way")], KL)
    assert [one.event for one in records.alarm_events("v")] == [EventKind.RAISED, EventKind.ACKNOWLEDGED]
    (line,) = store.audit.newest(10)
    assert (line.who, line.address, line.action, line.subject, line.details) == (
        "kl",
        "10.0.0.7",
        "alarm acknowledged",
        "v/x/9",
        "on my way",
    )


def test_who_was_slower_changes_nothing(engine):
    store, records = AccessStore(engine), SqlRecords(engine)
    records.append_alarm_events([event(), event(2, EventKind.ACKNOWLEDGED, "rs")])
    with pytest.raises(AlarmEventConflict):
        store.operator_actions.alarms([event(2, EventKind.SHELVED, "kl", "later")], KL)
    assert len(records.alarm_events("v")) == 2
    assert store.audit.newest(10) == []


def test_an_act_on_several_alarms_is_done_with_all_or_with_none(engine):
    store, records = AccessStore(engine), SqlRecords(engine)
    other = replace(event(), alarm="w/x/9", valve="w")
    records.append_alarm_events([event(), other, replace(other, seq=2, event=EventKind.ACKNOWLEDGED, who="rs")])
    both = [event(2, EventKind.SHELVED, "kl", "later"), replace(other, seq=2, event=EventKind.SHELVED, who="kl")]
    with pytest.raises(AlarmEventConflict):
        store.operator_actions.alarms(both, KL)
    assert len(records.alarm_events("v")) == 1
    assert store.audit.newest(10) == []
    store.operator_actions.alarms([both[0], replace(both[1], seq=3)], KL)
    assert [line.subject for line in store.audit.newest(10)] == ["w/x/9", "v/x/9"]


def test_the_newest_contact_counts_and_a_valves_own_before_that_for_all(engine):
    desk = AccessStore(engine).operator_actions
    assert desk.contact("v", "coil") is None
    desk.put_contact(Contact("", "coil", "4711", "workshop", "kl", 1), KL)
    assert desk.contact("v", "coil") == Contact("", "coil", "4711", "workshop", "kl", 1)
    desk.put_contact(Contact("v", "coil", "4712", "hydraulics", "kl", 2), KL)
    desk.put_contact(Contact("", "coil", "4713", "workshop", "kl", 3), KL)
    assert desk.contact("v", "coil").spare == "4712"
    assert desk.contact("w", "coil").spare == "4713"
    assert desk.contact("v", "valve") is None


def test_a_message_is_made_once_kept_until_sent_and_tried_again_later(engine):
    outbox = AccessStore(engine).outbox
    first = Notice("a|v/x/9", 10, "a", "Subject", "Body")
    outbox.make(first, ["a|w/x/9"])
    outbox.make(Notice("a|v/x/9", 20, "a", "Another", "Body"), [])
    assert outbox.told(0) == {"a|v/x/9", "a|w/x/9"}
    assert outbox.told(11) == set()
    assert outbox.waiting(0) == [first]
    outbox.failed(first, 100, "it was not taken")
    later_ns = 100 + round(FIRST_RETRY_S * 1e9)
    assert outbox.waiting(later_ns - 1) == []
    (again,) = outbox.waiting(later_ns)
    assert (again.tries, again.error, again.subject) == (1, "it was not taken", "Subject")
    outbox.sent(first.key, later_ns)
    assert outbox.waiting(10**18) == []
    assert first.key in outbox.told(0)


T0, S = 1_795_532_527 * 10**9, 10**9


def message(key: str, made_ns: int) -> Notice:
    return Notice(key, made_ns, "anna", f"about {key}", "text", next_ns=made_ns)


def test_it_is_told_what_waits_and_what_was_tried_in_vain(engine):
    box = AccessStore(engine).outbox
    assert box.standing() == Standing(0, 0, None, None, None, "")
    for number, key in enumerate("abc"):
        box.make(message(key, T0 + number * S), also=[f"also {key}"])
    assert box.standing() == Standing(3, 0, T0, None, None, "")  # what only notes another is no message
    box.sent("a", T0 + 10 * S)
    assert box.standing() == Standing(2, 0, T0 + S, None, T0 + 10 * S, "")
    box.failed(message("b", T0 + S), T0 + 20 * S, "refused")
    assert box.standing() == Standing(2, 1, T0 + S, T0 + 35 * S, T0 + 10 * S, "refused")
    box.failed(message("c", T0 + 2 * S), T0 + 25 * S, "no answer")
    assert box.standing() == Standing(2, 2, T0 + S, T0 + 35 * S, T0 + 10 * S, "no answer")
