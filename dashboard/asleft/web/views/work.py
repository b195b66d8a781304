"""Work in progress as pages tell it: on which valves, and all of it on one of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import cast

from asleft.store.work import WorkRefused
from asleft.web.source import Source
from asleft.web.views.presses import valve_href
from asleft.web.views.valves import Json, ValveName, valve_name
from asleft.web.views.working import STATE, work_href, work_words
from asleft.web.when import PlantTime, age

LATELY_NS = 90 * 86_400 * 10**9
_USUAL_NS = 2 * 3600 * 10**9
MINUTE = "%Y-%m-%d %H:%M"


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One valve that is being worked on."""

    name: ValveName
    href: str
    words: str


@dataclass(frozen=True, slots=True)
class WorkView:
    """The page of a valve's work."""

    name: ValveName
    href: str
    valve_href: str
    sentence: str
    counted: str
    standing: bool
    until: str  # plant time, as a field of a form holds it
    why: str
    past: list[tuple[str, str, str, str]]  # from, until, why, who


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


def work_view(source: Source, valve: str) -> WorkView | None:
    """The page of one valve; None if no store has ever heard of it."""
    now = source.now_ns()
    sheet = source.sheet(valve, now)
    if sheet is None and source.samples.span(valve) is None and not source.records.sheets(valve):
        return None
    name = valve_name(valve, sheet)
    standing = source.work.work_standing(now).get(valve)
    past = [work for work in source.work.work_of(valve, now - LATELY_NS, now) if work.until_ns <= now]
    until_ns = now + _USUAL_NS if standing is None else standing.until_ns
    return WorkView(
        name=name,
        href=work_href(valve),
        valve_href=valve_href(valve),
        sentence=f"No work is declared on the {name.spoken}."
        if standing is None
        else work_words(source.time, standing, now),
        counted=_counted(source.records.judgement(valve)),
        standing=standing is not None,
        until=f"{source.time.local(until_ns):{MINUTE}}",
        why="" if standing is None else standing.why,
        past=[
            (
                source.time.moment(work.from_ns, now),
                source.time.moment(work.until_ns, now)
                + (f", ended by {work.ended_by}" if work.ended_by else ", expired"),
                work.why,
                work.who,
            )
            for work in reversed(past)
        ],
    )


def until_of(time: PlantTime, text: str) -> int:
    """What a form holds as until, in plant time, as unix ns. Raises `WorkRefused`."""
    try:
        wanted = datetime.fromisoformat(text.strip())
    except ValueError:
        raise WorkRefused(f"until: {text[:24]!r} is no date and time, as 2026-11-26 18:00") from None
    if wanted.tzinfo is None:
        local = wanted.replace(tzinfo=time.zone)
        if time.local(round(local.timestamp()) * 10**9).replace(tzinfo=None) != wanted.replace(microsecond=0):
            raise WorkRefused(f"until: there is no {wanted:%H:%M} on that day in {time.name}, clocks are put forward")
        wanted = local
    try:
        return round(wanted.timestamp()) * 10**9
    except (OverflowError, OSError):
        raise WorkRefused(f"until: {text[:24]!r} is too far away") from None


def _counted(judgement: Json | None) -> str:
    hours = cast("dict[str, float]", (judgement or {}).get("states") or {}).get(STATE, 0.0)
    if hours <= 0.0:
        return ""
    return f"{age(hours * 3600)} of work in progress were not judged since the sheet in force was filed."
