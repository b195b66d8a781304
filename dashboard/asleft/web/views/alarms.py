"""Alarms as maintenance works through them: what waits, what stands, what is set aside, what is past."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast
from urllib.parse import quote

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.figures import Load, called, load
from asleft.alarms.found import FOUND_WORDS, HitRate, hit_rate
from asleft.alarms.states import WAITS, AlarmState, AlarmView, fold_all
from asleft.web.source import Source
from asleft.web.views.valves import Json, ValveName, findings_of, valve_name
from asleft.web.views.work import WorkLine, work_lines
from asleft.web.when import age, parse_iso_ns
from asleft.web.words import kind_words, number, part_words, plural, sentence_case

LATELY_NS = 30 * 86_400 * 10**9
PAST_SHOWN = 60

_ASIDE = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})

STATE_WORDS = {
    AlarmState.NORMAL: "gone, acknowledged",
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "gone by itself, not acknowledged",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}


@dataclass(frozen=True, slots=True)
class Call:
    """One alarm in a list."""

    alarm: str
    href: str
    name: ValveName
    title: str
    severity: int
    what: str  # evidence
    parts: str
    since: str
    state: str  # in words, with who and until when
    klass: AlarmClass
    under: str  # the cause it hangs under now, empty if none
    view: AlarmView


@dataclass(frozen=True, slots=True)
class AlarmsView:
    """The page."""

    headline: str
    subline: str
    waiting: list[Call]
    standing: list[Call]
    aside: list[Call]
    past: list[Call]
    load: Load
    load_words: str
    hits: HitRate
    hits_words: str
    work: list[WorkLine]


def alarm_href(alarm: str) -> str:
    """Address of one alarm's page."""
    return f"/alarms/{quote(alarm, safe='/')}"


def lately(source: Source, now_ns: int) -> list[AlarmView]:
    """The alarms of the last month, and whatever older still waits for somebody."""
    return fold_all(source.records.alarm_events_lately(now_ns - LATELY_NS), now_ns)


def alarms_view(source: Source) -> AlarmsView:
    """Everything the page of alarms shows."""
    now = source.now_ns()
    views = [view for view in lately(source, now) if called(view, now)]
    causes: dict[str, dict[str, str]] = {}
    calls = [_call(source, view, now, causes) for view in views]
    order = list(AlarmClass)
    calls.sort(key=lambda c: (order.index(c.klass), bool(c.under), -c.view.raised_ns))
    waiting = [c for c in calls if c.view.state in WAITS]
    past = sorted((c for c in calls if c.view.state is AlarmState.NORMAL), key=lambda c: c.view.last_ns, reverse=True)
    figures, hits = load(views, now), hit_rate(views)
    return AlarmsView(
        headline=_headline(waiting),
        subline=_subline(calls),
        waiting=waiting,
        standing=[c for c in calls if c.view.state is AlarmState.ACKNOWLEDGED],
        aside=[c for c in calls if c.view.state in _ASIDE],
        past=past[:PAST_SHOWN],
        load=figures,
        load_words=_load_words(source, figures, now),
        hits=hits,
        hits_words=_hits_words(hits),
        work=work_lines(source),
    )


def call_of(source: Source, view: AlarmView) -> Call:
    """One alarm as its line in the list."""
    return _call(source, view, source.now_ns(), {})


def found_words(found: str) -> str:
    """What an alarm turned out to be, in words."""
    return FOUND_WORDS.get(found, part_words(found))


def _call(source: Source, view: AlarmView, now_ns: int, causes: dict[str, dict[str, str]]) -> Call:
    if view.valve not in causes:
        judgement = source.records.judgement(view.valve)
        causes[view.valve] = {
            str(f["kind"]): str(f["consequence_of"]) for f in findings_of(judgement) if f.get("consequence_of")
        }
    under = causes[view.valve].get(view.kind, "") if view.active else ""
    return Call(
        alarm=view.alarm,
        href=alarm_href(view.alarm),
        name=valve_name(view.valve, source.sheet(view.valve, now_ns)),
        title=sentence_case(kind_words(view.kind)),
        severity=view.severity,
        what=view.evidence,
        parts=f"Likely {part_words(view.part)}." if view.part else "",
        since=f"since {source.time.moment(view.onset_ns, now_ns)}",
        state=state_words(source, view, now_ns),
        klass=class_of(view.kind, view.severity),
        under=f"Follows from: {kind_words(under)}." if under else "",
        view=view,
    )


def state_words(source: Source, view: AlarmView, now_ns: int) -> str:
    """The state with who and until when."""
    words = STATE_WORDS[view.state]
    if view.state is AlarmState.SHELVED and view.shelved_until_ns is not None:
        words += f" until {source.time.moment(view.shelved_until_ns, now_ns)}"
    elif view.state in (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL) and view.acknowledged_by:
        words += f" by {view.acknowledged_by}"
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
    where = ", ".join(part for part in (first.name.press, first.name.name) if part)
    hurry = "At once: " if first.klass is AlarmClass.NOW else "First: "
    return f"{count} {hurry}{where}, {first.title[:1].lower()}{first.title[1:]}."


def _subline(calls: Sequence[Call]) -> str:
    counts = []
    standing = sum(c.view.state is AlarmState.ACKNOWLEDGED for c in calls)
    aside = sum(c.view.state in _ASIDE for c in calls)
    if standing:
        counts.append(f"{number(standing, first=True)} acknowledged and still there.")
    if aside:
        counts.append(f"{number(aside, first=True)} set aside.")
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
