"""A message in words: what, since when, which part, whether it can wait, what to check first, whom to call."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from urllib.parse import urlencode

from asleft.alarms.classes import AlarmClass
from asleft.alarms.states import AlarmView
from asleft.store.operator_actions import Contact
from asleft.web.csv_text import utc
from asleft.web.night.view import NightView
from asleft.web.notices.due import Due
from asleft.web.notices.settings import NoticeSettings
from asleft.web.source import Source
from asleft.web.views.alarms import Call
from asleft.web.words import CAUTIONS, look_first, lower_first, number, plural, sentence_case

_WAIT = {
    AlarmClass.NOW: "This cannot wait.",
    AlarmClass.SHIFT: "This can wait for a pause of production, within this shift.",
    AlarmClass.DIGEST: "All this can wait for the morning. What gets worse is told again.",
}
_MOST = 20


def message(
    due: Due,
    settings: NoticeSettings,
    call_of: Callable[[Sequence[AlarmView]], Sequence[Call]],
    contact_of: Callable[[str, str], Contact | None],
    line_of: Callable[[AlarmView], str],
) -> tuple[str, str]:
    """Subject and body, plain text.

    `call_of`: alarms as the page lists them, those of one cause as one; `line_of`: what moved as a line, empty where
    that is not known.
    """
    calls = call_of(due.alarms)
    first, count, valves = calls[0], len(calls), len({view.valve for view in due.alarms})
    what = lower_first(first.title)
    if due.klass is AlarmClass.DIGEST:
        subject = f"Morning digest: {number(count)} {plural(count, 'thing')} to look at"
    elif count == 1:
        subject = f"{_where(first)}: {what}"
    else:
        subject = f"{first.title} on {number(valves)} valves"
    if due.klass is not AlarmClass.DIGEST and all(view.escalated_ns is not None for view in due.alarms):
        subject += ", worse than before"
    lines = [_WAIT[due.klass], ""]
    for call in calls[:_MOST]:
        lines += _alarm(call, settings, contact_of(call.view.valve, call.present.part), line_of(call.view))
    if count > _MOST:
        lines.append(f"And {count - _MOST} more: {settings.base}/alarms")
    lines += ["", f"All alarms: {settings.base}/alarms", "", *CAUTIONS[1:2], *CAUTIONS[3:]]
    return f"Asleft: {subject}", "\n".join(lines)


def _alarm(call: Call, settings: NoticeSettings, contact: Contact | None, line: str) -> list[str]:
    view = call.view
    since = datetime.fromtimestamp(view.onset_ns / 1e9, settings.zone)
    lines = [
        f"{_where(call)}: {call.what}",
        *([f"  {line}"] if line else []),
        f"  Since {since:%a} {since.day} {since:%b %H:%M} ({settings.zone.key}). {call.parts}".rstrip(),
    ]
    if view.escalated_ns is not None and call.at_raising:
        lines.append(f"  It has got worse. {call.at_raising}")
    advice = look_first(call.present.part)
    if advice:
        lines.append(f"  {advice}")
    if contact is not None:
        known = [
            f"spare {contact.spare}" if contact.spare else "",
            f"call {contact.contact}" if contact.contact else "",
        ]
        lines.append(f"  {sentence_case('; '.join(one for one in known if one))}.")
    shared = [f"  - {one.where}" for one in call.members]
    return [*lines, *shared, f"  {settings.base}{call.href}", ""]


def overview_message(view: NightView, source: Source, settings: NoticeSettings) -> tuple[str, str]:
    """Subject and body of what happened from one change of shift to the next."""
    lines = [view.headline, view.subline, view.quiet, ""]
    for one in view.entries[:_MOST]:
        at = "before" if one.there_before else source.time.moment(one.at_ns, view.to_ns)
        who, name = f" ({one.who})" if one.who else "", view.names[one.valve]
        lines.append(f"{at}  {', '.join(part for part in (name.press, name.name) if part)}: {one.words}{who}")
    if len(view.entries) > _MOST:
        lines.append(f"And {len(view.entries) - _MOST} more.")
    ends = urlencode({"from": utc(view.from_ns), "to": utc(view.to_ns)}, safe=":")
    lines += ["", f"On one page: {settings.base}/night?{ends}", "", *CAUTIONS[1:2], *CAUTIONS[3:]]
    return f"Asleft: {view.headline}", "\n".join(lines)


def _where(call: Call) -> str:
    """At the head of a sentence; names of presses and valves are written as the plant writes them."""
    return sentence_case(call.where) if call.members else call.where
