"""All presses at a glance: the opening sentence, what changed since yesterday, every valve, worst first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from urllib.parse import quote

from asleft.catalogue.statuses import STATUS_ORDER, STATUS_WORDS
from asleft.web import units
from asleft.web.source import Source
from asleft.web.svg import StripMark
from asleft.web.views.fleet_filter import Filter, Subject, counts
from asleft.web.views.valves import (
    Json,
    Liveness,
    ValveName,
    findings_of,
    judged_until_ns,
    lags,
    liveness_of,
    misread,
    onset_ns,
    sentence_of,
    state_words,
    status_of,
    strip_marks,
    valve_name,
)
from asleft.web.views.working import during_work
from asleft.web.words import STATE_WORDS, kind_words, number, plural, sentence_case

WORK_WORDS = STATE_WORDS["work-in-progress"]
MISREAD_WORDS = "readings that do not fit the sheet"
ROOMY_UP_TO = 30
"""So many valves get a row each with room for their whole sentence; more are shown densely."""


#: Rank of the status, severity, tolerance used, name.
Weight = tuple[int, int, float, list[tuple[int, str]]]


@dataclass(frozen=True, slots=True)
class Progress:
    """History being judged, over all valves."""

    done: int
    total: int

    @property
    def words(self) -> str:
        """What the bar says."""
        return f"History is being judged: {self.done} of {self.total} windows. As-found values appear as it proceeds."


@dataclass(frozen=True, slots=True)
class Change:
    """One difference from a day ago."""

    valve: ValveName
    sort: str  # "New", "Gone" or "Changed"
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """One valve in the list."""

    name: ValveName
    href: str
    status: str
    status_words: str  # with since when
    sentence: str
    strip: list[StripMark]
    liveness: Liveness
    state: str
    changes: list[str]  # since yesterday
    weight: Weight  # sorts worst first
    misread: bool = False  # the readings do not fit the sheet

    @property
    def calm(self) -> bool:
        """Nothing to say but its name: as it was left, live, and so it was yesterday."""
        return self.status == "good" and self.liveness.live and not self.changes

    @property
    def subject(self) -> Subject:
        """What filters look at."""
        said = (self.name.press, self.name.name, self.name.id, self.status_words, self.sentence, *self.changes)
        text = " ".join(said).lower()
        return Subject(self.status, self.name.press, bool(self.changes), not self.liveness.live, text)


@dataclass(frozen=True, slots=True)
class PressesView:
    """The whole page."""

    headline: str
    subline: str
    changes: list[Change]
    rows: list[Row]
    progress: Progress | None
    chosen: Filter = field(default_factory=Filter)
    shown: list[Row] = field(default_factory=list)  # those of `rows` that are chosen
    note: str = ""  # of the unit of pressures

    @property
    def empty(self) -> bool:
        """Nothing to show yet."""
        return not self.rows

    @property
    def many(self) -> bool:
        """Whether there are so many valves that one wants to choose among them."""
        return len(self.rows) > ROOMY_UP_TO

    @property
    def dense(self) -> bool:
        """Whether a valve gets one line, and those without news only their name and strip."""
        return len(self.shown) > ROOMY_UP_TO

    @property
    def lines(self) -> list[Row]:
        """What a dense page gives a line each, worst first."""
        return [row for row in self.shown if not row.calm]

    @property
    def calm(self) -> list[Row]:
        """What a dense page only names, in the order of their names."""
        return [row for row in self.shown if row.calm]

    @property
    def presses(self) -> list[str]:
        """The presses there are, "Press 2" before "Press 10"."""
        return sorted({row.name.press for row in self.rows if row.name.press}, key=_counting)

    @property
    def counts(self) -> dict[str, int]:
        """How many valves each choice of status would show."""
        return counts(self.chosen, [row.subject for row in self.rows])


def presses_view(source: Source, chosen: Filter | None = None) -> PressesView:
    """Reads everything the page shows, all valves at once."""
    now, fleet, chosen = source.now_ns(), source.fleet(), chosen or Filter()
    waiting = {valve for valve, b in fleet.backfills.items() if not b.complete}
    rows: list[Row] = []
    changes: list[Change] = []
    working = source.work.work_standing(now)
    for valve in fleet.valves:
        sheet, judgement, span = fleet.sheets.get(valve), fleet.judgements.get(valve), fleet.spans.get(valve)
        shown = during_work(source, judgement, valve, working.get(valve))
        name = valve_name(valve, sheet)
        news = [] if valve in waiting else changes_between(fleet.yesterday.get(valve), judgement)
        changes += [Change(name, sort, words) for sort, words in news]
        rows.append(
            Row(
                name=name,
                href=valve_href(valve),
                status=status_of(shown),
                status_words=_since_words(source, shown, span, now),
                sentence=sentence_of(shown, sheet, waiting=valve in waiting),
                strip=strip_marks(judgement, all_columns=True),
                liveness=liveness_of(span, now, source.time),
                state=state_words(shown, span),
                changes=[f"{sort.lower()}: {words}" for sort, words in news],
                weight=_weight(shown, name),
                misread=misread(shown),
            )
        )
    rows.sort(key=lambda row: row.weight)
    return PressesView(
        headline=headline(rows, waiting=bool(waiting)),
        subline=_subline(rows, changes, waiting=bool(waiting)),
        changes=changes,
        rows=rows,
        progress=progress_of([(b.done, b.total) for b in fleet.backfills.values() if not b.complete]),
        chosen=chosen,
        shown=[row for row in rows if chosen.takes(row.subject)],
        note=units.current().note,
    )


def valve_href(valve: str) -> str:
    """The address of a valve's page."""
    return f"/valve/{quote(valve, safe='')}"


