"""One valve: what is said of it, its findings and what hangs under them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from asleft.alarms.classes import class_of
from asleft.alarms.figures import called
from asleft.alarms.raising import PRODUCING, severity_with
from asleft.alarms.states import AlarmView, fold_all
from asleft.catalogue.finding_kinds import DANGER_KINDS
from asleft.catalogue.statuses import STATUS_WORDS
from asleft.sheet.model import QUANTITY_UNITS, Sheet, Tolerance
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.evidence.picture import NoPicture, Picture
from asleft.web.evidence.subject import of_finding
from asleft.web.evidence.view import evidence
from asleft.web.hrefs import alarm_href
from asleft.web.markup import StripMark
from asleft.web.source import Source
from asleft.web.views.alarms import state_words as alarm_state_words
from asleft.web.views.storing import Progress, progress_of
from asleft.web.views.valves import (
    Heard,
    Json,
    Liveness,
    ValveName,
    during_work,
    findings_of,
    heard,
    judged_until_ns,
    liveness,
    misread,
    onset_ns,
    sentence_of,
    state_words,
    status_of,
    strip_marks,
    tolerance_sides,
    valve_name,
)
from asleft.web.when import age, parse_iso_ns
from asleft.web.words import (
    CLASS_WORDS,
    STATE_WORDS,
    VERDICT_WORDS,
    kind_words,
    look_first,
    parts_words,
    sentence_case,
)

# The sheet as a table: as left, as found, tolerance used, verdict, and why not.


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One quantity of the sheet, ready to print."""

    quantity: str
    label: str
    as_left: str
    as_found: str
    uncertainty: str
    tolerance: str
    used: str
    verdict: str  # code
    verdict_words: str
    remark: str  # why not observed, the bound, or a qualification


def sheet_lines(judgement: Json | None, sheet: Sheet | None) -> list[SheetLine]:
    """The table as left | as found, worst first within nothing: always in the order every screen uses."""
    if judgement is None:
        return [] if sheet is None else [_entered_line(sheet, q) for q in QUANTITY_UNITS if q in sheet.as_left]
    by_id = {str(q["id"]): q for q in judgement.get("quantities", ())}
    return [_line(q, by_id[q]) for q in QUANTITY_UNITS if q in by_id]


def _line(quantity: str, found: Json) -> SheetLine:
    verdict = str(found.get("verdict", "not-observed"))
    used = cast("float | None", found.get("tolerance_used"))
    below, above = tolerance_sides(found)
    observed, shown = verdict != "not-observed", units.current().quantity
    return SheetLine(
        quantity=quantity,
        label=LABELS[quantity],
        as_left=shown(quantity, cast("float | None", found.get("as_left"))),
        as_found=shown(quantity, cast("float | None", found.get("as_found"))) if observed else "–",
        uncertainty=_uncertainty_words(quantity, found) if observed else "–",
        tolerance=_least_words(below) if quantity == "headroom" else _tolerance_words(quantity, below, above),
        used=percent(used) if used is not None and observed else "–",
        verdict=verdict,
        verdict_words=VERDICT_WORDS.get(verdict, verdict),
        remark=_remark(quantity, found),
    )


def _entered_line(sheet: Sheet, quantity: str) -> SheetLine:
    tolerance = sheet.tolerance.get(quantity)
    return SheetLine(
        quantity=quantity,
        label=LABELS[quantity],
        as_left=units.current().quantity(quantity, sheet.as_left[quantity]),
        as_found="–",
        uncertainty="–",
        tolerance=units.current().tolerance(quantity, tolerance) if tolerance is not None else "–",
        used="–",
        verdict="not-observed",
        verdict_words="not judged yet",
        remark="",
    )


def _uncertainty_words(quantity: str, found: Json) -> str:
    spread = cast("float | None", found.get("uncertainty"))
    return units.current().uncertainty(quantity, spread)


def _tolerance_words(quantity: str, below: float | None, above: float | None) -> str:
    if below is None and above is None:
        return "–"
    infinite = float("inf")
    sides = Tolerance(infinite if below is None else below, infinite if above is None else above)
    return units.current().tolerance(quantity, sides)


def _least_words(least: float | None) -> str:
    """Headroom has no as left to depart from, only a least."""
    return "–" if least is None else f"≥ {least:.3g}"


def _remark(quantity: str, found: Json) -> str:
    parts = []
    reason = str(found.get("reason") or "")
    if reason:
        parts.append(reason)
    bound = cast("dict[str, Any]", found.get("bound") or {})
    words = bound_words(quantity, bound)
    # The judge may already have put the bound into its reason.
    if words and not any(text in reason for text in ("not slower than", "not faster than", "at least", "at most")):
        parts.append(words)
    trend = cast("float | None", found.get("trend_per_day"))
    if trend and _worth_telling(trend, found):
        parts.append(f"moves by {units.current().rate(quantity, trend)} a day")
    return "; ".join(parts)


