"""What has happened since the last look, as events. Pure.

Alarms come from their log, so none is missed however long nobody looked; verdicts and silence by comparing what was
said last with what is so now.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum

import msgspec
from asleft.alarms.classes import class_of
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.figures import called
from asleft.alarms.states import fold
from asleft.web.api.answers import Form, Quantity
from asleft.web.csv_text import utc
from asleft.web.presses.view import Row

SILENT_AFTER_S = 60.0
"""A valve whose newest reading is older has fallen silent."""
NEWS_NS = 2 * 86_400 * 10**9
"""What happened to an alarm longer ago is no news."""


class EventName(StrEnum):
    """What may happen."""

    VERDICT_CHANGED = "verdict-changed"
    ALARM_RAISED = "alarm-raised"
    ALARM_ESCALATED = "alarm-escalated"
    ALARM_GONE = "alarm-gone"
    ALARM_ACKNOWLEDGED = "alarm-acknowledged"
    VALVE_SILENT = "valve-silent"
    VALVE_HEARD = "valve-heard"


_OF_ALARM: Mapping[EventKind, EventName] = {
    EventKind.RAISED: EventName.ALARM_RAISED,
    EventKind.ESCALATED: EventName.ALARM_ESCALATED,
    EventKind.RETURNED: EventName.ALARM_GONE,
    EventKind.ACKNOWLEDGED: EventName.ALARM_ACKNOWLEDGED,
    EventKind.FOUND: EventName.ALARM_ACKNOWLEDGED,  # who says what it was has seen it
}


class Change(msgspec.Struct):
    """A setting whose verdict is another than before."""

    before: str
    now: Quantity


class AlarmTold(msgspec.Struct):
    """The alarm that an event is about, and who did something with it."""

    alarm: str
    kind: str
    urgency: str
    severity: int
    part: str
    evidence: str
    by: str
    comment: str


class Event(msgspec.Struct):
    """One event. `id` is the same however often it is sent; `sequence` has no holes but for what was given up."""

    schema: Form
    id: str
    sequence: int
    event: EventName
    at: str
    valve: str
    press: str
    name: str
    status: str
    sentence: str
    settings: list[Change]
    alarm: AlarmTold | None


class Said(msgspec.Struct):
    """What was said last of a valve: the verdict of each setting, and whether it is silent."""

    verdicts: dict[str, str]
    silent: bool


class State(msgspec.Struct):
    """From where an outlet goes on. `since_ns`: what happened to alarms before is none of its business."""

    since_ns: int
    sequence: int = 0
    valves: dict[str, Said] = msgspec.field(default_factory=dict)


FORM = Form("asleft.event", 1)


def standing(row: Row, quantities: Sequence[Quantity], before: Said | None) -> Said:
    """What is so now. Where it is not known whether a valve sends, what was said of that stays."""
    age_s, silent = row.liveness.age_s, before is not None and before.silent
    if row.liveness.word == "live":
        silent = False
    elif row.liveness.word == "silent" and age_s is not None and age_s > SILENT_AFTER_S:
        silent = True
    return Said({one.id: one.verdict for one in quantities}, silent)


def of_valve(row: Row, quantities: Sequence[Quantity], before: Said | None, now: Said, at_ns: int) -> Iterator[Event]:
    """What has happened to a valve; nothing of one that was never spoken of."""
    if before is None:
        return
    changed = [
        Change(before.verdicts[one.id], one)
        for one in quantities
        if one.id in before.verdicts and before.verdicts[one.id] != one.verdict
    ]
    if changed:
        yield _event(EventName.VERDICT_CHANGED, row.name.id, row, at_ns, settings=changed)
    if before.silent != now.silent:
        name = EventName.VALVE_SILENT if now.silent else EventName.VALVE_HEARD
        yield _event(name, row.name.id, row, at_ns)


def of_alarms(log: Iterable[AlarmEvent], rows: Mapping[str, Row], since_ns: int, now_ns: int) -> Iterator[Event]:
    """What has happened to alarms since then; nothing of one that did not last as long as its class asks."""
    by_alarm: dict[str, list[AlarmEvent]] = {}
    for one in log:
        by_alarm.setdefault(one.alarm, []).append(one)
    told: list[tuple[int, str, int, Event]] = []
    for events in by_alarm.values():
        events.sort(key=lambda one: one.seq)
        if not called(fold(events, now_ns), now_ns):
            continue
        for at, one in enumerate(events):
            name = _OF_ALARM.get(one.event)
            if name is None or one.at_ns < max(since_ns, now_ns - NEWS_NS):
                continue
            if name is EventName.ALARM_ACKNOWLEDGED and at and fold(events[:at], one.at_ns).acknowledged:
                continue
            told.append((one.at_ns, one.alarm, one.seq, _of_alarm(name, one, rows.get(one.valve))))
    yield from (event for *_, event in sorted(told, key=lambda each: each[:3]))


def _of_alarm(name: EventName, one: AlarmEvent, row: Row | None) -> Event:
    told = AlarmTold(
        one.alarm,
        one.kind,
        class_of(one.kind, one.severity).value,
        one.severity,
        one.part,
        one.evidence,
        "" if one.who == "judge" else one.who,
        one.comment,
    )
    return _event(name, one.valve, row, one.at_ns, alarm=told, about=f"{one.alarm}|{one.seq}")


def _event(
    name: EventName,
    valve: str,
    row: Row | None,
    at_ns: int,
    *,
    about: str = "",
    settings: Sequence[Change] = (),
    alarm: AlarmTold | None = None,
) -> Event:
    identity = hashlib.sha256(f"{name}|{valve}|{about or at_ns}".encode()).hexdigest()[:32]
    return Event(
        schema=FORM,
        id=identity,
        sequence=0,
        event=name,
        at=utc(at_ns),
        valve=valve,
        press="" if row is None else row.name.press,
        name=valve if row is None else row.name.name,
        status="not-judged" if row is None else row.heard.status,
        sentence="" if row is None else row.heard.sentence,
        settings=list(settings),
        alarm=alarm,
    )
