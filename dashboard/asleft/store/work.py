"""Work in progress as people declare it: from when, until when, why, by whom. Values and rules; nothing is read here.

A declaration begins when it is made, never before: what has been judged stays judged. It ends by itself at its
expiry, or earlier where somebody says so. One that is changed is ended and declared anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

LONGEST_NS = 7 * 86_400 * 10**9
"""A declaration holds for at most a week: what is set aside for longer is forgotten."""
SHORTEST_NS = 60 * 10**9
WHY_LONGEST = 200


class WorkRefused(ValueError):  # noqa: N818 - reads as what it says
    """A declaration that cannot be taken; the message names field, value and limit."""


class WorkConflict(Exception):  # noqa: N818 - reads as what it says
    """Somebody has declared or ended work on this valve since what the act was based on."""


class WorkKind(StrEnum):
    """What can be said about work."""

    DECLARED = "declared"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class WorkEvent:
    """A line of the log, which only grows. `until_ns`: the expiry of the declaration that is made or ended."""

    number: int
    valve: str
    event: WorkKind
    at_ns: int
    until_ns: int
    why: str
    who: str


@dataclass(frozen=True, slots=True)
class Work:
    """One declared stretch, from_ns <= time < until_ns as it came to be."""

    valve: str
    from_ns: int
    until_ns: int
    why: str
    who: str
    last: int  # number of its last event: whoever ends it says which it has seen
    ended_by: str = ""  # empty where it expired, or will


class WorkReader(Protocol):
    """Read access to the log."""

    def work_events(self, after: int = 0) -> list[WorkEvent]:
        """All events with a larger number, in order; numbers come in the order in which they become visible."""
        ...

    def work_standing(self, now_ns: int) -> dict[str, Work]:
        """What is declared now, by valve."""
        ...

    def work_of(self, valve: str, from_ns: int, to_ns: int) -> list[Work]:
        """Stretches of a valve that reach into from_ns <= time < to_ns, in order."""
        ...


class NoWork:
    """A log in which nothing was ever declared."""

    def work_events(self, after: int = 0) -> list[WorkEvent]:
        """None."""
        return []

    def work_standing(self, now_ns: int) -> dict[str, Work]:
        """None."""
        return {}

    def work_of(self, valve: str, from_ns: int, to_ns: int) -> list[Work]:
        """None."""
        return []


def fold_work(events: Iterable[WorkEvent]) -> list[Work]:
    """The stretches that a log comes to, by their beginning. Events are taken by number."""
    out: list[Work] = []
    open_at: dict[str, int] = {}  # valve -> index of its newest stretch
    for event in sorted(events, key=lambda one: one.number):
        if event.event is WorkKind.DECLARED:
            open_at[event.valve] = len(out)
            out.append(Work(event.valve, event.at_ns, event.until_ns, event.why, event.who, event.number))
            continue
        index = open_at.pop(event.valve, None)
        if index is not None:
            work = out[index]
            until_ns = max(work.from_ns, min(work.until_ns, event.at_ns))
            out[index] = Work(work.valve, work.from_ns, until_ns, work.why, work.who, event.number, event.who)
    return sorted((work for work in out if work.until_ns > work.from_ns), key=lambda one: (one.from_ns, one.valve))


def standing(events: Iterable[WorkEvent], now_ns: int) -> dict[str, Work]:
    """What holds now, by valve."""
    return {work.valve: work for work in fold_work(events) if work.from_ns <= now_ns < work.until_ns}


def check_declaration(now_ns: int, until_ns: int, why: str) -> None:
    """Raise `WorkRefused` unless it ends within a week, not at once, and says why in at most 200 characters."""
    if until_ns < now_ns + SHORTEST_NS:
        raise WorkRefused("until: must lie ahead, by a minute at least")
    if until_ns > now_ns + LONGEST_NS:
        raise WorkRefused(
            "until: lies more than 7 days ahead; declare at most 7 days, and again when they are over if need be"
        )
    if not why.strip():
        raise WorkRefused("why: missing; whoever looks at the valve meanwhile must know")
    if len(why) > WHY_LONGEST:
        raise WorkRefused(f"why: has {len(why)} characters, at most {WHY_LONGEST} are kept")
