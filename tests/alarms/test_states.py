from __future__ import annotations

from dataclasses import replace

import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import EFFECTS, STATES, STATES_ASIDE, AlarmState, Aside, fold, fold_all
from hypothesis import given
from hypothesis import strategies as st

E = EventKind


def log(*kinds, alarm="v/ramp-up-changed/9", who="ab", until_ns=None):
    events = []
    for seq, kind in enumerate(kinds, start=1):
        events.append(
            AlarmEvent(alarm, seq, kind, seq * 10, who, "", "v", "ramp-up-changed", 2, "driver-setting", "Slow.", 9)
        )
        if kind is E.SHELVED:
            events[-1] = replace(events[-1], until_ns=until_ns)
    return events


def state(*kinds, now_ns=10**6, until_ns=None):
    return fold(log(*kinds, until_ns=until_ns), now_ns).state


def test_every_event_and_every_state_is_in_the_table():
    assert set(EFFECTS) == set(EventKind)
    assert {*STATES.values(), *STATES_ASIDE.values()} == set(AlarmState)
    assert set(STATES) == {(active, acknowledged) for active in (True, False) for acknowledged in (True, False)}
    assert set(STATES_ASIDE) == set(Aside)


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ([E.RAISED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.ACKNOWLEDGED], AlarmState.ACKNOWLEDGED),
        ([E.RAISED, E.RETURNED], AlarmState.RETURNED_UNACKNOWLEDGED),
        ([E.RAISED, E.ACKNOWLEDGED, E.RETURNED], AlarmState.NORMAL),
        ([E.RAISED, E.RETURNED, E.ACKNOWLEDGED], AlarmState.NORMAL),
        ([E.RAISED, E.ACKNOWLEDGED, E.RETURNED, E.RAISED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.RETURNED, E.RAISED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.SHELVED], AlarmState.SHELVED),
        ([E.RAISED, E.SHELVED, E.UNSHELVED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.ACKNOWLEDGED, E.SHELVED, E.RETURNED], AlarmState.SHELVED),
        ([E.RAISED, E.ACKNOWLEDGED, E.SHELVED, E.RETURNED, E.UNSHELVED], AlarmState.NORMAL),
        ([E.RAISED, E.SUPPRESSED], AlarmState.SUPPRESSED),
        ([E.RAISED, E.SUPPRESSED, E.RETURNED, E.UNSUPPRESSED], AlarmState.RETURNED_UNACKNOWLEDGED),
        ([E.RAISED, E.OUT_OF_SERVICE, E.SHELVED], AlarmState.OUT_OF_SERVICE),
        ([E.RAISED, E.OUT_OF_SERVICE, E.SHELVED, E.IN_SERVICE], AlarmState.SHELVED),
        ([E.RAISED, E.SHELVED, E.SUPPRESSED], AlarmState.SUPPRESSED),
        ([E.RAISED, E.ACKNOWLEDGED, E.ESCALATED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.ESCALATED, E.ACKNOWLEDGED], AlarmState.ACKNOWLEDGED),
        ([E.RAISED, E.SHELVED, E.ESCALATED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.FOUND, E.ESCALATED], AlarmState.UNACKNOWLEDGED),
        ([E.RAISED, E.OUT_OF_SERVICE, E.ESCALATED], AlarmState.OUT_OF_SERVICE),
        ([E.RAISED, E.SHELVED, E.FOUND], AlarmState.ACKNOWLEDGED),
        ([E.RAISED, E.OUT_OF_SERVICE, E.SHELVED, E.FOUND], AlarmState.ACKNOWLEDGED),
        ([E.RAISED, E.SHELVED, E.FOUND, E.RETURNED], AlarmState.NORMAL),
    ],
)
def test_states(kinds, expected):
    assert state(*kinds) is expected


def test_a_shelving_ends_by_itself():
    assert state(E.RAISED, E.SHELVED, until_ns=500, now_ns=499) is AlarmState.SHELVED
    assert state(E.RAISED, E.SHELVED, until_ns=500, now_ns=500) is AlarmState.UNACKNOWLEDGED
    assert fold(log(E.RAISED, E.SHELVED, until_ns=500), 499).shelved_until_ns == 500
    assert fold(log(E.RAISED, E.SHELVED, until_ns=500), 500).shelved_until_ns is None
    assert state(E.RAISED, E.SHELVED, now_ns=10**18) is AlarmState.SHELVED  # without an end it needs a person


def test_what_a_view_says():
    events = log(E.RAISED, E.ACKNOWLEDGED, E.RETURNED)
    view = fold(events, 99)
    assert (view.valve, view.kind, view.part, view.severity) == ("v", "ramp-up-changed", "driver-setting", 2)
    assert (view.raised_ns, view.acknowledged_ns, view.returned_ns, view.onset_ns) == (10, 20, 30, 9)
    assert (view.acknowledged_by, view.last_seq, view.last_ns) == ("ab", 3, 30)
    assert not view.active
    again = replace(log(E.RAISED)[0], seq=4, at_ns=40, evidence="Slower still.", severity=3)
    view = fold([*events, again], 99)
    assert (view.raised_ns, view.returned_ns, view.acknowledged_by) == (40, None, "")
    assert (view.evidence, view.severity) == ("Slower still.", 3)


def test_a_log_that_is_none():
    with pytest.raises(ValueError, match="at least one event"):
        fold([], 0)
    with pytest.raises(ValueError, match="first event is 'returned'"):
        fold(log(E.RETURNED), 0)
    with pytest.raises(ValueError, match="two alarms"):
        fold([*log(E.RAISED), replace(log(E.RAISED, E.RETURNED)[1], alarm="w/1")], 0)


def test_fold_all_sorts_by_the_time_of_raising():
    early, late = log(E.RAISED, E.RETURNED, alarm="z"), log(E.RAISED, alarm="a")
    late = [replace(event, at_ns=500) for event in late]
    views = fold_all([*late, *early], 1000)
    assert [view.alarm for view in views] == ["z", "a"]
    assert [view.active for view in views] == [False, True]
    assert fold_all([], 0) == []


@given(kinds=st.lists(st.sampled_from(EventKind), max_size=12), data=st.data())
def test_the_order_in_which_events_are_read_does_not_matter(kinds, data):
    events = log(E.RAISED, *kinds)
    assert fold(data.draw(st.permutations(events)), 10**6) == fold(events, 10**6)


@given(kinds=st.lists(st.sampled_from(EventKind), max_size=12))
def test_setting_aside_forgets_nothing(kinds):
    """Bringing an alarm back from everywhere shows exactly what it would be had it never been set aside."""
    aside = {E.SHELVED, E.SUPPRESSED, E.OUT_OF_SERVICE, E.UNSHELVED, E.UNSUPPRESSED, E.IN_SERVICE}
    back = [E.UNSHELVED, E.UNSUPPRESSED, E.IN_SERVICE]
    assert state(E.RAISED, *kinds, *back) is state(E.RAISED, *[kind for kind in kinds if kind not in aside])
