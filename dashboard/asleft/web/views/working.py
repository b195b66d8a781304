"""What is still said of a valve while work on it is declared."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.catalogue.finding_kinds import DANGER_KINDS
from asleft.store.work import Work
from asleft.web.hrefs import work_href
from asleft.web.source import Source
from asleft.web.views.valves import Json, ValveName, findings_of, valve_name
from asleft.web.when import PlantTime

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
