"""What every page says of one valve: names, status, liveness, and its strip."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

from asleft.catalogue.finding_kinds import DANGER_KINDS, READING_KINDS
from asleft.catalogue.statuses import STATUS_WORDS, Status
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS, SHORT_LABELS
from asleft.store.work import Work
from asleft.web import units
from asleft.web.hrefs import work_href
from asleft.web.markup import StripMark, Verdict
from asleft.web.source import Source
from asleft.web.when import PlantTime, age, parse_iso_ns
from asleft.web.words import STATE_WORDS, VERDICT_WORDS, sentence_case

#: Younger data than this is "live": blocks come about once a second, and the network may take a few.
LIVE_WITHIN_S = 6.0
#: The judge works every few seconds; further behind, what it says is of the past.
LAGS_BEYOND_S = 120.0

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Liveness:
    """How old the newest sample is, in words."""

    live: bool
    word: str  # "live", "silent", "no data"
    age: str  # "0.8 s old", "since 14:03"
    age_s: float | None


@dataclass(frozen=True, slots=True)
class Heard:
    """What is said of a valve, as far as it is heard: one that is silent is never called good."""

    status: str
    words: str
    sentence: str


def heard(status: str, words: str, sentence: str, liveness: Liveness) -> Heard:
    """What was judged, put as what is known now. `words` are those of the status, with what follows them."""
    if status != Status.GOOD or liveness.live:
        return Heard(status, words, sentence)
    last = words.replace(STATUS_WORDS[Status.GOOD], "as left when last heard", 1)
    now = sentence_case(f"{liveness.word} {liveness.age}".strip())
    return Heard(Status.NOT_JUDGED, last, f"{now}. When last heard: {sentence[:1].lower()}{sentence[1:]}")


@dataclass(frozen=True, slots=True)
class ValveName:
    """What a valve is called."""

    id: str
    name: str  # which valve on its press, or the id where the sheet does not say
    press: str

    @property
    def spoken(self) -> str:
        """As in "clamp pressure of Press 2"."""
        return f"{self.name} of {self.press}" if self.press else self.name


def valve_name(valve: str, sheet: Sheet | None) -> ValveName:
    """Labels from the sheet, the id where there is none."""
    if sheet is None:
        return ValveName(valve, valve, "")
    return ValveName(valve, sheet.name or (sheet.press and valve) or valve, sheet.press)


def liveness(source: Source, valve: str, now_ns: int) -> Liveness:
    """From the newest stored sample."""
    return liveness_of(source.samples.span(valve), now_ns, source.time)


def liveness_of(span: tuple[int, int] | None, now_ns: int, time: PlantTime) -> Liveness:
    """From the span (unix ns) of what is stored of a valve."""
    if span is None:
        return Liveness(False, "no data", "never seen", None)
    seconds = (now_ns - span[1]) / 1e9
    if seconds <= LIVE_WITHIN_S:
        return Liveness(True, "live", f"{age(seconds)} old", seconds)
    return Liveness(False, "silent", f"since {time.moment(span[1], now_ns)}", seconds)


def not_known(stored: Liveness) -> Liveness:
    """Of a valve whose newest readings are old while nothing can be stored: that says nothing of the valve."""
    return replace(stored, word="not known", age=f"nothing stored {stored.age}" if stored.age_s else stored.age)


def status_of(judgement: Json | None) -> str:
    """The status, "not-judged" where there is no judgement."""
    return "not-judged" if judgement is None else str(judgement.get("status", "not-judged"))


def misread(judgement: Json | None) -> bool:
    """Whether the readings do not fit the sheet, so that nothing is claimed of the machine."""
    return judgement is not None and (judgement.get("fit") or {}).get("fits") is False


def judged_until_ns(judgement: Json | None) -> int | None:
    """Time of the newest sample that the judgement rests on."""
    return parse_iso_ns(cast("str | None", judgement.get("to"))) if judgement is not None else None


def lags(judgement: Json | None, span: tuple[int, int] | None) -> bool:
    """Whether the judgement is of another time than the newest samples, so that it must be dated."""
    until = judged_until_ns(judgement)
    return until is not None and span is not None and (span[1] - until) / 1e9 > LAGS_BEYOND_S


def state_words(judgement: Json | None, span: tuple[int, int] | None) -> str:
    """What the machine is doing, in words; empty where that is not judged, or was judged of another time."""
    if judgement is None or lags(judgement, span):
        return ""
    state = str(judgement.get("state", "unknown"))
    return STATE_WORDS.get(state, state)


def findings_of(judgement: Json | None) -> list[Json]:
    """The findings, heaviest first, then the earliest."""
    found = cast("list[Json]", list(judgement.get("findings", ())) if judgement else [])
    if len(found) < 2:
        return found
    return sorted(found, key=lambda f: (-int(f.get("severity", 0)), str(f.get("onset") or "9")))


def onset_ns(judgement: Json | None) -> int | None:
    """Since when the leading finding of the machine stands; of its readings none is."""
    for finding in findings_of(judgement):
        if finding.get("consequence_of") is None and finding["kind"] not in READING_KINDS:
            return parse_iso_ns(cast("str | None", finding.get("onset")))
    return None


def sentence_of(judgement: Json | None, sheet: Sheet | None, *, waiting: bool) -> str:
    """The judge's sentence, or why there is none and what to do."""
    if judgement is not None:
        return str(judgement.get("sentence", ""))
    if sheet is None:
        return "No sheet yet: stored, not judged. Enter one with “asleft sheet put SHEET.toml --data DIR”."
    if waiting:
        return "Its history is being judged; the first sentence follows."
    return "Not judged yet: waiting for the first stretch of production."


