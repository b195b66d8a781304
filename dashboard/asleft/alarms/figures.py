"""Is the alarm system itself in order? Episodes, chattering, floods. Pure functions over alarms as they stand.

The yardsticks are those that ISA-18.2 and the guidance on alarm systems give for one operator, from memory: more than
ten alarms in ten minutes is a flood; some 150 a day (one in ten minutes) is very likely acceptable, 300 the most that
can be managed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from asleft.alarms.classes import DELAYS, class_of
from asleft.alarms.states import AlarmView

FLOOD_IN_TEN_MINUTES = 10
ACCEPTABLE_A_DAY, MOST_A_DAY = 150, 300
CHATTERS_FROM = 3
"""Episodes of one condition on one valve within a day from which it is said to come and go."""
_S = 10**9
TEN_MINUTES_NS, DAY_NS = 600 * _S, 86_400 * _S


@dataclass(frozen=True, slots=True)
class Episode:
    """One condition of one valve from its first call to its last return, shorter returns in between left out."""

    valve: str
    kind: str
    from_ns: int
    to_ns: int | None  # None: it is there
    alarms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Load:
    """How many alarms were called: the last day, the worst ten minutes of it, and what comes and goes."""

    a_day: int
    worst_ten_minutes: int
    worst_at_ns: int | None
    chattering: tuple[tuple[str, str, int], ...]  # valve, kind, episodes in a day

    @property
    def flood(self) -> bool:
        """Whether the worst ten minutes were more than one person can follow."""
        return self.worst_ten_minutes > FLOOD_IN_TEN_MINUTES


def called(view: AlarmView, now_ns: int) -> bool:
    """Whether a condition has lasted as long as its class waits before it calls anybody."""
    waits_ns = DELAYS[class_of(view.kind, view.severity)].on_s * _S
    until_ns = view.returned_ns if view.returned_ns is not None else now_ns
    return until_ns - view.raised_ns >= waits_ns


def episodes(views: Iterable[AlarmView]) -> list[Episode]:
    """Alarms of one condition, joined where it was away for less than its class waits; by valve, kind and time."""
    out: list[Episode] = []
    ordered = sorted(views, key=lambda view: (view.valve, view.kind, view.raised_ns))
    for view in ordered:
        last = out[-1] if out else None
        away_ns = DELAYS[class_of(view.kind, view.severity)].off_s * _S
        same = last is not None and (last.valve, last.kind) == (view.valve, view.kind)
        if last is not None and same and (last.to_ns is None or view.raised_ns - last.to_ns < away_ns):
            out[-1] = Episode(last.valve, last.kind, last.from_ns, view.returned_ns, (*last.alarms, view.alarm))
        else:
            out.append(Episode(view.valve, view.kind, view.raised_ns, view.returned_ns, (view.alarm,)))
    return out


def load(views: Sequence[AlarmView], now_ns: int) -> Load:
    """Figures of the day before `now_ns`."""
    raised = sorted(view.raised_ns for view in views if now_ns - DAY_NS < view.raised_ns <= now_ns)
    worst, worst_at, first = 0, None, 0
    for index, at_ns in enumerate(raised):
        while at_ns - raised[first] >= TEN_MINUTES_NS:
            first += 1
        if index - first + 1 > worst:
            worst, worst_at = index - first + 1, raised[first]
    often: dict[tuple[str, str], int] = {}
    for one in episodes(views):
        if one.from_ns > now_ns - DAY_NS:
            often[one.valve, one.kind] = often.get((one.valve, one.kind), 0) + 1
    chattering = tuple(
        (valve, kind, count) for (valve, kind), count in sorted(often.items()) if count >= CHATTERS_FROM
    )
    return Load(len(raised), worst, worst_at, chattering)
