"""Alarms as maintenance works through them: what has just begun, what waits, stands, is set aside, is past."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import cast

from asleft.alarms.classes import DELAYS, AlarmClass, class_of, rises
from asleft.alarms.figures import Load, called, load
from asleft.alarms.found import FOUND_WORDS, HitRate, hit_rate
from asleft.alarms.grouping import Group, SharedBy, grouped
from asleft.alarms.raising import severity_with
from asleft.alarms.states import WAITS, AlarmState, AlarmView, fold_all
from asleft.catalogue.finding_kinds import READING_KINDS
from asleft.web.hrefs import alarm_href
from asleft.web.source import Source
from asleft.web.views.valves import Json, ValveName, WorkLine, findings_of, valve_name, work_lines
from asleft.web.when import age, parse_iso_ns
from asleft.web.words import (
    CLASS_WORDS,
    kind_words,
    likely_words,
    lower_first,
    number,
    part_words,
    plural,
    sentence_case,
)

LATELY_NS = 30 * 86_400 * 10**9
PAST_SHOWN = 60

VERDICTS_STAY = "The verdict on each valve stays; it rests on the readings that did come."
#: Numbers of the styles of classes.
_RANK = {AlarmClass.NOW: 3, AlarmClass.SHIFT: 2, AlarmClass.DIGEST: 1}
_MARKS = {3: "failure", 2: "out-of-specification", 1: "maintenance-required"}
_ASIDE = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})

STATE_WORDS = {
    AlarmState.NORMAL: "gone",
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "gone",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}


@dataclass(frozen=True, slots=True)
class Present:
    """What is said of an alarm now: by the judgement while its condition is there, else by the log."""

    severity: int
    part: str
    alternatives: tuple[str, ...]
    evidence: str
    under: str  # the kind it hangs under now, empty if none

    @property
    def likely(self) -> str:
        """Which part is likely, in a sentence."""
        return likely_words(self.part, self.alternatives)


@dataclass(frozen=True, slots=True)
class Member:
    """One valve of an alarm that several share."""

    alarm: str
    last_seq: int
    href: str
    where: str
    what: str


@dataclass(frozen=True, slots=True)
class Call:
    """One alarm in a list; of several valves that share a cause it is one."""

    alarm: str
    href: str
    name: ValveName
    where: str
    title: str
    severity: int
    what: str  # the present evidence
    parts: str
    since: str
    state: str  # in words, with who and until when
    klass: AlarmClass
    under: str  # the cause it hangs under now, empty if none
    at_raising: str  # what was said when it was raised, where that was something else
    view: AlarmView
    present: Present
    members: tuple[Member, ...] = ()  # empty for an alarm of one valve

    @property
    def settled(self) -> bool:
        """Whether nobody is called by it any more."""
        return self.view.state in (AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)

    @property
    def mark(self) -> str:
        """The mark of a status that stands beside it."""
        return _MARKS.get(self.severity, "maintenance-required") if self.view.active else "good"

    @property
    def rank(self) -> int:
        """Number of the style of its class."""
        return _RANK[self.klass]


@dataclass(frozen=True, slots=True)
class AlarmsView:
    """The page."""

    headline: str
    subline: str
    waiting: list[Call]
    standing: list[Call]
    begun: list[Call]  # there, but not for as long as their class waits before it calls anybody
    aside: list[Call]
    past: list[Call]
    load: Load
    load_words: str
    hits: HitRate
    hits_words: str
    work: list[WorkLine]


def lately(source: Source, now_ns: int) -> list[AlarmView]:
    """The alarms of the last month, and whatever older still waits for somebody."""
    return fold_all(source.records.alarm_events_lately(now_ns - LATELY_NS), now_ns)


def alarms_view(source: Source) -> AlarmsView:
    """Everything the page of alarms shows."""
    now = source.now_ns()
    everything = lately(source, now)
    views = [view for view in everything if called(view, now)]
    told = _Told(source, now)
    waiting = told.calls(view for view in views if view.state in WAITS)
    standing = told.calls(view for view in views if view.state is AlarmState.ACKNOWLEDGED)
    aside = told.calls(view for view in views if view.state in _ASIDE)
    past = told.calls(view for view in views if view.state is AlarmState.NORMAL)
    past.sort(key=lambda call: call.view.last_ns, reverse=True)
    places = source.places()
    figures, hits = load([group.lead for group in grouped(views, places)], now), hit_rate(views)
    return AlarmsView(
        headline=_headline(waiting),
        subline=_subline(standing, aside),
        waiting=waiting,
        standing=standing,
        begun=told.calls(view for view in everything if view.active and not called(view, now)),
        aside=aside,
        past=past[:PAST_SHOWN],
        load=figures,
        load_words=_load_words(source, figures, now),
        hits=hits,
        hits_words=_hits_words(hits),
        work=work_lines(source),
    )


def calls_of(source: Source, views: Iterable[AlarmView]) -> list[Call]:
    """Alarms as lines of the list, those of one cause as one, the most urgent first."""
    return _Told(source, source.now_ns()).calls(views)


def call_of(source: Source, view: AlarmView) -> Call:
    """One alarm as its line in the list, with the valves that share its cause and stand as it does."""
    now = source.now_ns()
    alike = [one for one in lately(source, now) if one.state is view.state and called(one, now) == called(view, now)]
    if all(one.alarm != view.alarm for one in alike):
        alike.append(view)
    groups = grouped(alike, source.places())
    group = next(group for group in groups if any(one.alarm == view.alarm for one in group.members))
    return _Told(source, now).call(group, view)


def present(view: AlarmView, judgement: Json | None) -> Present:
    """What is said of an alarm now, by the finding of its kind; its severity counts what hangs under it in."""
    findings = findings_of(judgement) if view.active else []
    finding = next((one for one in findings if one["kind"] == view.kind), None)
    if finding is None:
        return Present(view.severity, view.part, (), view.evidence, "")
    under = [int(one.get("severity", 1)) for one in findings if one.get("consequence_of") == view.kind]
    return Present(
        severity=severity_with(view.kind, int(finding.get("severity", 1)), under),
        part=str(finding.get("part") or view.part),
        alternatives=tuple(str(one) for one in finding.get("alternatives", ())),
        evidence=str(finding.get("evidence") or view.evidence),
        under=str(finding.get("consequence_of") or ""),
    )


def class_now(view: AlarmView, now: Present) -> AlarmClass:
    """The class it is shown in: that in which it was called, or the higher one that the judgement says by now."""
    return class_of(view.kind, max(view.severity, now.severity))


@dataclass
class _Told:
    """Makes calls of alarms; each valve's judgement and sheet is read once."""

    source: Source
    now_ns: int

    def __post_init__(self) -> None:
        self._judgements: dict[str, Json | None] = {}

    def calls(self, views: Iterable[AlarmView]) -> list[Call]:
        """What is there before what is gone; most urgent first, then what hangs under nothing, then the newest."""
        made = [self.call(group, group.lead) for group in grouped(views, self.source.places())]
        order = list(AlarmClass)
        return sorted(made, key=lambda c: (not c.view.active, order.index(c.klass), bool(c.under), -c.view.raised_ns))

    def call(self, group: Group, view: AlarmView) -> Call:
        """The group as one line; `view`: the member that it leads to."""
        source, now = self.source, self._present(view)
        name = self._name(view.valve)
        klass = min((class_now(one, self._present(one)) for one in group.members), key=list(AlarmClass).index)
        title, where, what = sentence_case(kind_words(view.kind)), where_words(name), now.evidence
        members: tuple[Member, ...] = ()
        if group.shared is not None:
            valves = len({one.valve for one in group.members})
            where = f"{number(valves)} valves {_shared_words(group)}"
            if view.kind in READING_KINDS:
                what = f"{now.evidence} {VERDICTS_STAY}"
            members = tuple(self._member(one) for one in group.members)
        return Call(
            alarm=view.alarm,
            href=alarm_href(view.alarm),
            name=name,
            where=where,
            title=title,
            severity=max(view.severity, now.severity),
            what=what,
            parts=now.likely,
            since=f"since {source.time.moment(group.lead.onset_ns, self.now_ns)}",
            state=self._state(view),
            klass=klass,
            under=f"Follows from: {kind_words(now.under)}." if now.under else "",
            at_raising=self._at_raising(view, now),
            view=view,
            present=now,
            members=members,
        )

    def _member(self, view: AlarmView) -> Member:
        where = where_words(self._name(view.valve))
        return Member(view.alarm, view.last_seq, alarm_href(view.alarm), where, self._present(view).evidence)

    def _present(self, view: AlarmView) -> Present:
        if view.valve not in self._judgements:
            self._judgements[view.valve] = self.source.records.judgement(view.valve)
        return present(view, self._judgements[view.valve])

    def _name(self, valve: str) -> ValveName:
        return valve_name(valve, self.source.sheet(valve, self.now_ns))

    def _state(self, view: AlarmView) -> str:
        if view.active and not called(view, self.now_ns):
            from_ns = view.raised_ns + round(DELAYS[class_of(view.kind, view.severity)].on_s * 1e9)
            return f"called from {self.source.time.moment(from_ns, self.now_ns)} on, if it lasts until then"
        return state_words(self.source, view, self.now_ns)

    def _at_raising(self, view: AlarmView, now: Present) -> str:
        first = view.at_raising
        severity, part, evidence = (
            (view.severity, view.part, view.evidence)
            if first is None
            else (first.severity, first.part, first.evidence)
        )
        if (evidence, part) == (now.evidence, now.part) and first is None:
            return ""
        words = f"When it was raised, {self.source.time.moment(view.raised_ns, self.now_ns)}: {evidence}"
        if part != now.part:
            words += f" {likely_words(part)}"
        if rises(view.kind, severity, max(view.severity, now.severity)):
            words += f" Then it was: {CLASS_WORDS[class_of(view.kind, severity)]}."
        return words


