from __future__ import annotations

from asleft.alarms.events import EventKind
from asleft.alarms.states import EFFECTS, STATES, STATES_ASIDE, AlarmState
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.statuses import Status, worst

# ISA-18.2 / IEC 62682 (published, read in secondary sources that agree).
ALARM_STATES = {
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned-unacknowledged",
    "shelved",
    "suppressed-by-design",
    "out-of-service",
}
# NAMUR NE 107 (published): four categories, and none of them.
CATEGORIES = {"failure", "function-check", "out-of-specification", "maintenance-required"}


def test_alarm_states_are_those_of_the_standard() -> None:
    assert {state.value for state in AlarmState} == ALARM_STATES
    assert {*STATES.values(), *STATES_ASIDE.values()} == set(AlarmState)
    assert set(EFFECTS) == set(EventKind)


def test_an_alarm_is_where_condition_and_acknowledgement_put_it() -> None:
    """(condition there, acknowledged): closed form of the standard's definitions."""
    assert {key: state.value for key, state in STATES.items()} == {
        (False, True): "normal",
        (True, False): "unacknowledged",
        (True, True): "acknowledged",
        (False, False): "returned-unacknowledged",
    }


def test_status_is_one_of_the_four_categories_or_good() -> None:
    assert {status.value for status in Status} == {*CATEGORIES, "good", "not-judged"}
    assert {fault.status.value for fault in FINDING_KINDS.values()} <= CATEGORIES
    assert worst([]) is Status.GOOD
    assert worst([*Status]) is Status.FAILURE
