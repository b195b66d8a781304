"""All presses at a glance: the opening sentence, what changed since yesterday, every valve, worst first."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import pairwise
from urllib.parse import parse_qs, urlencode

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.states import AlarmView
from asleft.catalogue.finding_kinds import READING_KINDS
from asleft.catalogue.statuses import STATUS_ORDER, STATUS_WORDS
from asleft.sheet.model import Sheet
from asleft.store.work import Work
from asleft.web import units
from asleft.web.hrefs import valve_href
from asleft.web.markup import StripMark
from asleft.web.source import Source
from asleft.web.views.storing import Progress, progress_of, recorder_of, stores_trouble, storing_trouble
from asleft.web.views.valves import (
    Heard,
    Json,
    Liveness,
    ValveName,
    during_work,
    findings_of,
    heard,
    judged_until_ns,
    lags,
    liveness_of,
    misread,
    not_known,
    onset_ns,
    sentence_of,
    state_words,
    status_of,
    strip_marks,
    valve_name,
)
from asleft.web.words import (
    CLASS_WORDS,
    STATE_WORDS,
    kind_words,
    lower_first,
    number,
    plural,
    sentence_case,
    share_as_left,
)

# Which valves of many are shown: read from the address of the page, so that a link restores the view.

LONGEST_TEXT = 100

CHANGED, SILENT = "changed", "silent"
#: What stands after `status=` in an address: the statuses, worst first, and two questions across all of them.
CHOICES: Mapping[str, str] = {
    **{status: STATUS_WORDS[status] for status in STATUS_ORDER},
    CHANGED: "changed since yesterday",
    SILENT: "no data now",
}


@dataclass(frozen=True, slots=True)
class Subject:
    """What a filter looks at in a valve."""

    status: str
    press: str
    changed: bool
    silent: bool
    text: str  # everything that is said of it, in lower case


@dataclass(frozen=True, slots=True)
class Filter:
    """The parts of an address that choose valves; empty ones choose all. `fault`: what in it means nothing here."""

    status: str = ""
    press: str = ""
    text: str = ""
    fault: str = ""

    @property
    def active(self) -> bool:
        """Whether anything is chosen."""
        return bool(self.status or self.press or self.text)

    @property
    def words(self) -> str:
        """The choice in words, "out of specification, Press 4, “ramp”"."""
        chosen = (CHOICES.get(self.status, ""), self.press, f"“{self.text}”" if self.text else "")
        return ", ".join(part for part in chosen if part)

    @property
    def href(self) -> str:
        """The address of the page with this choice."""
        query = {"status": self.status, "press": self.press, "q": self.text}
        given = urlencode({key: value for key, value in query.items() if value})
        return f"/?{given}" if given else "/"

    def with_status(self, status: str) -> Filter:
        """The same with another status, or (empty) with any."""
        return replace(self, status=status, fault="")

    def takes(self, subject: Subject) -> bool:
        """Whether a valve is among those chosen. Every word of the text must occur somewhere."""
        if self.press and subject.press != self.press:
            return False
        if not all(word in subject.text for word in self.text.lower().split()):
            return False
        if self.status == CHANGED:
            return subject.changed
        return subject.silent if self.status == SILENT else self.status in ("", subject.status)


def parse_filter(search: str | None) -> Filter:
    """From the part of an address behind the question mark. What is no status is named in `fault`, and left out."""
    given = parse_qs((search or "").lstrip("?"), max_num_fields=20) if (search or "").count("&") < 20 else {}

    def last(name: str) -> str:
        return " ".join(given.get(name, [""])[-1].split())[:LONGEST_TEXT]

    status, fault = last("status"), ""
    if status and status not in CHOICES:
        fault = f"status = “{status}” means nothing here; it is one of {', '.join(CHOICES)}."
        status = ""
    return Filter(status, last("press"), last("q"), fault)


def counts(chosen: Filter, subjects: Sequence[Subject]) -> dict[str, int]:
    """How many valves each status would show, with the rest of the choice as it is; "" counts them all."""
    found = list(filter(chosen.with_status("").takes, subjects))
    by = Counter(subject.status for subject in found)
    by.update({"": len(found), CHANGED: sum(one.changed for one in found), SILENT: sum(one.silent for one in found)})
    return {status: by[status] for status in ("", *CHOICES)}


WORK_WORDS = STATE_WORDS["work-in-progress"]
MISREAD_WORDS = "readings that do not fit the sheet"
ROOMY_UP_TO = 30
"""So many valves get a row each with room for their whole sentence; more are shown densely."""


SHOWN = ("status", "state", "sentence", "quantities", "findings", "fit")
"""Keys of a judgement that a row is made of, beside until when was judged."""

COMMON_FROM = 3
"""From so many valves on, the same news is told once, with their number."""
#: Rank of the status, severity, tolerance used, name.
Weight = tuple[int, int, float, tuple[tuple[int, str], ...]]


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
    wait: str = ""  # whether what was found can wait; empty where nothing was

    @property
    def calm(self) -> bool:
        """Nothing to say but its name: as it was left, live, and so it was yesterday."""
        return self.status == "good" and self.liveness.live and not self.changes and not self.wait

    @property
    def heard(self) -> Heard:
        """What is said of it in the list."""
        return heard(self.status, self.status_words, self.sentence, self.liveness)

    @property
    def first_sentence(self) -> str:
        """What is said of it in a line."""
        return first_sentence(self.heard.sentence)

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


def presses_view(source: Source, chosen: Filter | None = None, *, everything: bool = False) -> PressesView:
    """Reads everything the page shows, all valves at once; with `everything` also what is too much for a page."""
    now, fleet, chosen = source.now_ns(), source.fleet(everything=everything), chosen or Filter()
    waiting = {valve for valve, b in fleet.backfills.items() if not b.complete}
    unit, today = units.current().unit, source.time.local(now).date()
    rows: list[Row] = []
    changes: list[Change] = []
    working = source.work.work_standing(now)
    standing: dict[str, list[AlarmView]] = {}
    for alarm in source.alarms_standing():
        standing.setdefault(alarm.valve, []).append(alarm)
    for valve in fleet.valves:
        said = _Said(
            valve=valve,
            sheet=fleet.sheets.get(valve),
            judgement=fleet.judgements.get(valve),
            yesterday=fleet.yesterday.get(valve),
            work=working.get(valve),
            standing=standing.get(valve, []),
            waiting=valve in waiting,
            lagging=lags(fleet.judgements.get(valve), fleet.spans.get(valve)),
        )
        row, news = source.unchanged(("row", valve, unit), (said.known, today), partial(_row, source, said, now))
        changes += news
        rows.append(replace(row, liveness=liveness_of(fleet.spans.get(valve), now, source.time)))
    rows.sort(key=lambda row: row.weight)
    cause = "" if all(row.liveness.live for row in rows) else _why_nothing_comes(source, now)
    if cause:  # nobody is silent for what is not stored
        rows = [row if row.liveness.live else replace(row, liveness=not_known(row.liveness)) for row in rows]
    return PressesView(
        headline=headline(rows, waiting=bool(waiting)),
        subline=_subline(rows, changes, fleet.unlisted, waiting=bool(waiting), cause=cause),
        changes=together(changes),
        rows=rows,
        progress=progress_of([(b.done, b.total) for b in fleet.backfills.values() if not b.complete]),
        chosen=chosen,
        shown=[row for row in rows if chosen.takes(row.subject)] if chosen.active else rows,
        note=units.current().note,
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """All that a row is made of but the age of the newest reading, which is another with every look."""

    valve: str
    sheet: Sheet | None
    judgement: Json | None
    yesterday: Json | None
    work: Work | None
    standing: list[AlarmView]
    waiting: bool
    lagging: bool

    @property
    def known(self) -> tuple[object, ...]:
        """To compare with another: until when was judged is only said where the judgement lags."""
        until = judged_until_ns(self.judgement) if self.lagging else None
        now, then = _without_time(self.judgement), _without_time(self.yesterday)
        return (self.sheet, now, then, self.work, self.standing, self.waiting, until)


def _without_time(judgement: Json | None) -> tuple[object, ...] | None:
    return None if judgement is None else tuple(judgement.get(key) for key in SHOWN)


def _row(source: Source, said: _Said, now_ns: int) -> tuple[Row, list[Change]]:
    shown = during_work(source, said.judgement, said.valve, said.work)
    name = valve_name(said.valve, said.sheet)
    strip = strip_marks(said.judgement, all_columns=True)
    news = [] if said.waiting else changes_between(said.yesterday, said.judgement)
    row = Row(
        name=name,
        href=valve_href(said.valve),
        status=status_of(shown),
        status_words=_since_words(source, shown, now_ns, lagging=said.lagging),
        sentence=sentence_of(shown, said.sheet, waiting=said.waiting),
        strip=strip,
        liveness=liveness_of(None, now_ns, source.time),
        state="" if said.lagging else state_words(shown, None),
        changes=[f"{sort.lower()}: {words}" for sort, words in news],
        weight=_weight(shown, name, strip),
        misread=misread(shown),
        wait=wait_words(shown, said.standing),
    )
    return row, [Change(name, sort, words) for sort, words in news]


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
    count = share_as_left(good, len(rows), judged=len(judged))
    opening = f"So far, {lower_first(count)}" if waiting else count
    if good == len(rows):
        return opening
    worst = rows[0]
    where = ", ".join(part for part in (worst.name.press, worst.name.name) if part)
    return f"{opening} {where}: {lower_first(first_sentence(worst.sentence))}"


def wait_words(judgement: Json | None, alarms: Iterable[AlarmView] = ()) -> str:
    """Whether what was found can wait, by the most urgent class of it; empty where nothing was found.

    `alarms`: those of the valve, which keep the most urgent class that they had. What speaks of the readings alone is
    named, because the status beside it is that of the machine.
    """
    findings = findings_of(judgement)
    if not findings:
        return ""
    severities = [(str(f["kind"]), int(f.get("severity", 1))) for f in findings]
    present = {kind for kind, _ in severities}
    severities += [(one.kind, one.severity) for one in alarms if one.active and one.kind in present]
    classes = {class_of(kind, severity) for kind, severity in severities}
    words = next(CLASS_WORDS[klass] for klass in AlarmClass if klass in classes)
    return f"{kind_words(severities[0][0])}: {words}" if present <= READING_KINDS else words


def together(changes: Sequence[Change]) -> list[Change]:
    """Changes with those that many valves have in common told once."""
    valves: dict[tuple[str, str], list[ValveName]] = {}
    for change in changes:
        valves.setdefault((change.sort, change.words), []).append(change.valve)
    out = []
    for (sort, words), names in valves.items():
        if len(names) < COMMON_FROM:
            out += [Change(name, sort, words) for name in names]
        else:
            out.append(Change(ValveName("", f"{number(len(names))} valves", ""), sort, words))
    return out


def changes_between(before: Json | None, now: Json | None) -> list[tuple[str, str]]:
    """What is different in one valve; nothing can be said where either is missing."""
    if before is None or now is None or all(before.get(key) == now.get(key) for key in ("status", "findings", "fit")):
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


@lru_cache(maxsize=4096)
def _counting(name: str) -> tuple[tuple[int, str], ...]:
    """Sorts names with numbers in them as people count."""
    return tuple((int(part), "") if part.isdecimal() else (0, part.lower()) for part in re.split(r"(\d+)", name))


def _since_words(source: Source, judgement: Json | None, now_ns: int, *, lagging: bool) -> str:
    words = STATUS_WORDS.get(status_of(judgement), status_of(judgement))
    onset = onset_ns(judgement)
    if onset is not None:
        words += f" since {source.time.moment(onset, now_ns)}"
    until = judged_until_ns(judgement)
    if until is not None and lagging:
        words += f", judged until {source.time.moment(until, now_ns)}"
    return words


def _why_nothing_comes(source: Source, now_ns: int) -> str:
    """Why nothing new can be seen of any press, where that is not the presses' doing."""
    trouble = stores_trouble(source)  # first: it needs no store
    if trouble:
        return trouble
    rows = {row.source: row for row in source.records.health()}
    return storing_trouble(source, recorder_of(rows, now_ns), now_ns)


