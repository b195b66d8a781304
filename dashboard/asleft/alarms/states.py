"""The states of an alarm (ISA-18.2 / IEC 62682) as one table, and the fold of the log over it. Pure; now is given.

An alarm is where three facts put it: whether its condition is there, whether somebody acknowledged it, and whether it
is set aside (shelved by a person for a time, suppressed by design, out of service). Setting aside hides the other
two without forgetting them, so that an alarm comes back as what it has become meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from asleft.alarms.events import AlarmEvent, EventKind


class AlarmState(StrEnum):
    """States of the standard, by its own letters."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B: there, nobody has acknowledged it
    ACKNOWLEDGED = "acknowledged"  # C: there, acknowledged
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"  # D: gone before anybody acknowledged it
    SHELVED = "shelved"  # G
    SUPPRESSED = "suppressed-by-design"  # H
    OUT_OF_SERVICE = "out-of-service"  # I


class Aside(StrEnum):
    """Ways of being set aside, in order of rank: the first that applies names the state."""

    OUT_OF_SERVICE = "out-of-service"
    SUPPRESSED = "suppressed-by-design"
    SHELVED = "shelved"


@dataclass(frozen=True, slots=True)
class Effect:
    """What an event does to the facts; None leaves a fact as it is."""

    active: bool | None = None
    acknowledged: bool | None = None
    set_aside: Aside | None = None
    bring_back: frozenset[Aside] = frozenset()


#: What each event does.
EFFECTS: Mapping[EventKind, Effect] = {
    EventKind.RAISED: Effect(active=True, acknowledged=False),
    # What was put off in its old class is not put off in the new one. Out of service stays: only a person ends it.
    EventKind.ESCALATED: Effect(acknowledged=False, bring_back=frozenset({Aside.SHELVED})),
    EventKind.RETURNED: Effect(active=False),
    EventKind.ACKNOWLEDGED: Effect(acknowledged=True),
    EventKind.SHELVED: Effect(set_aside=Aside.SHELVED),
    EventKind.UNSHELVED: Effect(bring_back=frozenset({Aside.SHELVED})),
    EventKind.SUPPRESSED: Effect(set_aside=Aside.SUPPRESSED),
    EventKind.UNSUPPRESSED: Effect(bring_back=frozenset({Aside.SUPPRESSED})),
    EventKind.OUT_OF_SERVICE: Effect(set_aside=Aside.OUT_OF_SERVICE),
    EventKind.IN_SERVICE: Effect(bring_back=frozenset({Aside.OUT_OF_SERVICE})),
    # Whoever has looked has also seen it, and has nothing more to put off.
    EventKind.FOUND: Effect(acknowledged=True, bring_back=frozenset({Aside.SHELVED, Aside.OUT_OF_SERVICE})),
}

#: State of an alarm that is not set aside, by (active, acknowledged).
STATES: Mapping[tuple[bool, bool], AlarmState] = {
    (False, True): AlarmState.NORMAL,
    (True, False): AlarmState.UNACKNOWLEDGED,
    (True, True): AlarmState.ACKNOWLEDGED,
    (False, False): AlarmState.RETURNED_UNACKNOWLEDGED,
}

#: State of an alarm that is set aside.
STATES_ASIDE: Mapping[Aside, AlarmState] = {
    Aside.OUT_OF_SERVICE: AlarmState.OUT_OF_SERVICE,
    Aside.SUPPRESSED: AlarmState.SUPPRESSED,
    Aside.SHELVED: AlarmState.SHELVED,
}