def where_words(name: ValveName) -> str:
    """Press and valve."""
    return ", ".join(part for part in (name.press, name.name) if part)


def _shared_words(group: Group) -> str:
    if group.shared is SharedBy.SUPPLY:
        return f"on agent {group.name}, most likely of one supply"
    return f"on {'instrument' if group.shared is SharedBy.INSTRUMENT else 'agent'} {group.name}"


def found_words(found: str) -> str:
    """What an alarm turned out to be, in words."""
    return FOUND_WORDS.get(found, part_words(found))


def state_words(source: Source, view: AlarmView, now_ns: int) -> str:
    """The state with who, since when and until when."""

    def at(ns: int) -> str:
        return source.time.moment(ns, now_ns)

    words = STATE_WORDS[view.state]
    if view.state in (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED) and view.returned_ns is not None:
        words += f" since {at(view.returned_ns)}"
    if view.state is AlarmState.SHELVED and view.shelved_until_ns is not None:
        words += f" until {at(view.shelved_until_ns)}"
    elif view.state in (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL) and view.acknowledged_by:
        words += f"{', acknowledged' if view.state is AlarmState.NORMAL else ''} by {view.acknowledged_by}"
    elif view.state is AlarmState.RETURNED_UNACKNOWLEDGED:
        words += ", not acknowledged"
    elif view.state is AlarmState.UNACKNOWLEDGED and view.escalated_ns is not None:
        words += f" since it got worse, {at(view.escalated_ns)}"
    if view.found:
        words += f"; it was {found_words(view.found)}"
    return words


