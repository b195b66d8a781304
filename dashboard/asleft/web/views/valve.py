"""One valve: what is said of it, its findings and what hangs under them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from asleft.alarms.states import AlarmView, fold_all
from asleft.catalogue.statuses import STATUS_WORDS
from asleft.sheet.model import Sheet
from asleft.sheet.names import plain
from asleft.web.source import Source
from asleft.web.svg import StripMark
from asleft.web.views.presses import Progress, progress_of
from asleft.web.views.sheet_lines import SheetLine, sheet_lines
from asleft.web.views.valves import (
    Json,
    Liveness,
    ValveName,
    findings_of,
    judged_until_ns,
    liveness,
    onset_ns,
    sentence_of,
    state_words,
    status_of,
    strip_marks,
    valve_name,
)
from asleft.web.views.working import during_work
from asleft.web.when import age, parse_iso_ns
from asleft.web.words import SEVERITY_WORDS, STATE_WORDS, kind_words, look_first, part_words, sentence_case


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding, with what hangs under it."""

    title: str
    severity: int
    severity_words: str
    since: str
    evidence: str
    parts: str
    look_first: str
    consequences: list[str]
    onset_ns: int | None
    alarm: str  # state of the alarm it raised, empty if it raised none


@dataclass(frozen=True, slots=True)
class ValveView:
    """The upper part of the page."""

    name: ValveName
    status: str
    status_words: str
    sentence: str
    since: str
    state: str
    basis: str
    hours: str
    sheet_words: str
    judged_until: str
    liveness: Liveness
    strip: list[StripMark]
    lines: list[SheetLine]
    findings: list[FindingView]
    remarks: list[str]
    progress: Progress | None


def valve_view(source: Source, valve: str) -> ValveView | None:
    """What is known of a valve; None if no store has ever heard of it."""
    now = source.now_ns()
    sheet = source.sheet(valve, now)
    if sheet is None and source.samples.span(valve) is None:
        return None
    judgement = source.records.judgement(valve)
    pending = [(b.done, b.total) for b in source.records.backfills() if b.valve == valve and not b.complete]
    working = source.work.work_standing(now).get(valve)
    shown = during_work(source, judgement, valve, working)
    onset, status = onset_ns(shown), status_of(shown)
    return ValveView(
        name=valve_name(valve, sheet),
        status=status,
        status_words=STATUS_WORDS.get(status, status),
        sentence=sentence_of(shown, sheet, waiting=bool(pending)),
        since=f"since {source.time.moment(onset, now)}" if onset is not None else "",
        state=state_words(shown, source.samples.span(valve)),
        basis=_basis_words(judgement),
        hours=_hours_words(judgement),
        sheet_words=_sheet_words(source, sheet, now),
        judged_until=_judged_words(source, judgement, now),
        liveness=liveness(source, valve, now),
        strip=strip_marks(judgement, all_columns=False),
        lines=sheet_lines(judgement, sheet),
        findings=finding_views(source, judgement, now),
        remarks=[str(r) for r in (judgement or {}).get("remarks", ())],
        progress=progress_of(pending),
    )


def finding_views(source: Source, judgement: Json | None, now_ns: int) -> list[FindingView]:
    """Leading findings, each with its consequences under it."""
    found = findings_of(judgement)
    kinds = {str(f["kind"]) for f in found}
    alarms = _active_alarms(source, str(judgement["valve"]), now_ns) if judgement is not None and found else {}
    views = []
    for finding in found:
        kind = str(finding["kind"])
        if finding.get("consequence_of") in kinds and finding.get("consequence_of") != kind:
            continue
        onset = parse_iso_ns(cast("str | None", finding.get("onset")))
        severity = int(finding.get("severity", 1))
        part = str(finding.get("part", ""))
        views.append(
            FindingView(
                title=sentence_case(kind_words(kind)),
                severity=severity,
                severity_words=SEVERITY_WORDS.get(severity, ""),
                since=f"since {source.time.moment(onset, now_ns)}" if onset is not None else "onset unknown",
                evidence=str(finding.get("evidence", "")),
                parts=_parts_words(part, [str(a) for a in finding.get("alternatives", ())]),
                look_first=look_first(part),
                consequences=[
                    f"{sentence_case(kind_words(str(f['kind'])))}: {f.get('evidence', '')}"
                    for f in found
                    if f.get("consequence_of") == kind and f is not finding
                ],
                onset_ns=onset,
                alarm=_alarm_words(source, alarms.get(kind), now_ns),
            )
        )
    return views


def _active_alarms(source: Source, valve: str, now_ns: int) -> dict[str, AlarmView]:
    """The newest active alarm of each kind."""
    views = fold_all(source.records.alarm_events(valve), now_ns)
    return {view.kind: view for view in views if view.active}


def _alarm_words(source: Source, alarm: AlarmView | None, now_ns: int) -> str:
    if alarm is None:
        return ""
    return f"Alarm {plain(alarm.state.value)}, raised {source.time.moment(alarm.raised_ns, now_ns)}."


def _parts_words(part: str, alternatives: list[str]) -> str:
    words = f"Likely {part_words(part)}"
    if alternatives:
        words += f", or {' or '.join(part_words(a) for a in alternatives)}: the channels recorded cannot tell"
    return words + "."


def _basis_words(judgement: Json | None) -> str:
    basis = cast("dict[str, str]", (judgement or {}).get("basis") or {})
    return "; ".join(f"{STATE_WORDS.get(state, state)}: {how}" for state, how in basis.items())


def _hours_words(judgement: Json | None) -> str:
    hours = cast("dict[str, float]", (judgement or {}).get("states") or {})
    shown = [f"{STATE_WORDS.get(state, state)} {age(value * 3600)}" for state, value in hours.items() if value > 0]
    return ", ".join(shown)


def _sheet_words(source: Source, sheet: Sheet | None, now_ns: int) -> str:
    if sheet is None:
        return "no sheet"
    revision = sheet.revision
    words = f"sheet {revision.number}"
    if revision.at is not None:
        words += f" of {source.time.moment(round(revision.at.timestamp()) * 10**9, now_ns).rsplit(' ', 1)[0]}"
    if revision.why:
        words += f", “{revision.why}”"
    return words


def _judged_words(source: Source, judgement: Json | None, now_ns: int) -> str:
    until = judged_until_ns(judgement)
    return "" if until is None else f"judged until {source.time.moment(until, now_ns)}"
