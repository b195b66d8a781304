"""The alarms: what waits, one alarm with its picture and its log, what people do with it, and all as a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from asleft.alarms.acting import Refused, act
from asleft.alarms.classes import DELAYS, AlarmClass, class_of
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.found import FOUND_WORDS
from asleft.alarms.states import AlarmView, Aside, fold
from asleft.catalogue.finding_kinds import KIND_OF
from asleft.catalogue.parts import PART_WORDS
from asleft.sheet.names import decimals_for, plain
from asleft.store.operator_actions import Contact, OperatorActions
from asleft.store.protocols import AlarmEventConflict
from asleft.web.access.visitor import current
from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.evidence.screen import of_alarm_page
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import alarm_href, valve_href
from asleft.web.source import Source
from asleft.web.views.alarms import (
    Call,
    alarms_view,
    call_of,
    calls_of,
    findings_under,
    found_words,
    lasted,
    lately,
    present,
)
from asleft.web.views.valves import Json, work_words
from asleft.web.words import CLASS_WORDS, kind_words, look_first, part_words, parts_words, sentence_case
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

# One alarm: what is there, which part, what to check first, whom to call, who did what.

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


def one_alarm(source: Source, operator_actions: OperatorActions, alarm: str) -> OneAlarm | None:
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
        contact=operator_actions.contact(valve, part),
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


FASTER = "Somebody was faster: the alarm has changed since this page was made. Look again before you act."
_LONGEST = 200
SHELVE_HOURS = (("2", "2 hours"), ("8", "8 hours, a shift"), ("24", "1 day"), ("72", "3 days"), ("336", "2 weeks"))

#: What came of it, for the page one is led back to.
DONE: Mapping[str, str] = {
    EventKind.ACKNOWLEDGED.value: "Acknowledged.",
    EventKind.SHELVED.value: "Shelved: it comes back by itself.",
    EventKind.UNSHELVED.value: "Taken off the shelf.",
    EventKind.OUT_OF_SERVICE.value: "Out of service: it calls nobody until somebody puts it back.",
    EventKind.IN_SERVICE.value: "Back in service.",
    EventKind.FOUND.value: "Closed. What was found counts for how often the part named is right.",
    "contact": "Kept.",
}


@dataclass(frozen=True, slots=True)
class AlarmPages:
    """Reading and acting, over what the routes need."""

    source: Source
    operator_actions: OperatorActions

    def all(self) -> Response:
        """The list."""
        frame = Frame(self.source, current())
        return frame.filled("Alarms", "alarms/list.html", view=alarms_view(self.source), delays=_delays())

    def one(self, alarm: str, fault: str = "", status: int = 200) -> Response:
        """One alarm; `fault`: why the last act was refused."""
        frame = Frame(self.source, current())
        view = one_alarm(self.source, self.operator_actions, alarm)
        if view is None:
            return frame.missing("No such alarm", "There is no alarm of that name.", "/alarms", "All alarms")
        parts = [(part, sentence_case(PART_WORDS.get(part, part))) for part in view.found_first]
        return frame.filled(
            view.call.title,
            "alarms/alarm.html",
            status=status,
            view=view,
            done=DONE.get(request.args.get("said", ""), ""),
            fault=fault,
            picture=of_alarm_page(self.source, view.call.view),
            found_choices=[*parts, *((word, sentence_case(text)) for word, text in FOUND_WORDS.items())],
            shelve_hours=SHELVE_HOURS,
            Aside=Aside,
        )

    def act(self, alarm: str) -> Response:
        """Do what the form says, and lead back to the alarm."""
        form, visitor = request.form, current()
        events = [e for e in self.source.records.alarm_events(alarm.split("/", 1)[0]) if e.alarm == alarm]
        if not events:
            return self.one(alarm)
        now_ns = self.source.now_ns()
        view = fold(events, now_ns)
        wanted = form.get("act", "")
        try:
            if wanted == "contact":
                self.operator_actions.put_contact(
                    _contact(form, view.valve, self._part(view), visitor.name, now_ns), visitor.actor
                )
            else:
                views = [view, *self._others(alarm)]
                seen = dict(pair.rsplit(" ", 1) for pair in form.getlist("member") if " " in pair)
                seen[alarm] = form.get("seq", "")
                if any(seen.get(one.alarm) != str(one.last_seq) for one in views):
                    return self.one(alarm, FASTER, 409)
                acts = [_event(form, one, wanted, visitor.name, now_ns) for one in views]
                self.operator_actions.alarms(acts, visitor.actor)
        except Refused as refused:
            return self.one(alarm, f"That was not done: {refused}.", 400)
        except AlarmEventConflict:
            return self.one(alarm, FASTER, 409)
        return redirect(f"{alarm_href(alarm)}?said={wanted}", 303)

    def _part(self, view: AlarmView) -> str:
        """The part that the page names."""
        return present(view, self.source.records.judgement(view.valve)).part

    def _others(self, alarm: str) -> list[AlarmView]:
        """The alarms that the form says it is for beside its own: all of one cause, as it was shown."""
        if request.form.get("all") != "yes":
            return []
        named = {pair.rsplit(" ", 1)[0] for pair in request.form.getlist("member")} - {alarm}
        return [one for one in lately(self.source, self.source.now_ns()) if one.alarm in named]


def register(server: Flask, source: Source, operator_actions: OperatorActions) -> None:
    """Add the routes."""
    pages = AlarmPages(source, operator_actions)

    answered(server, "/alarms", pages.all)
    answered(server, "/alarms/<path:alarm>", pages.one)
    answered(server, "/alarms/<path:alarm>", pages.act, "POST")


def _delays() -> str:
    """How long each class waits before it calls anybody, in words."""
    waits = "; ".join(
        f"{CLASS_WORDS[klass]}: called after {delays.on_s:g} s, over after {delays.off_s / 60:g} min without it"
        for klass, delays in DELAYS.items()
    )
    return sentence_case(waits)


def _event(form: Mapping[str, str], view: AlarmView, wanted: str, who: str, now_ns: int) -> AlarmEvent:
    try:
        kind = EventKind(wanted)
    except ValueError:
        raise Refused(f"{wanted!r} is nothing that can be done with an alarm") from None
    until_ns = None
    if kind is EventKind.SHELVED:
        hours = form.get("hours", "")
        if not hours.isdigit() or len(hours) > 4:
            raise Refused(f"{hours!r} is no number of hours")
        until_ns = now_ns + int(hours) * 3600 * 10**9
    found = form.get("found", "") if kind is EventKind.FOUND else ""
    if found and found not in PART_WORDS and found not in FOUND_WORDS:
        raise Refused(f"{found!r} is nothing that can be found")
    return act(view, kind, who, now_ns, comment=form.get("comment", ""), until_ns=until_ns, found=found)


def _contact(form: Mapping[str, str], valve: str, part: str, who: str, now_ns: int) -> Contact:
    spare, contact = (" ".join(form.get(name, "").split()) for name in ("spare", "contact"))
    for name, words in (("spare number", spare), ("contact", contact)):
        if len(words) > _LONGEST:
            raise Refused(f"the {name} has {len(words)} characters, at most {_LONGEST} are kept")
    return Contact("" if form.get("scope") == "part" else valve, part, spare, contact, who, now_ns)


# The alarms as a table.


def alarms(source: Source) -> Csv:
    """One row per alarm of the page, those that wait first."""
    columns = (
        *("list", "alarm", "valve", "press", "name", "kind", "class", "severity", "likely_part", "evidence", "state"),
        *("onset_utc", "onset_plant", "raised_utc", "raised_plant", "returned_utc", "returned_plant"),
        *("shelved_until_utc", "shelved_until_plant", "acknowledged_by", "found_to_be", "follows_from"),
        *("escalated_utc", "escalated_plant", "class_at_raising", "likely_part_at_raising", "evidence_at_raising"),
        *("measured_when_gone", "shared_by"),
    )
    view = alarms_view(source)
    lists = (
        *(("waiting", view.waiting), ("standing", view.standing), ("begun", view.begun)),
        *(("set aside", view.aside), ("past", view.past)),
    )
    alone = _one_by_one(source)
    rows = [
        _alarm(source, name, alone(one), call)
        for name, calls in lists
        for call in calls
        for one in ([member.alarm for member in call.members] or [call.alarm])
    ]
    return Csv("alarms", columns, rows)


def _one_by_one(source: Source) -> Callable[[str], Call]:
    """Each alarm as a line of its own, whatever cause it shares with others."""
    now_ns = source.now_ns()
    views = {view.alarm: view for view in lately(source, now_ns)}
    return lambda alarm: calls_of(source, [views[alarm]])[0]


def _alarm(source: Source, name: str, call: Call, shown: Call) -> list[Cell]:
    """`call`: of one valve; `shown`: as the page shows it, with those of one cause."""
    view, first = call.view, call.view.at_raising
    return [
        *(name, view.alarm, view.valve, call.name.press, call.name.name, kind_words(view.kind), call.klass.value),
        *(call.severity, part_words(call.present.part) if call.present.part else "", call.what, call.state),
        *(*both(view.onset_ns, source.time), *both(view.raised_ns, source.time)),
        *(*both(view.returned_ns, source.time), *both(view.shelved_until_ns, source.time)),
        *(view.acknowledged_by, found_words(view.found) if view.found else "", call.under),
        *both(view.escalated_ns, source.time),
        class_of(view.kind, view.severity if first is None else first.severity).value,
        part_words(view.part if first is None else first.part),
        *(view.evidence if first is None else first.evidence, view.measured, shown.where if shown.members else ""),
    ]


def register_table(server: Flask, source: Source) -> None:
    """Add the route."""
    answered(server, "/csv/alarms", lambda: TableFiles(source).whole(lambda: alarms(source)))
