from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from asleft.alarms.events import EventKind
from asleft.alarms.raising import alarm_events
from asleft.alarms.states import Raised, fold_all
from asleft.catalogue.finding_kinds import DANGER_KINDS
from hypothesis import given
from hypothesis import strategies as st

V = "press-1.platen"
S = 1_000_000_000


@dataclass(frozen=True)
class Found:
    kind: str
    onset_s: float | None = 5.0
    part: str = "driver-setting"
    severity: int = 2
    evidence: str = "Ramp up takes 2.1 s; it was left at 1.6 s."
    consequence_of: str | None = None


class Plant:
    """A valve whose judgements are fed in, and the log that grows from them."""

    def __init__(self):
        self.log = []

    def judged(self, at_s, *findings, state="producing", misread_since_ns=None):
        known = fold_all(self.log, at_s * S)
        events = alarm_events(V, known, findings, state, at_s * S, misread_since_ns=misread_since_ns)
        self.log += events
        return [(event.event.value, event.kind) for event in events]

    @property
    def active(self):
        return {view.kind for view in fold_all(self.log, 10**18) if view.active}


@pytest.fixture
def plant():
    return Plant()


def test_a_finding_raises_one_alarm_and_its_end_returns_it(plant):
    assert plant.judged(10, Found("ramp-up-changed")) == [("raised", "ramp-up-changed")]
    assert plant.judged(20, Found("ramp-up-changed")) == []
    assert plant.judged(30) == [("returned", "ramp-up-changed")]
    assert plant.judged(40) == []
    first, second = plant.log
    assert first.alarm == f"{V}/ramp-up-changed/{5 * S}" == second.alarm
    assert (first.seq, second.seq) == (1, 2)
    assert (first.who, first.part, first.severity, first.onset_ns) == ("judge", "driver-setting", 2, 5 * S)
    assert first.evidence.startswith("Ramp up takes")
    assert (first.at_ns, second.at_ns) == (10 * S, 30 * S)


def test_readings_that_do_not_fit_the_sheet_end_what_they_raised_and_nothing_older(plant):
    plant.judged(10, Found("coil-changed"))
    plant.judged(60, Found("coil-changed"), Found("current-unwanted", onset_s=55.0))
    assert plant.judged(70, misread_since_ns=50 * S) == [("returned", "current-unwanted")]
    assert plant.active == {"coil-changed"}
    assert plant.judged(80) == [("returned", "coil-changed")]


def test_a_finding_that_stays_keeps_its_alarm_whatever_its_text_does(plant):
    plant.judged(10, Found("ramp-up-changed"))
    for at_s in range(20, 60, 10):
        changed = Found("ramp-up-changed", float(at_s), "driver", 2, f"Now {at_s}.")
        assert plant.judged(at_s, changed) == []
    assert len(plant.log) == 1


def test_a_finding_that_gets_worse_is_called_again_in_its_new_class(plant):
    plant.judged(10, Found("pressure-changed", severity=1, part="valve", evidence="Falls 0.4 bar a day."))
    plant.log.append(replace(plant.log[0], seq=2, event=EventKind.ACKNOWLEDGED, at_ns=11 * S, who="kl"))
    worse = Found("pressure-changed", 99.0, "pressure-source", 2, "Pressure is out.")
    assert plant.judged(20, worse) == [("escalated", "pressure-changed")]
    last, (view,) = plant.log[-1], fold_all(plant.log, 10**18)
    assert (last.alarm, last.seq, last.onset_ns, last.who) == (plant.log[0].alarm, 3, 5 * S, "judge")
    assert (last.severity, last.part, last.evidence) == (2, "pressure-source", "Pressure is out.")
    assert (view.acknowledged, view.severity, view.part, view.evidence) == (False, 2, last.part, last.evidence)
    assert view.at_raising == Raised(1, "valve", "Falls 0.4 bar a day.")
    assert plant.judged(30, worse) == []
    assert plant.judged(40, replace(worse, severity=3)) == [("escalated", "pressure-changed")]
    assert fold_all(plant.log, 10**18)[0].at_raising == Raised(1, "valve", "Falls 0.4 bar a day.")


def test_a_class_that_falls_silences_nothing_and_calls_nobody_when_it_comes_back(plant):
    plant.judged(10, Found("ramp-up-changed", severity=2))
    for at_s, severity in ((20, 1), (30, 2), (40, 1)):
        assert plant.judged(at_s, Found("ramp-up-changed", severity=severity)) == []
    (view,) = fold_all(plant.log, 10**18)
    assert (view.severity, view.acknowledged) == (2, False)


def test_judging_the_past_again_does_not_escalate_again(plant):
    plant.judged(10, Found("ramp-up-changed", severity=1))
    plant.judged(20, Found("ramp-up-changed", severity=2))
    for at_s in (12, 20):
        assert plant.judged(at_s, Found("supply-low")) == []


def test_a_machine_that_stands_escalates_nothing_until_it_produces(plant):
    plant.judged(10, Found("ramp-up-changed", severity=1))
    assert plant.judged(20, Found("ramp-up-changed", severity=2), state="stopped") == []
    assert plant.judged(30, Found("ramp-up-changed", severity=2)) == [("escalated", "ramp-up-changed")]