def progress_of(pending: Sequence[tuple[int, int]]) -> Progress | None:
    """Sum over the valves still waiting, None when all is done."""
    return Progress(sum(d for d, _ in pending), sum(t for _, t in pending)) if pending else None


def headline(rows: Sequence[Row], *, waiting: bool = False) -> str:
    """What a colleague would say first: how many are as they were left, and what is worst.

    `waiting`: history is still being judged, so it says "so far".
    """
    if not rows:
        return "No valve yet."
    judged = [row for row in rows if row.status != "not-judged"]
    if not judged:
        return f"{number(len(rows), first=True)} {plural(len(rows), 'valve')}, none judged yet."
    # A set-up without a finding is as left as ever; of what is worked on nobody knows.
    good = sum(
        row.status == "good" or (row.status == "function-check" and row.state != WORK_WORDS and not row.misread)
        for row in judged
    )
    if good == len(rows):
        so_far = "So far, " if waiting else ""
        words = "the valve is as it was left." if good == 1 else f"all {number(good)} valves are as they were left."
        return so_far + words if waiting else sentence_case(words)
    verb = "is as it was" if good == 1 else "are as they were"
    count = f"{number(good)} of {number(len(rows))} {plural(len(rows), 'valve')} {verb} left."
    opening = f"So far, {count}" if waiting else sentence_case(count)
    worst = rows[0]
    where = ", ".join(part for part in (worst.name.press, worst.name.name) if part)
    return f"{opening} {where}: {lower_first(first_sentence(worst.sentence))}"


def changes_between(before: Json | None, now: Json | None) -> list[tuple[str, str]]:
    """What is different in one valve; nothing can be said where either is missing."""
    if before is None or now is None:
        return []
    old = {str(f["kind"]) for f in findings_of(before)}
    new = {str(f["kind"]) for f in findings_of(now) if f.get("consequence_of") is None}
    gone = {str(f["kind"]) for f in findings_of(before) if f.get("consequence_of") is None} - {
        str(f["kind"]) for f in findings_of(now)
    }
    if misread(before) != misread(now):  # what was found or went with it is no news of the machine
        return [("New" if misread(now) else "Gone", MISREAD_WORDS)]
    changes = [("New", kind_words(kind)) for kind in sorted(new - old)]
    changes += [("Gone", kind_words(kind)) for kind in sorted(gone)]
    busy = "function-check" in (status_of(before), status_of(now))  # a set-up comes and goes: that is no news
    if not changes and not busy and status_of(before) != status_of(now):
        was, is_ = STATUS_WORDS.get(status_of(before), ""), STATUS_WORDS.get(status_of(now), "")
        changes.append(("Changed", f"{was} yesterday, {is_} now"))
    return changes


def first_sentence(text: str) -> str:
    """Up to the first full stop that ends a sentence (a decimal point does not)."""
    for index, (char, following) in enumerate(pairwise(text + " ")):
        if char == "." and following == " ":
            return text[: index + 1]
    return text


def lower_first(text: str) -> str:
    """First letter lower case, so that a sentence can follow a colon."""
    return text[:1].lower() + text[1:]


def _counting(name: str) -> list[tuple[int, str]]:
    """Sorts names with numbers in them as people count."""
    return [(int(part), "") if part.isdecimal() else (0, part.lower()) for part in re.split(r"(\d+)", name)]


def _since_words(source: Source, judgement: Json | None, span: tuple[int, int] | None, now_ns: int) -> str:
    words = STATUS_WORDS.get(status_of(judgement), status_of(judgement))
    onset = onset_ns(judgement)
    if onset is not None:
        words += f" since {source.time.moment(onset, now_ns)}"
    until = judged_until_ns(judgement)
    if until is not None and lags(judgement, span):
        words += f", judged until {source.time.moment(until, now_ns)}"
    return words


def _subline(rows: Sequence[Row], changes: Sequence[Change], *, waiting: bool) -> str:
    if not rows:
        return ""
    parts = ["Since yesterday: nothing new."] if not (changes or waiting) else []
    wrong = sum(row.misread for row in rows)
    if wrong:
        verb = plural(wrong, "valve sends readings that do", "valves send readings that do")
        parts.append(f"{number(wrong, first=True)} {verb} not fit the sheet.")
    busy = sum(row.status == "function-check" and not row.misread for row in rows)
    if busy:
        verb = plural(busy, "valve is", "valves are")
        parts.append(f"{sentence_case(number(busy))} {verb} in set-up or being worked on.")
    blind = sum(any(mark.verdict == "not-observed" for mark in row.strip) for row in rows)
    if 0 < blind < len(rows):
        parts.append(
            f"{number(blind, first=True)} {plural(blind, 'valve has', 'valves have')} quantities that production "
            "cannot show."
        )
    silent = sum(not row.liveness.live for row in rows)
    if silent:
        parts.append(f"{number(silent, first=True)} {plural(silent, 'sends', 'send')} no data now.")
    return " ".join(parts)


def _weight(judgement: Json | None, name: ValveName) -> Weight:
    status = status_of(judgement)
    rank = STATUS_ORDER.index(status) if status in STATUS_ORDER else len(STATUS_ORDER)
    severity = max((int(f.get("severity", 0)) for f in findings_of(judgement)), default=0)
    used = max((abs(m.used_pct) for m in strip_marks(judgement, all_columns=False) if m.used_pct), default=0.0)
    return rank, -severity, -min(used, 1000.0) if status != "good" else 0.0, _counting(f"{name.press} {name.name}")
