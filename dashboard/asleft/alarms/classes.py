"""Three classes of alarms: what wakes somebody, what belongs to this shift, what waits for the morning. Data.

Only danger and a stop of control call at once: current or pressure that nobody asked for, current that does not come,
a command that failed while the machine produces. What is out of tolerance is for the shift; what drifts or is close,
for the digest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from asleft.catalogue.finding_kinds import FINDING_KINDS


class AlarmClass(StrEnum):
    """Most urgent first."""

    NOW = "now"
    SHIFT = "this shift"
    DIGEST = "morning digest"


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a condition must last before it is called, and be away before it counts as gone (s)."""

    on_s: float
    off_s: float


#: Ours, a documented starting point. The judge has looked for seconds already; what hurries is not held back further.
DELAYS: Mapping[AlarmClass, Delays] = {
    AlarmClass.NOW: Delays(0.0, 60.0),
    AlarmClass.SHIFT: Delays(60.0, 600.0),
    AlarmClass.DIGEST: Delays(600.0, 3600.0),
}


def class_of(kind: str, severity: int) -> AlarmClass:
    """Class of an alarm by the kind and severity of its finding."""
    known = FINDING_KINDS.get(kind)  # a log may hold kinds of an older release
    if severity >= 3 or (known is not None and known.at_once):
        return AlarmClass.NOW
    return AlarmClass.SHIFT if severity >= 2 else AlarmClass.DIGEST


def rises(kind: str, before: int, after: int) -> bool:
    """Whether a change of severity lifts an alarm of that kind into a more urgent class."""
    order = list(AlarmClass)
    return order.index(class_of(kind, after)) < order.index(class_of(kind, before))