def test_a_cause_is_as_urgent_as_what_follows_from_it(plant):
    cause = Found("response-changed", severity=1)
    assert plant.judged(10, cause) == [("raised", "response-changed")]
    worse = Found("ramp-up-changed", severity=2, consequence_of="response-changed")
    assert plant.judged(20, cause, worse) == [("escalated", "response-changed")]
    assert plant.log[-1].evidence == cause.evidence


def test_what_follows_from_a_bad_reading_lifts_nothing(plant):
    unasked = Found("pressure-unwanted", severity=3, consequence_of="reading-pinned")
    assert plant.judged(10, Found("reading-pinned"), unasked) == [("raised", "reading-pinned")]
    assert plant.log[-1].severity == 2
    assert plant.judged(20, state="stopped") == []


def test_danger_under_a_cause_is_heard_while_the_machine_stands(plant):
    cause, danger = (
        Found("current-full-changed"),
        Found("pressure-unwanted", severity=3, consequence_of="current-full-changed"),
    )
    assert plant.judged(10, cause, state="stopped") == []
    assert plant.judged(20, cause, danger, state="stopped") == [("raised", "current-full-changed")]
    assert plant.log[-1].severity == 3


def test_gone_says_what_was_measured(plant):
    plant.judged(10, Found("ramp-up-changed"))
    known = fold_all(plant.log, 20 * S)
    (event,) = alarm_events(V, known, [], "producing", 20 * S, measured=lambda view: f"{view.kind}: in.")
    assert (event.event, event.comment) == (EventKind.RETURNED, "ramp-up-changed: in.")


def test_coming_back_is_a_new_alarm_with_a_new_onset(plant):
    for at_s, findings in ((10, [Found("supply-low")]), (20, []), (30, [Found("supply-low")]), (40, [])):
        plant.judged(at_s, *findings)
    plant.judged(50, Found("supply-low", 45.0))
    raised = [event for event in plant.log if event.event is EventKind.RAISED]
    assert [event.onset_ns // S for event in raised] == [5, 30, 45]
    assert len({event.alarm for event in raised}) == 3


def test_one_cause_one_alarm(plant):
    cause, consequence = Found("supply-low"), Found("current-clipped", consequence_of="supply-low")
    assert plant.judged(10, consequence, cause) == [("raised", "supply-low")]
    assert plant.judged(20, cause, replace(consequence, consequence_of=None)) == [("raised", "current-clipped")]


@pytest.mark.parametrize("state", ["stopped", "not-enabled", "set-up", "work-in-progress", "unknown"])
def test_a_machine_that_does_not_produce_raises_and_ends_nothing(plant, state):
    plant.judged(10, Found("ramp-up-changed"))
    assert plant.judged(20, Found("data-missing"), state=state) == []
    assert plant.active == {"ramp-up-changed"}
    assert plant.judged(30, Found("data-missing")) == [("raised", "data-missing"), ("returned", "ramp-up-changed")]


@pytest.mark.parametrize("kind", sorted(DANGER_KINDS))
def test_evidence_of_danger_is_heard_in_every_state(plant, kind):
    assert plant.judged(10, Found(kind), state="stopped") == [("raised", kind)]
    assert plant.judged(20, state="stopped") == [("returned", kind)]


def test_other_valves_do_not_matter(plant):
    plant.judged(10, Found("supply-low"))
    others = [replace(event, valve="press-2.clamp", alarm=f"press-2.clamp/{event.kind}/1") for event in plant.log]
    assert alarm_events(V, fold_all(others, 0), [], "producing", 20 * S) == []


def test_an_onset_unknown_or_in_the_future_is_now(plant):
    plant.judged(10, Found("a", None), Found("b", float("nan")), Found("c", 99.0))
    assert [event.onset_ns for event in plant.log] == [10 * S] * 3


def test_two_findings_of_one_kind_are_one_alarm(plant):
    assert plant.judged(10, Found("reading-pinned"), Found("reading-pinned")) == [("raised", "reading-pinned")]


def test_judging_the_past_again_does_not_rewrite_the_log(plant):
    plant.judged(10, Found("supply-low"))
    plant.judged(50)
    plant.judged(60, Found("ramp-up-changed", 55.0))
    for at_s in (5, 10, 30, 60):
        assert plant.judged(at_s, Found("headroom-low")) == []
    assert plant.judged(61, Found("headroom-low")) == [("raised", "headroom-low"), ("returned", "ramp-up-changed")]


@given(
    steps=st.lists(
        st.tuples(
            st.sets(st.sampled_from(["supply-low", "ramp-up-changed", "current-unwanted"])),
            st.sampled_from(["producing", "stopped"]),
        ),
        max_size=12,
    )
)
def test_while_producing_the_active_alarms_are_the_findings(steps):
    plant = Plant()
    for number, (kinds, state) in enumerate(steps, start=1):
        before = plant.active
        plant.judged(number * 10, *(Found(kind, number * 10.0 - 3) for kind in sorted(kinds)), state=state)
        heard = kinds if state == "producing" else kinds & DANGER_KINDS
        kept = set() if state == "producing" else before - DANGER_KINDS
        assert plant.active == heard | kept
        assert plant.judged(number * 10, *(Found(kind) for kind in sorted(kinds)), state=state) == []
    assert len({(event.alarm, event.seq) for event in plant.log}) == len(plant.log)