def findings_under(judgement: Json | None, kind: str) -> list[tuple[str, str, int | None]]:
    """What hangs under a finding of that kind now: title, evidence, onset."""
    return [
        (
            sentence_case(kind_words(str(f["kind"]))),
            str(f.get("evidence", "")),
            parse_iso_ns(cast("str | None", f.get("onset"))),
        )
        for f in findings_of(judgement)
        if f.get("consequence_of") == kind
    ]


def _headline(waiting: Sequence[Call]) -> str:
    if not waiting:
        return "No alarm waits for anybody."
    first = waiting[0]
    verb = plural(len(waiting), "waits", "wait")
    count = f"{number(len(waiting), first=True)} {plural(len(waiting), 'alarm')} {verb} for somebody."
    hurry = "At once: " if first.klass is AlarmClass.NOW and first.view.active else "First: "
    return f"{count} {hurry}{first.where}, {lower_first(first.title)}."


def _subline(standing: Sequence[Call], aside: Sequence[Call]) -> str:
    counts = []
    if standing:
        counts.append(f"{number(len(standing), first=True)} acknowledged and still there.")
    if aside:
        counts.append(f"{number(len(aside), first=True)} set aside.")
    return " ".join(counts)


def _load_words(source: Source, figures: Load, now_ns: int) -> str:
    words = f"{figures.a_day} in the last 24 hours"
    if figures.worst_at_ns is not None:
        at = source.time.moment(figures.worst_at_ns, now_ns)
        words += f", at most {figures.worst_ten_minutes} in ten minutes (from {at})"
    words += ". "
    words += (
        "More than ten in ten minutes is a flood: nobody can follow it."
        if figures.flood
        else "That is far from a flood (more than ten in ten minutes)."
        if figures.worst_ten_minutes <= 5
        else "A flood begins at more than ten in ten minutes."
    )
    return words


def _hits_words(hits: HitRate) -> str:
    if hits.cases == 0:
        return "Nobody has said yet what an alarm turned out to be: how often the part named is right is not known."
    return (
        f"The part named was the right one in {hits.hits} of {hits.cases} "
        f"{plural(hits.cases, 'case', 'cases')} that were looked into ({100 * hits.share:.0f} %; with so many cases "
        f"anything from {100 * hits.low:.0f} to {100 * hits.high:.0f} % is possible)."
    )


def lasted(view: AlarmView, now_ns: int) -> str:
    """How long the condition has been, or was, there."""
    until = view.returned_ns if view.returned_ns is not None else now_ns
    return age((until - view.raised_ns) / 1e9)
