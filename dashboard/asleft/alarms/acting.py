"""What people may do with an alarm, and the event each act leaves. Pure; who and when are arguments.

Acts are refused in words where they would say nothing (acknowledging twice) or hide too much (shelving for ever).
"""

from __future__ import annotations

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import AlarmView, Aside

LONGEST_SHELVED_S = 14 * 86_400.0
"""A shelf is no grave: two weeks at most, then it comes back by itself."""
LONGEST_COMMENT = 1000

#: Events that no person makes.
BY_MEASUREMENT = frozenset(
    {EventKind.RAISED, EventKind.ESCALATED, EventKind.RETURNED, EventKind.SUPPRESSED, EventKind.UNSUPPRESSED}
)
#: Acts that say why.
NEEDS_COMMENT = frozenset({EventKind.SHELVED, EventKind.OUT_OF_SERVICE})


class Refused(ValueError):  # noqa: N818 - reads as what it says
    """The act is not possible as the alarm stands; the message says why."""


def act(
    view: AlarmView,
    event: EventKind,
    who: str,
    at_ns: int,
    *,
    comment: str = "",
    until_ns: int | None = None,
    found: str = "",
) -> AlarmEvent:
    """The event of an act upon an alarm. `until_ns`: of a shelving; `found`: what it was, of `EventKind.FOUND`.

    Raises:
        Refused: the act is not possible now, or lacks its reason, its end or its finding.
    """
    comment = " ".join(comment.split())
    if len(comment) > LONGEST_COMMENT:
        raise Refused(f"the comment has {len(comment)} characters, at most {LONGEST_COMMENT} are kept")
    why_not = _why_not(view, event)
    if why_not:
        raise Refused(why_not)
    if event in NEEDS_COMMENT and not comment:
        raise Refused("say why: whoever comes next must know it")
    if event is EventKind.SHELVED:
        _check_end(at_ns, until_ns)
    if event is EventKind.FOUND and not found:
        raise Refused("say what it was")
    return AlarmEvent(
        alarm=view.alarm,
        seq=view.last_seq + 1,
        event=event,
        at_ns=max(at_ns, view.last_ns),
        who=who,
        comment=comment,
        valve=view.valve,
        kind=view.kind,
        severity=view.severity,
        part=found if event is EventKind.FOUND else view.part,
        evidence=view.evidence,
        onset_ns=view.onset_ns,
        until_ns=until_ns if event is EventKind.SHELVED else None,
    )


def _why_not(view: AlarmView, event: EventKind) -> str:
    if event is EventKind.ACKNOWLEDGED and view.acknowledged:
        return f"it is acknowledged already, by {view.acknowledged_by or 'somebody'}"
    if event is EventKind.SHELVED and Aside.OUT_OF_SERVICE in view.aside:
        return "it is out of service, which sets it aside already"
    if event is EventKind.UNSHELVED and Aside.SHELVED not in view.aside:
        return "it is not shelved"
    if event is EventKind.OUT_OF_SERVICE and Aside.OUT_OF_SERVICE in view.aside:
        return "it is out of service already"
    if event is EventKind.IN_SERVICE and Aside.OUT_OF_SERVICE not in view.aside:
        return "it is in service already"
    if event in BY_MEASUREMENT:
        return "that is for the measurement to say, not for people"
    return ""


def _check_end(at_ns: int, until_ns: int | None) -> None:
    if until_ns is None:
        raise Refused("say until when: a shelved alarm comes back by itself")
    ahead_s = (until_ns - at_ns) / 1e9
    if ahead_s <= 0.0:
        raise Refused("the time it is shelved until is over already")
    if ahead_s > LONGEST_SHELVED_S:
        raise Refused(
            f"at most {LONGEST_SHELVED_S / 86_400:.0f} days; for longer take it out of service, with the reason"
        )
