"""Which messages are due, one for each cause and place, whatever number of valves it shows on; and in which words.

A message waits a little, so that one fault on twenty valves is one message; what is acknowledged, set aside or gone
meanwhile, or follows from another finding, is not told. Each alarm is told to each place once, and once more whenever
its class has risen, by its key.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from types import MappingProxyType
from urllib.parse import urlencode

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.figures import called
from asleft.alarms.grouping import Place, SharedBy, grouped
from asleft.alarms.states import AlarmState, AlarmView
from asleft.store.operator_actions import Contact
from asleft.web.csv_text import utc
from asleft.web.night.view import NightView
from asleft.web.notices.settings import NoticeSettings, Recipient
from asleft.web.source import Source
from asleft.web.views.alarms import Call
from asleft.web.when import last_at
from asleft.web.words import CAUTIONS, look_first, lower_first, number, plural, sentence_case

_S = 10**9
#: How long the first of a group waits for others like it (s).
GATHER_S = {AlarmClass.NOW: 20.0, AlarmClass.SHIFT: 120.0}
#: What was raised longer ago than this is no news any more: a first start tells nobody of last month.
NEWS_S = 2 * 86_400.0


@dataclass(frozen=True, slots=True)
class Due:
    """One message to be made: the alarms it is about, and the keys under which they count as told."""

    to: Recipient
    klass: AlarmClass
    alarms: tuple[AlarmView, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """The first is the message's own."""
        return tuple(key_of(self.to.name, view) for view in self.alarms)


def key_of(to: str, view: AlarmView) -> str:
    """Under which an alarm told to a place is known, for ever; another one after each rise of its class."""
    again = "" if view.escalated_seq is None else f"|{view.escalated_seq}"
    return f"{to}|{view.alarm}{again}"


#: An overview that could not be made within so long of its time is of no use any more.
OVERVIEW_WITHIN_S = 3600.0
_OVERVIEW = "overview"


@dataclass(frozen=True, slots=True)
class Overview:
    """What happened from one of a recipient's times to the next, to be told at the end of it (unix ns)."""

    to: Recipient
    from_ns: int
    to_ns: int

    @property
    def key(self) -> str:
        """Under which it counts as told."""
        return f"{self.to.name}|{_OVERVIEW}|{self.from_ns}|{self.to_ns}"


def overview_ends(key: str) -> tuple[int, int] | None:
    """From and to of the overview that a message of that key is; None for a message about alarms."""
    parts = key.split("|")
    if len(parts) != 4 or parts[1] != _OVERVIEW:
        return None
    return int(parts[2]), int(parts[3])


def overviews_due(settings: NoticeSettings, now_ns: int, told: Collection[str]) -> list[Overview]:
    """One for each recipient whose time has come within the last hour and who has not been told."""
    now = datetime.fromtimestamp(now_ns / 1e9, settings.zone)
    out = []
    for to in settings.to:
        if not to.overview_at:
            continue
        ended = max(last_at(one, now) for one in to.overview_at)
        began = max(last_at(one, ended - timedelta(seconds=1)) for one in to.overview_at)
        made = Overview(to, round(began.timestamp()) * _S, round(ended.timestamp()) * _S)
        if now_ns - made.to_ns <= OVERVIEW_WITHIN_S * _S and made.key not in told:
            out.append(made)
    return out


def alarm_in(key: str) -> str:
    """The alarm that a message of that key is about."""
    return key.partition("|")[2].partition("|")[0]


def due(
    views: Sequence[AlarmView],
    settings: NoticeSettings,
    now_ns: int,
    told: Collection[str],
    follows: Callable[[AlarmView], bool],
    places: Mapping[str, Place] = MappingProxyType({}),
) -> list[Due]:
    """Messages due at `now_ns` (unix ns).

    `told`: keys already made; `follows`: whether one hangs under another; `places`: where readings come from.
    """
    local = datetime.fromtimestamp(now_ns / 1e9, settings.zone)
    fresh = [
        view
        for view in views
        if view.state is AlarmState.UNACKNOWLEDGED
        and called(view, now_ns)
        and now_ns - view.called_ns <= NEWS_S * _S
        and not follows(view)
    ]
    out = []
    for to in settings.to:
        mine = [view for view in fresh if key_of(to.name, view) not in told]
        for klass in AlarmClass:
            if klass not in to.classes or (klass is not AlarmClass.NOW and _quiet(to, local.time())):
                continue
            of_class = [view for view in mine if class_of(view.kind, view.severity) is klass]
            if klass is AlarmClass.DIGEST:
                cut_ns = round(last_at(to.digest_at, local).timestamp()) * _S
                ready = [view for view in of_class if view.called_ns <= cut_ns]
                if ready:
                    out.append(Due(to, klass, tuple(sorted(ready, key=lambda view: (-view.severity, view.alarm)))))
                continue
            out += [
                Due(to, klass, tuple(alike))
                for alike in _alike(of_class, places)
                if now_ns - min(view.called_ns for view in alike) >= GATHER_S[klass] * _S
            ]
    return out


def _alike(views: Sequence[AlarmView], places: Mapping[str, Place]) -> list[list[AlarmView]]:
    """Alarms of one message: of one cause, or of one kind whatever the cause; each list by the time of calling."""
    by_kind: dict[str, list[AlarmView]] = {}
    for group in grouped(views, places):
        by_kind.setdefault("supply" if group.shared is SharedBy.SUPPLY else group.lead.kind, []).extend(group.members)
    return [sorted(by_kind[kind], key=lambda view: view.called_ns) for kind in sorted(by_kind)]


def _quiet(to: Recipient, at: time) -> bool:
    if to.quiet is None:
        return False
    begins, ends = to.quiet
    return begins <= at < ends if begins < ends else at >= begins or at < ends


# A message in words: what, since when, which part, whether it can wait, what to check first, whom to call.

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
