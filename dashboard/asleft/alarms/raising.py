"""From the findings of a judgement to alarm events. Pure: time and the alarms as they stand are arguments.

One cause, one alarm: a finding that hangs under another raises none of its own. A machine that is not producing
raises none and ends none ("suppressed by design"), because what is not judged is neither there nor gone; evidence of
danger is the exception, in every state.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Protocol

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import DANGER_KINDS

JUDGE = "judge"
"""Who raises and ends alarms by measurement."""
PRODUCING = "producing"
"""The machine state in which findings become alarms."""


class RaisedFinding(Protocol):
    """What this module needs of a finding."""

    @property
    def kind(self) -> str:
        """Kind of the departure."""
        ...

    @property
    def part(self) -> str:
        """Likely part."""
        ...

    @property
    def onset_s(self) -> float | None:
        """Since when, unix seconds."""
        ...

    @property
    def severity(self) -> int:
        """1 digest, 2 this shift, 3 now."""
        ...

    @property
    def evidence(self) -> str:
        """One plain sentence."""
        ...

    @property
    def consequence_of(self) -> str | None:
        """Kind of the finding it hangs under."""
        ...


def alarm_events(
    valve: str,
    views: Iterable[AlarmView],
    findings: Sequence[RaisedFinding],
    state: str,
    at_ns: int,
    *,
    misread_since_ns: int | None = None,
) -> list[AlarmEvent]:
    """What to append to the log of one valve: `raised` for a new finding, `returned` for one that is gone.

    `views` are the alarms of the valve as they stand, `state` the machine's state at `at_ns`. A finding that stays
    keeps its alarm, whatever its evidence says meanwhile; one that comes back after a return gets a new alarm with a
    later onset. Nothing is appended for a time at which the judge has spoken about this valve before (judging again
    after a restart does not rewrite the log): what differs then is put right as soon as that time is passed.
    `misread_since_ns`: since when readings do not fit the sheet, so that they end no alarm raised before.
    """
    known = [view for view in views if view.valve == valve]
    spoken_ns = [ns for view in known for ns in (view.raised_ns, view.returned_ns) if ns is not None]
    if spoken_ns and at_ns <= max(spoken_ns):
        return []
    active = {view.kind: view for view in known if view.active}
    present = {finding.kind for finding in findings}
    events: list[AlarmEvent] = []
    for finding in findings:
        if finding.kind in active or finding.consequence_of is not None or not _heard(finding.kind, state):
            continue
        if finding.kind not in {event.kind for event in events}:
            events.append(_raised(valve, finding, known, at_ns))
    events.extend(
        _returned(view, at_ns)
        for kind, view in active.items()
        if kind not in present
        and _heard(kind, state)
        and (misread_since_ns is None or view.raised_ns >= misread_since_ns)
    )
    return events


def _heard(kind: str, state: str) -> bool:
    return state == PRODUCING or kind in DANGER_KINDS


def _raised(valve: str, finding: RaisedFinding, known: list[AlarmView], at_ns: int) -> AlarmEvent:
    onset_ns = at_ns
    if finding.onset_s is not None and math.isfinite(finding.onset_s):
        onset_ns = min(round(finding.onset_s * 1e9), at_ns)
    ended = [view.returned_ns for view in known if view.kind == finding.kind and view.returned_ns is not None]
    if ended and onset_ns <= max(ended):
        onset_ns = at_ns  # the judge dates it before it was seen to be gone: this time it began after that
    return AlarmEvent(
        alarm=f"{valve}/{finding.kind}/{onset_ns}",
        seq=1,
        event=EventKind.RAISED,
        at_ns=at_ns,
        who=JUDGE,
        comment="",
        valve=valve,
        kind=finding.kind,
        severity=finding.severity,
        part=str(finding.part),
        evidence=finding.evidence,
        onset_ns=onset_ns,
    )


def _returned(view: AlarmView, at_ns: int) -> AlarmEvent:
    return AlarmEvent(
        alarm=view.alarm,
        seq=view.last_seq + 1,
        event=EventKind.RETURNED,
        at_ns=at_ns,
        who=JUDGE,
        comment="",
        valve=view.valve,
        kind=view.kind,
        severity=view.severity,
        part=view.part,
        evidence=view.evidence,
        onset_ns=view.onset_ns,
    )
