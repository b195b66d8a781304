"""The routes of alarms: the list, one alarm, and what somebody does with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.alarms.acting import Refused, act
from asleft.alarms.classes import DELAYS
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.found import FOUND_WORDS
from asleft.alarms.states import AlarmView, Aside, fold
from asleft.catalogue.parts import PART_WORDS
from asleft.store.operator_actions import Contact, Desk
from asleft.store.protocols import AlarmEventConflict
from asleft.web.access.visitor import current
from asleft.web.alarms.one_alarm import one_alarm
from asleft.web.evidence.place import of_alarm_page
from asleft.web.frame import Frame
from asleft.web.hrefs import alarm_href
from asleft.web.source import Source
from asleft.web.views.alarms import alarms_view, lately, present
from asleft.web.words import CLASS_WORDS, sentence_case
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

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
    desk: Desk

    def all(self) -> Response:
        """The list."""
        frame = Frame(self.source, current())
        return frame.filled("Alarms", "alarms/list.html", view=alarms_view(self.source), delays=_delays())

    def one(self, alarm: str, fault: str = "", status: int = 200) -> Response:
        """One alarm; `fault`: why the last act was refused."""
        frame = Frame(self.source, current())
        view = one_alarm(self.source, self.desk, alarm)
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
                self.desk.put_contact(
                    _contact(form, view.valve, self._part(view), visitor.name, now_ns), visitor.actor
                )
            else:
                views = [view, *self._others(alarm)]
                seen = dict(pair.rsplit(" ", 1) for pair in form.getlist("member") if " " in pair)
                seen[alarm] = form.get("seq", "")
                if any(seen.get(one.alarm) != str(one.last_seq) for one in views):
                    return self.one(alarm, FASTER, 409)
                acts = [_event(form, one, wanted, visitor.name, now_ns) for one in views]
                self.desk.alarms(acts, visitor.actor)
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


def register(server: Flask, source: Source, desk: Desk) -> None:
    """Add the routes."""
    pages = AlarmPages(source, desk)

    @server.get("/alarms")
    def _alarms() -> Response:
        return pages.all()

    @server.get("/alarms/<path:alarm>")
    def _alarm(alarm: str) -> Response:
        return pages.one(alarm)

    @server.post("/alarms/<path:alarm>")
    def _act(alarm: str) -> Response:
        return pages.act(alarm)


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
