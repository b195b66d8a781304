"""A message in words: what, since when, which part, whether it can wait, what to check first, whom to call."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from asleft.alarms.classes import AlarmClass
from asleft.alarms.states import AlarmView
from asleft.store.desk import Contact
from asleft.web.notices.due import Due
from asleft.web.notices.settings import NoticeSettings
from asleft.web.views.alarms import alarm_href
from asleft.web.views.valves import ValveName
from asleft.web.words import CAUTIONS, kind_words, look_first, number, part_words, plural, sentence_case

_WAIT = {
    AlarmClass.NOW: "This cannot wait.",
    AlarmClass.SHIFT: "This can wait for a pause of production, within this shift.",
    AlarmClass.DIGEST: "All this can wait for the morning; nothing of it is out of tolerance yet.",
}
_MOST = 20


def message(
    due: Due,
    settings: NoticeSettings,
    name_of: Callable[[str], ValveName],
    contact_of: Callable[[str, str], Contact | None],
) -> tuple[str, str]:
    """Subject and body, plain text."""
    first, count = due.alarms[0], len(due.alarms)
    what = sentence_case(kind_words(first.kind))
    where = _where(name_of(first.valve))
    if due.klass is AlarmClass.DIGEST:
        subject = f"Morning digest: {number(count)} {plural(count, 'thing')} to look at"
    elif count == 1:
        subject = f"{where}: {what[:1].lower()}{what[1:]}"
    else:
        subject = f"{what} on {number(count)} valves"
    lines = [_WAIT[due.klass], ""]
    for view in due.alarms[:_MOST]:
        lines += _alarm(view, settings, name_of(view.valve), contact_of(view.valve, view.part))
    if count > _MOST:
        lines.append(f"And {count - _MOST} more: {settings.base}/alarms")
    lines += ["", f"All alarms: {settings.base}/alarms", "", *CAUTIONS[1:2], *CAUTIONS[3:]]
    return f"Asleft: {subject}", "\n".join(lines)


def _alarm(view: AlarmView, settings: NoticeSettings, name: ValveName, contact: Contact | None) -> list[str]:
    since = datetime.fromtimestamp(view.onset_ns / 1e9, settings.zone)
    lines = [
        f"{_where(name)}: {view.evidence}",
        f"  Since {since:%a} {since.day} {since:%b %H:%M} ({settings.zone.key}). Likely {part_words(view.part)}.",
    ]
    advice = look_first(view.part)
    if advice:
        lines.append(f"  {advice}")
    if contact is not None:
        known = [
            f"spare {contact.spare}" if contact.spare else "",
            f"call {contact.contact}" if contact.contact else "",
        ]
        lines.append(f"  {sentence_case('; '.join(one for one in known if one))}.")
    return [*lines, f"  {settings.base}{alarm_href(view.alarm)}", ""]


def _where(name: ValveName) -> str:
    return ", ".join(part for part in (name.press, name.name) if part)