def _subline(rows: Sequence[Row], changes: Sequence[Change], unlisted: int, *, waiting: bool, cause: str) -> str:
    if not rows:
        return ""
    if cause:
        return f"{cause} Whether the presses send data is not known here meanwhile."
    parts = ["Since yesterday: nothing new."] if not (changes or waiting) else []
    wrong = sum(row.misread for row in rows)
    if wrong:
        verb = plural(wrong, "valve sends readings that do", "valves send readings that do")
        parts.append(f"{number(wrong, first=True)} {verb} not fit the sheet.")
    busy = sum(row.status == "function-check" and not row.misread for row in rows)
    if busy:
        verb = plural(busy, "valve is", "valves are")
        parts.append(f"{sentence_case(number(busy))} {verb} in set-up or being worked on.")
    hidden = sum(any(mark.verdict == "not-observed" for mark in row.strip) for row in rows)
    if 0 < hidden < len(rows):
        parts.append(
            f"{number(hidden, first=True)} {plural(hidden, 'valve has', 'valves have')} quantities that production "
            "cannot show."
        )
    silent = sum(not row.liveness.live for row in rows)
    if silent:
        parts.append(f"{number(silent, first=True)} {plural(silent, 'sends', 'send')} no data now.")
    if unlisted:
        verb = plural(unlisted, "valve without a sheet is", "valves without a sheet are")
        parts.append(f"{unlisted:,} more {verb} not listed here.")
    return " ".join(parts)


def _weight(judgement: Json | None, name: ValveName, strip: Sequence[StripMark]) -> Weight:
    status = status_of(judgement)
    rank = STATUS_ORDER.index(status) if status in STATUS_ORDER else len(STATUS_ORDER)
    severity = max((int(f.get("severity", 0)) for f in findings_of(judgement)), default=0)
    used = max((abs(m.used_pct) for m in strip if m.used_pct), default=0.0)
    return rank, -severity, -min(used, 1000.0) if status != "good" else 0.0, _counting(f"{name.press} {name.name}")
