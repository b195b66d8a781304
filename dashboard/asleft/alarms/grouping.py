"""One cause across valves is one alarm: the alarms of several valves that share an agent, an instrument or a supply.

The log keeps an alarm for each valve, because each valve is judged alone. What people see, are told of and
acknowledge is the group. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import READING_KINDS
from asleft.catalogue.parts import Part

TOGETHER_NS = 1_800 * 10**9
"""Alarms whose onsets follow each other within this are of one cause. Ours: a share of failed readings is over ten
minutes, and valves pass the threshold one after the other."""


class SharedBy(StrEnum):
    """What the valves of a group have in common."""

    AGENT = "agent"
    INSTRUMENT = "instrument"
    SUPPLY = "supply"


@dataclass(frozen=True, slots=True)
class Place:
    """Where the readings of a valve come from; empty where that is not known."""

    agent: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Alarms of one cause, the earliest first; `shared` and `name` are None and empty for an alarm of one valve."""

    members: tuple[AlarmView, ...]
    shared: SharedBy | None = None
    name: str = ""

    @property
    def lead(self) -> AlarmView:
        """The alarm that stands for the group."""
        return self.members[0]

    @property
    def klass(self) -> AlarmClass:
        """The most urgent class of its members."""
        order = list(AlarmClass)
        return min((class_of(one.kind, one.severity) for one in self.members), key=order.index)


def grouped(views: Iterable[AlarmView], places: Mapping[str, Place]) -> list[Group]:
    """Alarms as groups, in the order of their leads' raising; each alarm is in exactly one.

    Alarms of readings belong together where one agent, or one instrument of it, brings them. Alarms that name the
    supply belong together where one agent reads the valves: one box beside one panel is common practice, and which
    supply feeds which driver is written nowhere. Both only where the onsets follow each other within `TOGETHER_NS`.
    """
    alone: list[Group] = []
    runs: dict[tuple[SharedBy, str, str], list[list[AlarmView]]] = {}
    for view in sorted(views, key=lambda one: (one.onset_ns, one.alarm)):
        key = _key(view, places.get(view.valve, Place()))
        if key is None:
            alone.append(Group((view,)))
            continue
        of_key = runs.setdefault(key, [])
        if of_key and view.onset_ns - of_key[-1][-1].onset_ns <= TOGETHER_NS:
            of_key[-1].append(view)
        else:
            of_key.append([view])
    out = alone + [group for key, of_key in runs.items() for run in of_key for group in _groups(key, run, places)]
    return sorted(out, key=lambda group: (group.lead.raised_ns, group.lead.alarm))


def group_of(alarm: str, groups: Sequence[Group]) -> Group | None:
    """The group that an alarm is in."""
    return next((group for group in groups if any(one.alarm == alarm for one in group.members)), None)


def _key(view: AlarmView, place: Place) -> tuple[SharedBy, str, str] | None:
    if not place.agent:
        return None
    if view.kind in READING_KINDS:
        return SharedBy.AGENT, place.agent, view.kind
    if view.part == Part.SUPPLY:
        return SharedBy.SUPPLY, place.agent, ""
    return None


def _groups(key: tuple[SharedBy, str, str], run: Sequence[AlarmView], places: Mapping[str, Place]) -> list[Group]:
    shared, agent, _ = key
    members = tuple(run)
    if len({one.valve for one in members}) < 2:
        return [Group((one,)) for one in members]
    instruments = {places[one.valve].instrument for one in members}
    if shared is SharedBy.AGENT and len(instruments) == 1 and instruments != {""}:
        return [Group(members, SharedBy.INSTRUMENT, f"{instruments.pop()} of agent {agent}")]
    return [Group(members, shared, agent)]
