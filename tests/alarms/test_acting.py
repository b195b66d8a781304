"""What people may do with an alarm: each act leaves one event, and none that says nothing or hides for ever."""

from __future__ import annotations

import pytest
from asleft.alarms.acting import LONGEST_COMMENT, LONGEST_SHELVED_S, Refused, act
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import AlarmState, AlarmView, fold
from hypothesis import given
from hypothesis import strategies as st

E = EventKind
S = 10**9
RAISED = AlarmEvent(
    "v/ramp-up-changed/9", 1, E.RAISED, 10 * S, "judge", "", "v", "ramp-up-changed", 2, "driver-setting", "Slow.", 9
)
PEOPLES = [E.ACKNOWLEDGED, E.SHELVED, E.UNSHELVED, E.OUT_OF_SERVICE, E.IN_SERVICE, E.FOUND]


def view(*events: AlarmEvent, now_s: int = 20) -> AlarmView:
    return fold([RAISED, *events], now_s * S)


def done(kind: EventKind, *before: AlarmEvent, at_s: int = 20, **more) -> AlarmEvent:
    given_ = {"comment": "because", "until_ns": (at_s + 3600) * S, "found": "coil", **more}
    return act(view(*before, now_s=at_s), kind, "kl", at_s * S, **given_)


def test_an_act_follows_the_last_event_and_says_who() -> None:
    event = done(E.ACKNOWLEDGED)
    assert (event.alarm, event.seq, event.who, event.at_ns, event.part) == (
        RAISED.alarm,
        2,
        "kl",
        20 * S,
        RAISED.part,
    )
    assert view(event).state is AlarmState.ACKNOWLEDGED
    assert view(event).acknowledged_by == "kl"


def test_a_clock_put_back_leaves_the_order_of_events() -> None:
    assert done(E.ACKNOWLEDGED, at_s=3).at_ns == RAISED.at_ns


def test_what_would_say_nothing_is_refused_in_words() -> None:
    acknowledged = done(E.ACKNOWLEDGED)
    with pytest.raises(Refused, match="acknowledged already, by kl"):
        done(E.ACKNOWLEDGED, acknowledged)
    with pytest.raises(Refused, match="not shelved"):
        done(E.UNSHELVED)
    with pytest.raises(Refused, match="in service already"):
        done(E.IN_SERVICE)
    out = done(E.OUT_OF_SERVICE)
    for kind, words in ((E.OUT_OF_SERVICE, "out of service already"), (E.SHELVED, "sets it aside already")):
        with pytest.raises(Refused, match=words):
            done(kind, out)


@pytest.mark.parametrize("kind", [E.RAISED, E.RETURNED, E.SUPPRESSED, E.UNSUPPRESSED])
def test_what_is_measured_is_not_for_people_to_say(kind) -> None:
    with pytest.raises(Refused, match="for the measurement"):
        done(kind)


def test_a_shelf_has_a_reason_and_an_end_and_is_no_grave() -> None:
    for more, words in (
        ({"comment": " \n "}, "say why"),
        ({"until_ns": None}, "until when"),
        ({"until_ns": 20 * S}, "over already"),
        ({"until_ns": round((20 + LONGEST_SHELVED_S + 1) * S)}, "at most 14 days"),
    ):
        with pytest.raises(Refused, match=words):
            done(E.SHELVED, **more)
    shelved = done(E.SHELVED, until_ns=30 * S)
    assert view(shelved, now_s=29).state is AlarmState.SHELVED
    assert view(shelved, now_s=30).state is AlarmState.UNACKNOWLEDGED


def test_a_comment_is_one_line_of_bounded_length() -> None:
    assert done(E.ACKNOWLEDGED, comment="  looked \n at it ").comment == "looked at it"
    with pytest.raises(Refused, match=f"at most {LONGEST_COMMENT}"):
        done(E.ACKNOWLEDGED, comment="x" * (LONGEST_COMMENT + 1))


def test_closing_says_what_it_was_and_acknowledges() -> None:
    with pytest.raises(Refused, match="what it was"):
        done(E.FOUND, found="")
    closed = view(done(E.FOUND))
    assert (closed.found, closed.found_by, closed.acknowledged_by) == ("coil", "kl", "kl")
    assert closed.state is AlarmState.ACKNOWLEDGED  # the condition is still there
    assert closed.part == "driver-setting"  # what was thought stays beside what was found


@given(st.lists(st.tuples(st.sampled_from([*PEOPLES, E.RETURNED]), st.integers(0, 50)), max_size=12))
def test_whatever_is_done_the_log_stays_one_that_can_be_folded(acts) -> None:
    """Against a plain model of three facts: there, acknowledged, set aside."""
    log, at_s = [RAISED], 20
    there, seen, aside, shelved_until = True, False, False, 0
    for kind, later_s in acts:
        at_s += later_s
        now = fold(log, at_s * S)
        shelved = at_s < shelved_until
        if kind is E.RETURNED:
            if there:
                log.append(
                    AlarmEvent(
                        RAISED.alarm, len(log) + 1, kind, at_s * S, "judge", "", "v", RAISED.kind, 2, "", "", 9
                    )
                )
                there = False
            continue
        try:
            log.append(act(now, kind, "kl", at_s * S, comment="x", until_ns=(at_s + 60) * S, found="coil"))
        except Refused:
            possible = {
                E.ACKNOWLEDGED: not seen, E.SHELVED: not aside, E.UNSHELVED: shelved, E.OUT_OF_SERVICE: not aside,
                E.IN_SERVICE: aside, E.FOUND: True,
            }  # fmt: skip
            assert not possible[kind]
            continue
        seen |= kind in (E.ACKNOWLEDGED, E.FOUND)
        aside = {E.OUT_OF_SERVICE: True, E.IN_SERVICE: False, E.FOUND: False}.get(kind, aside)
        shelved_until = {E.SHELVED: at_s + 60, E.UNSHELVED: 0, E.FOUND: 0}.get(kind, shelved_until)
    found = fold(log, at_s * S)
    assert (found.active, found.acknowledged) == (there, seen)
    expected = (
        AlarmState.OUT_OF_SERVICE if aside
        else AlarmState.SHELVED if at_s < shelved_until
        else {
            (True, False): AlarmState.UNACKNOWLEDGED, (True, True): AlarmState.ACKNOWLEDGED,
            (False, True): AlarmState.NORMAL, (False, False): AlarmState.RETURNED_UNACKNOWLEDGED,
        }[there, seen]
    )  # fmt: skip
    assert found.state is expected
    assert [event.seq for event in log] == list(range(1, len(log) + 1))
