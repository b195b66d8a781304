"""One line of the append-only alarm log. An alarm is a finding under management (ISA-18.2 / IEC 62682 states)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    ESCALATED = "escalated"  # its class has risen: severity, part and evidence are those of now
    RETURNED = "returned"  # the condition is gone; the comment says what was measured
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"  # by design: machine stopped, not enabled, set-up
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
    FOUND = (
        "found"  # somebody looked, and `part` is what it was: a part, or one of the words of `asleft.alarms.found`
    )


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """`alarm` is "<valve>/<kind>/<onset ns>", unique for ever; `seq` counts its events from 1."""

    alarm: str
    seq: int
    event: EventKind
    at_ns: int
    who: str  # "judge", or an account's name
    comment: str
    valve: str
    kind: str
    severity: int
    part: str
    evidence: str
    onset_ns: int
    until_ns: int | None = None  # of a shelving: when it ends by itself
