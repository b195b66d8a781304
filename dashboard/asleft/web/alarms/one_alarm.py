"""One alarm: what is there, which part, what to check first, whom to call, who did what."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote, urlencode

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import AlarmView, fold
from asleft.catalogue.finding_kinds import KIND_OF
from asleft.catalogue.parts import PART_WORDS
from asleft.sheet.names import decimals_for, plain
from asleft.store.operator_actions import Contact, Desk
from asleft.web.hrefs import valve_href
from asleft.web.source import Source
from asleft.web.views.alarms import Call, call_of, findings_under, found_words, lasted
from asleft.web.views.valves import Json
from asleft.web.views.working import work_words
from asleft.web.words import CLASS_WORDS, kind_words, look_first, part_words, parts_words, sentence_case

NOT_PUT_RIGHT = (
    "Gone says only that it is not measured any more, not that anything was put right. Say what it was, and close it."
)
_WAIT = {
    AlarmClass.NOW: "It cannot wait: what the machine does is not what it is asked to do.",
    AlarmClass.SHIFT: "It can wait for a pause of production, and should be seen to within this shift.",
    AlarmClass.DIGEST: "It can wait for the morning. If it gets worse, it is called again.",
}
_EVENT_WORDS = {
    EventKind.RAISED: "raised",
    EventKind.ESCALATED: "got worse",
    EventKind.RETURNED: "gone",
    EventKind.FOUND: "closed",
    EventKind.UNSHELVED: "taken off the shelf",
    EventKind.IN_SERVICE: "put back into service",
}


@dataclass(frozen=True, slots=True)
class OneAlarm:
    """The page."""

    call: Call
    valve_href: str
    there: str
    gone: str  # what was measured when it was gone, and what that does not mean; empty while it is there
    eased: str  # that its class has fallen since, which changes nothing; empty where it has not
    parts: str
    part: str
    part_words: str
    look_first: str
    wait: str
    found_first: tuple[str, ...]  # parts in the order in which they are likely, the rest after them
    consequences: list[tuple[str, str]]
    contact: Contact | None
    intended_words: str
    intended_href: str
    log: list[tuple[str, str, str, str]]
    work: str  # work in progress on its valve, in a sentence; empty where none is declared


def one_alarm(source: Source, desk: Desk, alarm: str) -> OneAlarm | None:
    """What is known of an alarm; None if there is none of that name."""
    now = source.now_ns()
    valve = alarm.split("/", 1)[0]
    events = [event for event in source.records.alarm_events(valve) if event.alarm == alarm]
    if not events:
        return None
    view = fold(events, now)
    call = call_of(source, view)
    judgement, now_said = source.records.judgement(valve), call.present
    part = now_said.part
    working = source.work.work_standing(now).get(valve)
    settled = _settled_values(judgement, view.kind) if view.active else {}
    return OneAlarm(
        call=call,
        valve_href=valve_href(valve),
        there=f"There {call.since}"
        if view.active
        else f"There for {lasted(view, now)}, from {source.time.moment(view.onset_ns, now)}",
        gone=_gone(source, view, now),
        eased=_eased(call),
        parts=parts_words(part, now_said.alternatives),
        part=part,
        part_words=part_words(part),
        look_first=look_first(part),
        wait=_WAIT[call.klass],
        found_first=tuple(dict.fromkeys(one for one in (part, *now_said.alternatives, *PART_WORDS) if one)),
        consequences=[(title, evidence) for title, evidence, _ in findings_under(judgement, view.kind)],
        contact=desk.contact(valve, part),
        intended_words="Was it changed on purpose? Then the sheet must say so:" if settled else "",
        intended_href=_revise_href(valve, settled, view.kind) if settled else "",
        log=[_line(source, event, now) for event in events],
        work="" if working is None else work_words(source.time, working, now),
    )


def _gone(source: Source, view: AlarmView, now_ns: int) -> str:
    if view.active or view.returned_ns is None:
        return ""
    words = f"Gone since {source.time.moment(view.returned_ns, now_ns)}. {view.measured}".strip()
    if not view.found:
        return f"{words} {NOT_PUT_RIGHT}"
    return f"{words} {view.found_by or 'Somebody'} closed it: it was {found_words(view.found)}."


def _eased(call: Call) -> str:
    klass = class_of(call.view.kind, call.present.severity)
    if not call.view.active or list(AlarmClass).index(klass) <= list(AlarmClass).index(call.klass):
        return ""
    return (
        f"By what is measured now: {CLASS_WORDS[klass]}. But an alarm keeps the most urgent class it had until it is "
        "gone."
    )


def _settled_values(judgement: Json | None, kind: str) -> dict[str, float]:
    """As-found values of the quantities that are out and stand still, for a revision."""
    out = {}
    for quantity in (judgement or {}).get("quantities", ()):
        name = str(quantity["id"])
        settled = quantity.get("verdict") == "out" and quantity.get("trend_per_day") is None
        if KIND_OF.get(name) == kind and settled and quantity.get("as_found") is not None:
            out[name] = float(quantity["as_found"])
    return out


def _revise_href(valve: str, values: dict[str, float], kind: str) -> str:
    query = {name: f"{value:.{decimals_for(name, value)}f}" for name, value in values.items()}
    return f"/sheets/{quote(valve, safe='')}/revise?{urlencode({**query, 'why': f'{kind_words(kind)}, on purpose'})}"


def _line(source: Source, event: AlarmEvent, now_ns: int) -> tuple[str, str, str, str]:
    what = _EVENT_WORDS.get(event.event, plain(event.event.value))
    words = event.comment
    if event.event is EventKind.FOUND:
        words = ". ".join(part for part in (sentence_case(found_words(event.part)), event.comment) if part)
    elif event.event in (EventKind.RAISED, EventKind.ESCALATED):
        words = f"{event.evidence} {sentence_case(CLASS_WORDS[class_of(event.kind, event.severity)])}."
    elif event.event is EventKind.RETURNED:
        words = event.comment
    elif event.event is EventKind.SHELVED and event.until_ns is not None:
        words = f"until {source.time.moment(event.until_ns, now_ns)}: {event.comment}"
    who = "measurement" if event.who == "judge" else event.who
    return source.time.full(event.at_ns), what, who, words