def bound_words(quantity: str, bound: dict[str, Any]) -> str:
    """Such as "not slower than 0.8 s": it is known to lie `below` one value, or `above` another."""
    words = []
    ramp, shown = quantity in ("ramp_up", "ramp_down"), units.current().quantity
    if bound.get("below") is not None:
        text = shown(quantity, float(bound["below"]))
        words.append(f"not slower than {text}" if ramp else f"at most {text}")
    if bound.get("above") is not None:
        text = shown(quantity, float(bound["above"]))
        words.append(f"not faster than {text}" if ramp else f"at least {text}")
    return ", ".join(words)


def percent(used_pct: float) -> str:
    """Tolerance used, signed, without the sign of nothing."""
    rounded = round(used_pct)
    return f"{rounded:+d} %".replace("-", "−") if rounded else "0 %"


def _worth_telling(trend_per_day: float, found: Json) -> bool:
    """A trend that in three weeks would use up a third of the tolerance."""
    below, above = tolerance_sides(found)
    side = (above if trend_per_day > 0 else below) or above or below
    return side is not None and abs(trend_per_day) * 21 > side / 3


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding, with what hangs under it."""

    kind: str
    title: str
    severity: int
    severity_words: str
    since: str
    evidence: str
    parts: str
    look_first: str
    consequences: list[str]
    onset_ns: int | None
    alarm: str  # state of the alarm it raised, or why it raised none yet
    alarm_href: str  # where that alarm is, empty without one
    picture: Picture | NoPicture


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

    @property
    def heard(self) -> Heard:
        """What stands at the head of its page."""
        return heard(self.status, self.status_words, self.sentence, self.liveness)


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
        under = [one for one in found if one.get("consequence_of") == kind and one is not finding]
        severity = severity_with(
            kind, int(finding.get("severity", 1)), (int(one.get("severity", 1)) for one in under)
        )
        part, alarm = str(finding.get("part", "")), alarms.get(kind)
        klass = class_of(kind, max(severity, alarm.severity if alarm is not None else 1))
        views.append(
            FindingView(
                kind=kind,
                title=sentence_case(kind_words(kind)),
                severity=severity,
                severity_words=CLASS_WORDS[klass],
                since=f"since {source.time.moment(onset, now_ns)}" if onset is not None else "onset unknown",
                evidence=str(finding.get("evidence", "")),
                parts=parts_words(part, [str(a) for a in finding.get("alternatives", ())]),
                look_first=look_first(part),
                consequences=[f"{sentence_case(kind_words(str(f['kind'])))}: {f.get('evidence', '')}" for f in under],
                onset_ns=onset,
                alarm=_alarm_words(source, alarm, now_ns) if alarm is not None else _why_no_alarm(kind, judgement),
                alarm_href="" if alarm is None else alarm_href(alarm.alarm),
                picture=evidence(source, of_finding(str((judgement or {})["valve"]), finding), judgement),
            )
        )
    return views


def _active_alarms(source: Source, valve: str, now_ns: int) -> dict[str, AlarmView]:
    """The newest active alarm of each kind."""
    views = fold_all(source.records.alarm_events(valve), now_ns)
    return {view.kind: view for view in views if view.active}


def _alarm_words(source: Source, alarm: AlarmView, now_ns: int) -> str:
    words = f"Alarm {alarm_state_words(source, alarm, now_ns)}, raised {source.time.moment(alarm.raised_ns, now_ns)}"
    if not called(alarm, now_ns):
        words += "; nobody is called before it has lasted a while"
    return f"{words}."


def _why_no_alarm(kind: str, judgement: Json | None) -> str:
    """Why a finding is in no list of alarms."""
    state = str((judgement or {}).get("state", "unknown"))
    if misread(judgement):
        return "No alarm: the readings do not fit the sheet, so nothing is claimed of the machine."
    if state != PRODUCING and kind not in DANGER_KINDS:
        return (
            f"No alarm yet: the machine is not producing ({STATE_WORDS.get(state, state)}). It is raised if this is "
            "still so when it produces again."
        )
    return "No alarm yet: it is raised as soon as readings after the last alarm of this valve are judged."


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
        words += f" of {source.time.date(round(revision.at.timestamp()) * 10**9, now_ns)}"
    if revision.why:
        words += f", “{revision.why}”"
    return words


def _judged_words(source: Source, judgement: Json | None, now_ns: int) -> str:
    until = judged_until_ns(judgement)
    return "" if until is None else f"judged until {source.time.moment(until, now_ns)}"
