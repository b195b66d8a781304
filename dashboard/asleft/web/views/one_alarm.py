"""One alarm: what is there, which part, what to check first, whom to call, who did what."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote, urlencode

from asleft.alarms.classes import AlarmClass
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.states import fold
from asleft.catalogue.finding_kinds import KIND_OF
from asleft.sheet.names import plain
from asleft.store.desk import Contact, Desk
from asleft.web.source import Source
from asleft.web.views.alarms import Call, call_of, findings_under, found_words, lasted
from asleft.web.views.presses import valve_href
from asleft.web.views.valves import Json, findings_of
from asleft.web.views.working import work_words
from asleft.web.words import kind_words, look_first, part_words, sentence_case

_WAIT = {
    AlarmClass.NOW: "It cannot wait: what the machine does is not what it is asked to do.",
    AlarmClass.SHIFT: "It can wait for a pause of production, and should be seen to within this shift.",
    AlarmClass.DIGEST: "It can wait for the morning; nothing is out of tolerance yet.",
}
_EVENT_WORDS = {
    EventKind.RAISED: "raised",
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
    parts: str
    part_words: str
    look_first: str
    wait: str
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
    judgement = source.records.judgement(valve)
    finding = next((f for f in findings_of(judgement) if f["kind"] == view.kind), None) if view.active else None
    part = str(finding["part"]) if finding is not None else view.part
    working = source.work.work_standing(now).get(valve)
    settled = _settled_values(judgement, view.kind) if view.active else {}
    return OneAlarm(
        call=call,
        valve_href=valve_href(valve),
        there="There" if view.active else f"Gone after {lasted(view, now)}, there",
        parts=_parts(part, finding),
        part_words=part_words(part),
        look_first=look_first(part),
        wait=_WAIT[call.klass],
        consequences=[(title, evidence) for title, evidence, _ in findings_under(judgement, view.kind)],
        contact=desk.contact(valve, part),
        intended_words="Was it changed on purpose? Then the sheet must say so:" if settled else "",
        intended_href=_revise_href(valve, settled, view.kind) if settled else "",
        log=[_line(source, event, now) for event in events],
        work="" if working is None else work_words(source.time, working, now),
    )


def _parts(part: str, finding: Json | None) -> str:
    words = f"Likely {part_words(part)}"
    others = [part_words(str(a)) for a in (finding or {}).get("alternatives", ())]
    if others:
        words += f", or {' or '.join(others)}: the channels recorded cannot tell"
    return words + "."


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
    query = {name: f"{value:.6g}" for name, value in values.items()}
    return f"/sheets/{quote(valve, safe='')}/revise?{urlencode({**query, 'why': f'{kind_words(kind)}, on purpose'})}"


def _line(source: Source, event: AlarmEvent, now_ns: int) -> tuple[str, str, str, str]:
    what = _EVENT_WORDS.get(event.event, plain(event.event.value))
    words = event.comment
    if event.event is EventKind.FOUND:
        words = ". ".join(part for part in (sentence_case(found_words(event.part)), event.comment) if part)
    elif event.event is EventKind.RAISED:
        words = event.evidence
    elif event.event is EventKind.SHELVED and event.until_ns is not None:
        words = f"until {source.time.moment(event.until_ns, now_ns)}: {event.comment}"
    who = "measurement" if event.who == "judge" else event.who
    return source.time.full(event.at_ns), what, who, words