#: States that ask for somebody.
WAITS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Raised:
    """What an alarm said when it was raised."""

    severity: int
    part: str
    evidence: str


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as it stands. Severity, part and evidence are those of its raising or of its last escalation."""

    alarm: str
    valve: str
    kind: str
    severity: int
    part: str
    evidence: str
    onset_ns: int
    state: AlarmState
    active: bool  # the condition is there, whoever may have set the alarm aside
    acknowledged: bool
    raised_ns: int
    returned_ns: int | None
    acknowledged_ns: int | None
    acknowledged_by: str
    shelved_until_ns: int | None
    aside: frozenset[Aside]
    last_seq: int
    last_ns: int
    found: str = ""  # what it turned out to be, empty as long as nobody has said
    found_by: str = ""
    found_ns: int | None = None
    at_raising: Raised | None = None  # None: as it stands
    escalated_ns: int | None = None  # when its class last rose
    escalated_seq: int | None = None
    measured: str = ""  # what was measured when it was gone

    @property
    def called_ns(self) -> int:
        """Since when it calls in its present class, unix ns."""
        return self.raised_ns if self.escalated_ns is None else self.escalated_ns


def fold(events: Iterable[AlarmEvent], now_ns: int) -> AlarmView:
    """One alarm from its events, which are taken by seq. A shelving whose time is over counts as ended.

    Raises `ValueError` if there are no events, if they belong to different alarms, or if the first is no raising.
    """
    ordered = sorted(events, key=lambda event: event.seq)
    if not ordered:
        raise ValueError("an alarm has at least one event, none was given")
    first = ordered[0]
    if first.event is not EventKind.RAISED:
        raise ValueError(f"alarm {first.alarm}: its first event is {first.event.value!r}, it must be 'raised'")
    view = _raised(first)
    for event in ordered[1:]:
        if event.alarm != first.alarm:
            raise ValueError(f"events of two alarms, {first.alarm} and {event.alarm}, cannot be one alarm")
        view = _after(view, event)
    if view.shelved_until_ns is not None and view.shelved_until_ns <= now_ns:
        view = replace(view, aside=view.aside - {Aside.SHELVED}, shelved_until_ns=None)
    return replace(view, state=_state(view))


def fold_all(events: Iterable[AlarmEvent], now_ns: int) -> list[AlarmView]:
    """Every alarm of a log, by the time it was raised."""
    by_alarm: dict[str, list[AlarmEvent]] = {}
    for event in events:
        by_alarm.setdefault(event.alarm, []).append(event)
    return sorted((fold(log, now_ns) for log in by_alarm.values()), key=lambda view: (view.raised_ns, view.alarm))


def _raised(event: AlarmEvent) -> AlarmView:
    return AlarmView(
        alarm=event.alarm,
        valve=event.valve,
        kind=event.kind,
        severity=event.severity,
        part=event.part,
        evidence=event.evidence,
        onset_ns=event.onset_ns,
        state=AlarmState.UNACKNOWLEDGED,
        active=True,
        acknowledged=False,
        raised_ns=event.at_ns,
        returned_ns=None,
        acknowledged_ns=None,
        acknowledged_by="",
        shelved_until_ns=None,
        aside=frozenset(),
        last_seq=event.seq,
        last_ns=event.at_ns,
    )


def _after(view: AlarmView, event: AlarmEvent) -> AlarmView:
    effect = EFFECTS[event.event]
    aside = view.aside
    if effect.set_aside is not None:
        aside = aside | {effect.set_aside}
    aside = aside - effect.bring_back
    view = replace(
        view,
        active=view.active if effect.active is None else effect.active,
        acknowledged=view.acknowledged if effect.acknowledged is None else effect.acknowledged,
        aside=aside,
        shelved_until_ns=view.shelved_until_ns if Aside.SHELVED in aside else None,
        last_seq=event.seq,
        last_ns=event.at_ns,
    )
    if event.event is EventKind.RAISED:
        return replace(
            view,
            raised_ns=event.at_ns,
            returned_ns=None,
            acknowledged_ns=None,
            acknowledged_by="",
            severity=event.severity,
            part=event.part,
            evidence=event.evidence,
            at_raising=None,
            escalated_ns=None,
            escalated_seq=None,
        )
    if event.event is EventKind.ESCALATED:
        return replace(
            view,
            acknowledged_ns=None,
            acknowledged_by="",
            severity=event.severity,
            part=event.part,
            evidence=event.evidence,
            at_raising=view.at_raising or Raised(view.severity, view.part, view.evidence),
            escalated_ns=event.at_ns,
            escalated_seq=event.seq,
            found="",  # what somebody found has not ended it
            found_by="",
            found_ns=None,
        )
    if event.event is EventKind.RETURNED:
        return replace(view, returned_ns=event.at_ns, measured=event.comment)
    if event.event is EventKind.ACKNOWLEDGED:
        return replace(view, acknowledged_ns=event.at_ns, acknowledged_by=event.who)
    if event.event is EventKind.FOUND:
        seen = view.acknowledged_ns if view.acknowledged_ns is not None else event.at_ns
        by = view.acknowledged_by or event.who
        return replace(
            view, found=event.part, found_by=event.who, found_ns=event.at_ns, acknowledged_ns=seen, acknowledged_by=by
        )
    if event.event is EventKind.SHELVED:
        return replace(view, shelved_until_ns=event.until_ns)
    return view


def _state(view: AlarmView) -> AlarmState:
    for aside in Aside:
        if aside in view.aside:
            return STATES_ASIDE[aside]
    return STATES[view.active, view.acknowledged]
