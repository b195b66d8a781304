from __future__ import annotations

import pytest
from asleft.alarms.classes import AlarmClass
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.grouping import TOGETHER_NS, Group, Place, SharedBy, group_of, grouped
from asleft.alarms.states import fold
from hypothesis import given
from hypothesis import strategies as st

S = 10**9
HALL = {f"v{k}": Place("hall-1") for k in range(8)}


def alarm(valve="v0", kind="data-missing", at_s=0, *, part="data", severity=1):
    at_ns = 10**18 + at_s * S
    name = f"{valve}/{kind}/{at_ns}"
    event = AlarmEvent(name, 1, EventKind.RAISED, at_ns, "judge", "", valve, kind, severity, part, "It is.", at_ns)
    return fold([event], at_ns)


def told(groups):
    return [(group.shared, group.name, [one.valve for one in group.members]) for group in groups]


def test_readings_that_fail_on_one_agent_are_one_alarm_with_the_valves_under_it():
    views = [alarm(f"v{k}", at_s=60 * k) for k in range(8)]
    (group,) = grouped(views, HALL)
    assert told([group]) == [(SharedBy.AGENT, "hall-1", [f"v{k}" for k in range(8)])]
    assert (group.lead, group.klass) == (views[0], AlarmClass.DIGEST)


def test_one_instrument_is_named_where_all_of_them_are_on_it():
    places = {"v0": Place("hall-1", "plc-1"), "v1": Place("hall-1", "plc-1"), "v2": Place("hall-1", "plc-2")}
    assert told(grouped([alarm("v0"), alarm("v1")], places)) == [
        (SharedBy.INSTRUMENT, "plc-1 of agent hall-1", ["v0", "v1"])
    ]
    assert told(grouped([alarm("v0"), alarm("v1"), alarm("v2")], places))[0][:2] == (SharedBy.AGENT, "hall-1")


def test_another_agent_another_kind_and_another_time_are_other_alarms():
    places = {**HALL, "w": Place("hall-2")}
    later = TOGETHER_NS // S + 1
    views = [alarm("v0"), alarm("v1"), alarm("w"), alarm("v2", "clock-wrong"), alarm("v3", at_s=later)]
    assert [one[2] for one in told(grouped(views, places))] == [["v0", "v1"], ["v2"], ["w"], ["v3"]]


def test_a_supply_is_one_alarm_whatever_it_does_to_each_valve():
    views = [
        alarm("v0", "supply-low", part="supply", severity=2),
        alarm("v1", "current-clipped", 20, part="supply", severity=2),
        alarm("v2", "ramp-up-changed", 20, part="driver-setting", severity=2),
    ]
    assert told(grouped(views, HALL)) == [(SharedBy.SUPPLY, "hall-1", ["v0", "v1"]), (None, "", ["v2"])]


@pytest.mark.parametrize("places", [{}, {"v0": Place(), "v1": Place()}])
def test_without_knowing_the_agent_nothing_is_put_together(places):
    assert told(grouped([alarm("v0"), alarm("v1")], places)) == [(None, "", ["v0"]), (None, "", ["v1"])]


def test_two_alarms_of_one_valve_are_no_group():
    assert told(grouped([alarm("v0"), alarm("v0", at_s=60)], HALL)) == [(None, "", ["v0"]), (None, "", ["v0"])]


def test_the_class_is_the_most_urgent_of_its_members():
    group = Group((alarm("v0"), alarm("v1", severity=2)))
    assert group.klass is AlarmClass.SHIFT
    assert group_of("v9", [group]) is None
    assert group_of(group.members[1].alarm, [group]) is group


@given(
    st.lists(
        st.tuples(
            st.sampled_from([*HALL, "elsewhere"]),
            st.sampled_from(["data-missing", "clock-wrong", "supply-low", "ramp-up-changed"]),
            st.integers(0, 20_000),
        ),
        unique=True,
        max_size=20,
    )
)
def test_every_alarm_is_in_exactly_one_group(rows):
    views = [
        alarm(valve, kind, at_s, part="supply" if kind == "supply-low" else "data") for valve, kind, at_s in rows
    ]
    groups = grouped(views, HALL)
    assert sorted(one.alarm for group in groups for one in group.members) == sorted(view.alarm for view in views)
    assert all(len({one.valve for one in group.members}) > 1 for group in groups if group.shared is not None)
