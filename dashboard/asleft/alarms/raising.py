"""From the findings of a judgement to alarm events. Pure: time and the alarms as they stand are arguments.

One cause, one alarm: a finding that hangs under another raises none of its own, but its cause is then as urgent as
the most urgent of both. A machine that is not producing raises none and ends none ("suppressed by design"), because
what is not judged is neither there nor gone; evidence of danger is the exception, in every state.

A finding that lifts its alarm into a more urgent class escalates it. One whose class falls changes nothing: what was
called in the higher class stays called until it is gone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from asleft.alarms.classes import rises
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import DANGER_KINDS, FINDING_KINDS
from asleft.catalogue.parts import Part

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


@dataclass(frozen=True, slots=True)
class _Lead:
    """A finding that hangs under no other, with what hangs under it counted in."""

    finding: RaisedFinding
    severity: int
    danger: bool


def severity_with(kind: str, severity: int, consequences: Iterable[int]) -> int:
    """Severity of a cause with those of its consequences counted in."""
    return max([severity, *(consequences if _real(kind) else ())])


def _real(cause: str) -> bool:
    """Whether what follows from a cause is so; what follows from a bad reading only seems so."""
    known = FINDING_KINDS.get(cause)
    return known is None or known.part is not Part.DATA


def _nothing(_view: AlarmView) -> str:
    return ""


def alarm_events(
    valve: str,
    views: Iterable[AlarmView],
    findings: Sequence[RaisedFinding],
    state: str,
    at_ns: int,
    *,
    misread_since_ns: int | None = None,
    measured: Callable[[AlarmView], str] = _nothing,
) -> list[AlarmEvent]:
    """What to append to the log of one valve: `raised`, `escalated` where a class has risen, `returned` where gone.

    `views` are the alarms of the valve as they stand, `state` the machine's state at `at_ns`. A finding that comes
    back after a return gets a new alarm with a later onset. Nothing is appended for a time at which the judge has
    spoken about this valve before (judging again after a restart does not rewrite the log): what differs then is put
    right as soon as that time is passed. `misread_since_ns`: since when readings do not fit the sheet, so that they
    end no alarm raised before. `measured`: what was measured of what is gone, in words; kept as the comment.
    """
    known = [view for view in views if view.valve == valve]
    spoken_ns = [
        ns for view in known for ns in (view.raised_ns, view.escalated_ns, view.returned_ns) if ns is not None
    ]
    if spoken_ns and at_ns <= max(spoken_ns):
        return []
    active = {view.kind: view for view in known if view.active}
    events: dict[str, AlarmEvent] = {}
    for lead in _leads(findings):
        kind = lead.finding.kind
        if kind in events or not (_heard(kind, state) or lead.danger):
            continue
        if kind not in active:
            events[kind] = _raised(valve, lead, known, at_ns)
        elif rises(kind, active[kind].severity, lead.severity):
            events[kind] = _escalated(active[kind], lead, at_ns)
    present = {finding.kind for finding in findings}
    gone = [
        _returned(view, at_ns, measured(view))
        for kind, view in active.items()
        if kind not in present
        and _heard(kind, state)
        and (misread_since_ns is None or view.raised_ns >= misread_since_ns)
    ]
    return [*events.values(), *gone]


def _leads(findings: Sequence[RaisedFinding]) -> list[_Lead]:
    under: Mapping[str, list[RaisedFinding]] = {
        finding.kind: [one for one in findings if one.consequence_of == finding.kind and one is not finding]
        for finding in findings
    }
    return [
        _Lead(
            finding,
            severity_with(finding.kind, finding.severity, (one.severity for one in under[finding.kind])),
            danger=_real(finding.kind) and any(one.kind in DANGER_KINDS for one in under[finding.kind]),
        )
        for finding in findings
        if finding.consequence_of is None
    ]


def _heard(kind: str, state: str) -> bool:
    return state == PRODUCING or kind in DANGER_KINDS


def _raised(valve: str, lead: _Lead, known: list[AlarmView], at_ns: int) -> AlarmEvent:
    finding = lead.finding
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
        severity=lead.severity,
        part=str(finding.part),
        evidence=finding.evidence,
        onset_ns=onset_ns,
    )


def _escalated(view: AlarmView, lead: _Lead, at_ns: int) -> AlarmEvent:
    finding = lead.finding
    return replace(
        _next(view, EventKind.ESCALATED, at_ns),
        severity=lead.severity,
        part=str(finding.part),
        evidence=finding.evidence,
    )


def _returned(view: AlarmView, at_ns: int, measured: str) -> AlarmEvent:
    return replace(_next(view, EventKind.RETURNED, at_ns), comment=measured)


def _next(view: AlarmView, event: EventKind, at_ns: int) -> AlarmEvent:
    """The next event of an alarm that stands, by measurement, saying what was said last."""
    return AlarmEvent(
        alarm=view.alarm,
        seq=view.last_seq + 1,
        event=event,
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
