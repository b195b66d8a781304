"""Alarms as HTML: the list, and one alarm with all that somebody needs who goes there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.alarms.classes import DELAYS, AlarmClass
from asleft.alarms.found import FOUND_WORDS
from asleft.alarms.states import AlarmState, Aside
from asleft.catalogue.parts import PART_WORDS
from asleft.store.desk import Contact
from asleft.web.fragments.work import lines as work_lines
from asleft.web.frame import Frame, choice, field
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.svg import status_mark
from asleft.web.views.alarms import AlarmsView, Call
from asleft.web.views.one_alarm import OneAlarm
from asleft.web.views.working import work_href
from asleft.web.words import CAUTIONS, number, plural

CLASS_WORDS: Mapping[AlarmClass, str] = {
    AlarmClass.NOW: "at once",
    AlarmClass.SHIFT: "this shift",
    AlarmClass.DIGEST: "can wait for the morning",
}
_MARKS: Mapping[int, str] = {3: "failure", 2: "out-of-specification", 1: "maintenance-required"}
SHELVE_HOURS = (("2", "2 hours"), ("8", "8 hours, a shift"), ("24", "1 day"), ("72", "3 days"), ("336", "2 weeks"))


def opening(view: AlarmsView) -> Markup:
    """The sentence, and how much there is."""
    return join(
        el("h1", view.headline),
        el("p", view.subline, class_="sub") if view.subline else None,
        work_lines(view.work),
    )


def lists(view: AlarmsView) -> Markup:
    """What waits, what stands, what is set aside, what is past."""
    return join(
        _section("Not acknowledged", view.waiting, "Nothing waits."),
        _section("Acknowledged, still there", view.standing, ""),
        _fold("Set aside", view.aside, "aside"),
        _fold("Past", view.past, "past"),
        el(
            "section",
            el("h2", "Are there too many?"),
            el("p", view.load_words),
            _chattering(view),
            el("p", view.hits_words),
            details("What these figures rest on", *_rules(), key="rules"),
        ),
    )


def _section(title: str, calls: Sequence[Call], empty: str) -> Markup | None:
    if not calls:
        return el("section", el("h2", title), el("p", empty, class_="quiet")) if empty else None
    return el("section", el("h2", f"{title} ", el("small", str(len(calls)))), _list(calls))


def _fold(title: str, calls: Sequence[Call], key: str) -> Markup | None:
    if not calls:
        return None
    return details(f"{title} ({len(calls)})", _list(calls), key=key)


def _list(calls: Sequence[Call]) -> Markup:
    return el("ul", *(_line(call) for call in calls), class_="calls")


def _line(call: Call) -> Markup:
    settled = call.view.state in (AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
    return el(
        "li",
        status_mark(_MARKS.get(call.severity, "maintenance-required") if call.view.active else "good"),
        el("span", el("a", call.title, href=call.href), el("small", _where(call)), class_="who"),
        el(
            "span",
            call.what,
            el("small", " ".join(part for part in (call.parts, call.under) if part)),
            class_="what settled" if settled else "what",
        ),
        el(
            "span",
            el("span", CLASS_WORDS[call.klass], class_=f"s{call.severity}"),
            el("small", f"{call.since} · {call.state}"),
            class_="state",
        ),
    )


def _where(call: Call) -> str:
    return " · ".join(part for part in (call.name.press, call.name.name) if part)


def _chattering(view: AlarmsView) -> Markup | None:
    if not view.load.chattering:
        return None
    rows = [
        f"{valve}: {kind.replace('-', ' ')}, {count} times in a day" for valve, kind, count in view.load.chattering
    ]
    return join(
        el("p", "These come and go. Look for what makes them so (a loose contact, a limit on the edge), or shelve:"),
        el("ul", *(el("li", row) for row in rows)),
    )


def _rules() -> list[Markup]:
    waits = "; ".join(
        f"{CLASS_WORDS[klass]}: shown after {delays.on_s:g} s, over after {delays.off_s / 60:g} min without it"
        for klass, delays in DELAYS.items()
    )
    return [
        el("p", f"Delays by class. {waits[:1].upper()}{waits[1:]}."),
        el(
            "p",
            "Floods and daily figures after ISA-18.2 and the guidance on alarm systems, for one person: more than "
            "ten in ten minutes is a flood, some 150 a day are acceptable, 300 the most.",
        ),
        el(
            "p",
            "Three times in a day or more is called coming and going. The interval of the share is Wilson's, 95 %.",
        ),
    ]


# ---------------------------------------------------------------------------------------------- one alarm


def one(frame: Frame, view: OneAlarm, said: Child, fault: str) -> Markup:
    """The page of one alarm."""
    call = view.call
    return join(
        el(
            "p",
            el("a", "Alarms", href="/alarms"),
            " / ",
            f"{call.name.press} / " if call.name.press else None,
            el("a", call.name.name, href=view.valve_href),
            class_="crumbs",
        ),
        said,
        el("p", fault, class_="wrong", role="alert") if fault else None,
        el(
            "div",
            status_mark(_MARKS.get(call.severity, "maintenance-required") if call.view.active else "good"),
            el("h1", f"{call.title}: {call.what}"),
            class_="lead",
        ),
        el("p", el("b", f"{view.there} {call.since}"), f" · {CLASS_WORDS[call.klass]} · {call.state}", class_="sub"),
        el("p", el("a", view.work, href=work_href(call.name.id)), class_="notice") if view.work else None,
        el("div", _left(view), _right(frame, view), class_="columns"),
        _log(view),
    )


def _left(view: OneAlarm) -> Markup:
    return el(
        "div",
        el(
            "section",
            el("h2", "Which part, and what to check first"),
            el("p", el("b", view.parts)),
            el("p", view.look_first),
            el("p", view.wait),
            el("p", view.intended_words, " ", el("a", "Make a revision", href=view.intended_href))
            if view.intended_href
            else None,
        ),
        el("section", el("h2", "What follows from it"), _consequences(view)) if view.consequences else None,
        el("section", el("h2", "Spare and contact"), _contact(view.contact)),
        details("Before anyone goes to the press", el("ul", *(el("li", text) for text in CAUTIONS)), key="cautions"),
    )


def _consequences(view: OneAlarm) -> Markup:
    return el("ul", *(el("li", f"{title}: {evidence}") for title, evidence in view.consequences))


def _contact(contact: Contact | None) -> Markup:
    if contact is None:
        return el(
            "p", "Nobody has entered the plant's spare number or whom to call for this part yet.", class_="quiet"
        )
    return join(
        el("p", "Spare: ", el("b", contact.spare)) if contact.spare else None,
        el("p", "Call: ", el("b", contact.contact)) if contact.contact else None,
        el("p", f"Entered by {contact.who}.", class_="quiet"),
    )


def _right(frame: Frame, view: OneAlarm) -> Markup:
    if not frame.may_enter:
        return el("section", el("h2", "What to do with it"), el("p", frame.why_not, class_="notice"))
    alarm = view.call.view
    acts: list[Markup] = []
    if not alarm.acknowledged:
        acts.append(
            _act(frame, view, "acknowledged", "Acknowledge", _comment("Comment, if there is anything to say"))
        )
    if not alarm.found:
        acts.append(_fold_act("Say what it was, and close", _found(frame, view)))
    if Aside.SHELVED in alarm.aside:
        acts.append(_act(frame, view, "unshelved", "Take off the shelf"))
    elif Aside.OUT_OF_SERVICE not in alarm.aside:
        acts.append(_fold_act("Shelve for a time", _shelve(frame, view)))
    if Aside.OUT_OF_SERVICE in alarm.aside:
        acts.append(_act(frame, view, "in-service", "Put back into service", _comment("What was done")))
    else:
        out = _act(frame, view, "out-of-service", "Take out of service", _comment("Why", required=True), quiet=True)
        acts.append(_fold_act("Take out of service", out))
    acts.append(_fold_act("Enter spare and contact", _contact_form(frame, view)))
    return el("section", el("h2", "What to do with it"), el("div", *acts, class_="acts"))


def _fold_act(words: str, form: Markup) -> Markup:
    return details(words, form, key=words)


def _comment(label: str, *, required: bool = False) -> Markup:
    return field("comment", label, kind="area", required=required)


def _act(frame: Frame, view: OneAlarm, act: str, words: str, *fields: Markup, quiet: bool = False) -> Markup:
    """One form. The number of the last event goes with it: who was slower than somebody else is told."""
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value=act),
        el("input", type="hidden", name="seq", value=str(view.call.view.last_seq)),
        *fields,
        el("button", words, type="submit", class_="quiet" if quiet else None),
        method="post",
        action=view.call.href,
    )


def _shelve(frame: Frame, view: OneAlarm) -> Markup:
    hours = choice("hours", "For", list(SHELVE_HOURS), "8", hint="It comes back by itself when the time is over.")
    return _act(frame, view, "shelved", "Shelve", hours, _comment("Why", required=True), quiet=True)


def _found(frame: Frame, view: OneAlarm) -> Markup:
    parts = [(part, words[:1].upper() + words[1:]) for part, words in PART_WORDS.items()]
    others = [(word, text[:1].upper() + text[1:]) for word, text in FOUND_WORDS.items()]
    asked = choice(
        "found",
        "What was it?",
        [*parts, *others],
        view.call.view.part,
        hint="The first is what was thought likely. What was really found makes the next guess worth more.",
    )
    return _act(frame, view, "found", "Close", asked, _comment("In words: what was found and done"))


def _contact_form(frame: Frame, view: OneAlarm) -> Markup:
    known = view.contact
    return _act(
        frame,
        view,
        "contact",
        "Keep",
        field("spare", "The plant's spare number", value=known.spare if known else "", limit=200),
        field("contact", "Whom to call", value=known.contact if known else "", limit=200),
        choice(
            "scope",
            "For",
            [("valve", f"{view.part_words} of this valve"), ("part", f"{view.part_words} of every valve")],
            "valve",
        ),
        quiet=True,
    )


def _log(view: OneAlarm) -> Markup:
    rows: list[list[Child]] = [[at, what, who, words] for at, what, who, words in view.log]
    count = f"{number(len(rows), first=True)} {plural(len(rows), 'line')}, never changed."
    return el(
        "section",
        el("h2", "Who did what"),
        el("div", table("Events of this alarm", ["when", "what", "who", "words"], rows), class_="log"),
        el("p", count, class_="key"),
    )