def strip_marks(judgement: Json | None, *, all_columns: bool) -> list[StripMark]:
    """One mark per quantity, in the order every screen uses. With `all_columns` also those not in the sheet."""
    by_id = {str(q["id"]): q for q in (judgement or {}).get("quantities", ())}
    marks = []
    for quantity in QUANTITY_UNITS:
        found = by_id.get(quantity)
        if found is not None:
            marks.append(_mark(quantity, found))
        elif all_columns:
            marks.append(StripMark(quantity, SHORT_LABELS[quantity], None, None, "absent"))
    return marks


def strip_words(marks: Sequence[StripMark]) -> str:
    """A strip read out."""
    shown = [f"{LABELS[m.quantity]} {mark_words(m)}" for m in marks if m.verdict != "absent"]
    return "Deviation in percent of tolerance: " + ("; ".join(shown) if shown else "nothing judged yet") + "."


def furthest_words(marks: Sequence[StripMark]) -> str:
    """A strip read out shortly: the quantity that has used most of its tolerance, and how many are not observed."""
    seen = [mark for mark in marks if mark.used_pct is not None]
    if not seen:
        return "Nothing observed yet."
    most = max(seen, key=lambda mark: abs(mark.used_pct or 0.0))
    unseen = sum(mark.verdict == "not-observed" for mark in marks)
    words = f"Furthest from as left: {LABELS[most.quantity]}, {mark_words(most)}"
    return f"{words}; {unseen} not observed." if unseen else f"{words}."


def tolerance_sides(quantity: Json) -> tuple[float | None, float | None]:
    """Permitted departures (below, above), both >= 0, None where a side is not judged."""
    tolerance = quantity.get("tolerance")
    if tolerance is None:
        return None, None
    if isinstance(tolerance, (list, tuple)):
        low, high = tolerance
        return (None if low is None else abs(float(low))), (None if high is None else float(high))
    return float(tolerance), float(tolerance)


def _mark(quantity: str, found: Json) -> StripMark:
    verdict: Verdict = found.get("verdict", "not-observed")
    used, value = found.get("tolerance_used"), found.get("as_found")
    label = SHORT_LABELS[quantity]
    if used is None and verdict == "in":
        # It departed to the side that has no tolerance: as good as in the middle, and no share of anything.
        return StripMark(quantity, label, 0.0, None, verdict, value, "no limit on that side")
    if used is None or not math.isfinite(used) or verdict == "not-observed":
        return StripMark(quantity, label, None, None, "not-observed", None, str(found.get("reason") or ""))
    below, above = tolerance_sides(found)
    side = (above if used >= 0 else below) or above or below
    spread = found.get("uncertainty")
    uncertainty = spread / side * 100 if spread is not None and side else None
    return StripMark(quantity, label, used, uncertainty, verdict, value)


def mark_words(mark: StripMark) -> str:
    """One quantity of a strip read out: "+5 %, in (0.181 A)". Made where it is read: most of many never are."""
    if mark.used_pct is None:
        return (
            "not in the sheet" if mark.verdict == "absent" else ": ".join(filter(None, ("not observed", mark.reason)))
        )
    value, verdict = (
        units.current().quantity(mark.quantity, mark.value),
        VERDICT_WORDS.get(mark.verdict, mark.verdict),
    )
    if mark.reason:
        return f"{verdict} ({value}), {mark.reason}"
    figure = f"{round(mark.used_pct):+d}".replace("-", "−") if round(mark.used_pct) else "0"
    return f"{figure} %, {verdict} ({value})"


# What is still said of a valve while work on it is declared.

STATE = "work-in-progress"


def work_words(time: PlantTime, work: Work, now_ns: int) -> str:
    """As in "Work in progress until 18:00: coil changed, by kl. Not judged."."""
    why = " ".join(work.why.split()).rstrip(".")
    return f"Work in progress until {time.moment(work.until_ns, now_ns)}: {why}, by {work.who}. Not judged."


def during_work(source: Source, judgement: Json | None, valve: str, work: Work | None) -> Json | None:
    """What is to be said of a valve while work on it is declared; as it is where none is.

    What was judged before stands still meanwhile: of the findings only evidence of danger is told, by name.
    """
    if work is None:
        return judgement
    words = work_words(source.time, work, source.now_ns())
    known = judgement or {"valve": valve, "quantities": [], "findings": []}
    danger = [finding for finding in findings_of(judgement) if finding["kind"] in DANGER_KINDS]
    if danger:
        words += f" Even so: {danger[0].get('evidence', '')}"
    status = known["status"] if danger else "function-check"
    return {**known, "status": status, "sentence": words, "state": STATE, "findings": danger}


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One valve that is being worked on."""

    name: ValveName
    href: str
    words: str


def work_lines(source: Source) -> list[WorkLine]:
    """Every valve that is being worked on, what expires first first."""
    now = source.now_ns()
    found = sorted(source.work.work_standing(now).values(), key=lambda work: (work.until_ns, work.valve))
    return [
        WorkLine(
            valve_name(work.valve, source.sheet(work.valve, now)),
            work_href(work.valve),
            work_words(source.time, work, now),
        )
        for work in found
    ]
