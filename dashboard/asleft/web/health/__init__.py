"""Health: is everything arriving, stored and judged; figures of every process, in words and as a table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import dash
from asleft.alarms.states import fold_all
from asleft.store.protocols import Health, StreamMark
from asleft.store.schema import SAMPLES_FILE
from asleft.web import ids
from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv
from asleft.web.frame import answered
from asleft.web.health.figures import AgentView, Fact, agent_view, facts_of
from asleft.web.live import LivePage, Renewal
from asleft.web.markup import Markup
from asleft.web.source import Fleet, Source
from asleft.web.templates import filled
from asleft.web.views.alarms import calls_of, where_words
from asleft.web.views.storing import (
    SOON_DAYS,
    Progress,
    progress_of,
    recorder_lines,
    recorder_of,
    recorder_trouble,
    room_of,
    silent_words,
    stores_trouble,
)
from asleft.web.views.valves import valve_name
from asleft.web.when import age
from asleft.web.words import kind_words, lower_first, number, plural, sentence_case
from flask import Flask

DATA_MISSING = "data-missing"

MOST_STREAMS = 5
"""Streams of an agent that get a line each; it begins another one with every new spool file."""
_COUNTS = ("mark", "declared_gap", "duplicates")


@dataclass(frozen=True, slots=True)
class JudgedView:
    """How far the judge is behind the samples of one valve."""

    valve: str
    label: str
    newest: str
    lag: str
    lag_s: float | None
    history: str
    trouble: str  # why judging this valve fails, empty when it does not


@dataclass(frozen=True, slots=True)
class HealthView:
    """The whole page."""

    headline: str
    agents: list[AgentView]
    judged: list[JudgedView]
    facts: list[Fact]
    progress: Progress | None


def health_view(source: Source, version: str) -> HealthView:
    """Reads health rows, stream marks and cursors."""
    now = source.now_ns()
    rows = {row.source: row for row in source.records.health()}
    marks = source.samples.marks()
    agents = [agent_view(mark, rows.get(f"agent/{mark.agent}"), source.time, now) for mark in few_streams(marks)]
    known = {mark.agent for mark in marks}
    for name, row in rows.items():
        if name.startswith("agent/") and name.removeprefix("agent/") not in known:
            silent = StreamMark(name.removeprefix("agent/"), str(row.details.get("stream", "")), 0, 0, 0, row.at_ns)
            agents.append(agent_view(silent, row, source.time, now))
    fleet = source.fleet()
    backfills = fleet.backfills
    recorder = recorder_of(rows, now)
    cursors, troubles = source.records.judged_until(), _troubles(recorder)
    judged = [_judged(fleet, valve, now, cursors.get(valve), troubles.get(valve, "")) for valve in fleet.valves]
    return HealthView(
        headline=_headline(
            source, agents, judged, recorder, now, waiting=any(not b.complete for b in backfills.values())
        ),
        agents=agents,
        judged=judged,
        facts=[
            *(Fact(name, words) for name, words in recorder_lines(rows, now)),
            *facts_of(source, recorder, now, version),
            *([Fact("valves without a sheet, not listed", f"{fleet.unlisted:,}")] if fleet.unlisted else []),
            Fact("versions", versions_words(rows, agents, version)),
        ],
        progress=progress_of([(b.done, b.total) for b in backfills.values() if not b.complete]),
    )


def few_streams(marks: Iterable[StreamMark]) -> list[StreamMark]:
    """Of each agent the streams heard last, and all earlier ones as one: its count is the sum of theirs."""
    by_agent: dict[str, list[StreamMark]] = {}
    for mark in marks:
        by_agent.setdefault(mark.agent, []).append(mark)
    shown: list[StreamMark] = []
    for agent, streams in by_agent.items():
        streams.sort(key=lambda mark: -mark.last_at_ns)
        earlier = streams[MOST_STREAMS:]
        shown += streams[:MOST_STREAMS]
        if earlier:
            count, last_at_ns = f"{len(earlier):,}", earlier[0].last_at_ns
            words = f"{agent}, {count} earlier {plural(len(earlier), 'stream')}"
            mark, lost, twice = (sum(getattr(one, name) for one in earlier) for name in _COUNTS)
            shown.append(StreamMark(words, "", mark, lost, twice, last_at_ns))
    return shown


def _judged(fleet: Fleet, valve: str, now_ns: int, judged_ns: int | None, trouble: str) -> JudgedView:
    span, sheet, backfill = fleet.spans.get(valve), fleet.sheets.get(valve), fleet.backfills.get(valve)
    newest = span[1] if span else None
    lag_s = (newest - judged_ns) / 1e9 if newest is not None and judged_ns is not None else None
    if sheet is None:
        lag = "not judged: no sheet"
    elif lag_s is None:
        lag = "nothing judged yet"
    else:
        lag = f"{age(lag_s)} behind the newest sample"
    if backfill is None:
        history = "–"
    elif backfill.complete:
        history = f"done, {backfill.total} windows"
    else:
        history = f"{backfill.done} of {backfill.total} windows"
    name = valve_name(valve, sheet)
    return JudgedView(
        valve=valve,
        label=", ".join(part for part in (name.press, name.name) if part),
        newest=f"{age((now_ns - newest) / 1e9)} ago" if newest is not None else "never",
        lag=lag,
        lag_s=lag_s,
        history=history,
        trouble=trouble,
    )


def versions_words(rows: Mapping[str, Health], agents: list[AgentView], own: str) -> str:
    """Whether all processes are of one version, and which are not."""
    told = {"these pages": own, **{f"agent {agent.name}": agent.version for agent in agents if agent.version != "–"}}
    for source, row in rows.items():
        if source.split("/")[0] in ("recorder", "judging") and row.details.get("version"):
            told[source.replace("/", " ")] = str(row.details["version"])
    judge = next((row.details["judge_version"] for n, row in rows.items()
                  if n.split("/")[0] == "judging" and "judge_version" in row.details), None)  # fmt: skip
    rules = f"; results are by version {judge} of the judge's rules" if judge is not None else ""
    if len(set(told.values())) == 1:
        return f"all processes that say so are {own}{rules}"
    return "; ".join(f"{who} {version}" for who, version in sorted(told.items())) + rules


def _troubles(recorder: Health | None) -> dict[str, str]:
    failures = recorder.details.get("judge_failures") if recorder is not None else None
    if not isinstance(failures, Mapping):
        return {}
    return {
        str(valve): str(failure.get("message") if isinstance(failure, Mapping) else failure)
        for valve, failure in failures.items()
    }


def _headline(
    source: Source,
    agents: list[AgentView],
    judged: list[JudgedView],
    recorder: Health | None,
    now_ns: int,
    *,
    waiting: bool,
) -> str:
    """What is wrong with storing, most serious first; else what is with judging; else that nothing is."""
    return (
        stores_trouble(source)
        or _delivery_trouble(agents, recorder, now_ns)
        or _recorder_trouble(judged, recorder)
        or _aside(recorder)
        or _readings_missing(source, now_ns)
        or _keeping_up(source, agents, judged, recorder, now_ns, waiting=waiting)
    )


def _delivery_trouble(agents: list[AgentView], recorder: Health | None, now_ns: int) -> str:
    if recorder is None and not agents:
        return "Nothing has arrived yet: no recorder has written here."
    wrong = [agent.name for agent in agents if agent.delivery.balanced is False]
    if wrong:
        return f"The count of blocks from {', '.join(wrong)} does not balance."
    if silent := silent_words(recorder, now_ns):
        return silent
    offline = [agent.name for agent in agents if agent.online is False and not agent.finished]
    if offline:
        verb = plural(len(offline), "agent is", "agents are")
        return f"{number(len(offline), first=True)} {verb} offline: {', '.join(offline)}."
    return ""


def _recorder_trouble(judged: list[JudgedView], recorder: Health | None) -> str:
    details: Mapping[str, object] = {} if recorder is None else recorder.details
    if details.get("broker_connected") is False:
        return recorder_trouble(recorder)
    alarms = details.get("alarms")
    if isinstance(alarms, list) and alarms:
        return f"{alarms[0]}{'. And more is wrong' if len(alarms) > 1 else ''}."
    if trouble := recorder_trouble(recorder):
        return trouble
    if details.get("judging_alive") is False:
        return "Blocks are stored, but nothing is judged: the judging process is not running."
    failing = [row.label for row in judged if row.trouble]
    if failing:
        return f"Judging fails on {failing[0]}{' and others' if len(failing) > 1 else ''}; everything is stored."
    return ""


def _aside(recorder: Health | None) -> str:
    said = recorder.details.get("store") if recorder is not None else None
    lying = said.get("set_aside") if isinstance(said, Mapping) else None
    readings = [str(name) for name in lying if str(name).startswith(SAMPLES_FILE)] if isinstance(lying, list) else []
    if not readings:
        return ""
    return (
        f"The readings stored before were damaged and lie set aside as {readings[-1]} in the data folder; new ones "
        "are stored. To bring back what can be read: stop the recorder, asleft restore --readings "
        f"{readings[-1]} --data the folder. This line goes with that file."
    )


def _readings_missing(source: Source, now_ns: int) -> str:
    """Where readings fail, in the words of the alarm: which valve or agent, how many, since when."""
    found = {
        valve: judgement
        for valve, judgement in source.records.judgements().items()
        if any(finding.get("kind") == DATA_MISSING for finding in judgement.get("findings", ()))
    }
    if not found:
        return ""
    views = [view for view in fold_all(source.records.alarm_events_lately(now_ns), now_ns) if view.active]
    raised = [view for view in views if view.kind == DATA_MISSING and view.valve in found]
    if raised:
        first, *more = sorted(calls_of(source, raised), key=lambda call: call.view.onset_ns)
        others = f" So on {number(len(more))} more." if more else ""
        return f"{first.title} on {first.where} {first.since}: {lower_first(first.present.evidence)}{others}"
    valve = min(found)
    name = where_words(valve_name(valve, source.sheet(valve, now_ns)))
    evidence = next(str(f["evidence"]) for f in found[valve]["findings"] if f.get("kind") == DATA_MISSING)
    others = f" So on {number(len(found) - 1)} more." if len(found) > 1 else ""
    return f"{sentence_case(kind_words(DATA_MISSING))} on {name}: {lower_first(evidence)}{others}"


def _keeping_up(
    source: Source,
    agents: list[AgentView],
    judged: list[JudgedView],
    recorder: Health | None,
    now_ns: int,
    *,
    waiting: bool,
) -> str:
    lost = sum(agent.delivery.declared_gap for agent in agents)
    behind = [row for row in judged if row.lag_s is not None and row.lag_s > 60]
    opening = (
        "Every block is accounted for." if not lost else f"{lost:,} blocks were declared lost, all others stored."
    )
    room = None if recorder is None else room_of(recorder, now_ns, source.free_bytes())
    if room is not None and room.full_in_days is not None and room.full_in_days < SOON_DAYS:
        return f"{opening} But the disk is full {room.forecast}."
    if waiting:
        return f"{opening} History is being judged."
    if behind:
        return f"{opening} Judging is behind on {number(len(behind))} {plural(len(behind), 'valve')}."
    return f"{opening} Judging keeps up."


# The health page: its contents and its one callback.

REFRESH_MS = 2000
_RENEWAL = Renewal(ids.HEALTH_PARTS, ids.HEALTH_TAGS, ids.HEALTH_TIMER)


def page(source: Source, version: str) -> LivePage:
    """The page with its first contents."""
    first = health_body(health_view(source, version))
    return _RENEWAL.page("Health", ids.HEALTH_BODY, "health", first, REFRESH_MS)


def health_body(view: HealthView) -> Markup:
    """Sentence, agents, judging, the rest."""
    return filled("health/health.html", view=view)


def register(app: dash.Dash, source: Source, version: str) -> None:
    """Renewal every two seconds."""
    _RENEWAL.register(app, lambda: {ids.HEALTH_BODY: health_body(health_view(source, version))})


# The health page as a table.

_LINK = {True: "online", False: "offline", None: "unknown"}


_COUNT = {True: "balanced", False: "does not balance", None: "unknown"}


def health(source: Source, version: str) -> Csv:
    """Every figure of the health page as a row of its own."""
    view = health_view(source, version)
    rows: list[list[Cell]] = [["page", "", "in a sentence", view.headline]]
    for agent in view.agents:
        d, balance = agent.delivery, agent.delivery.balance
        figures: tuple[tuple[str, Cell], ...] = (
            ("link", "finished" if agent.finished else _LINK[agent.online]),
            ("last block", agent.lag),
            ("blocks generated", balance.generated if balance else None),
            ("blocks stored", d.stored),
            ("blocks declared lost", d.declared_gap),
            ("blocks on their way", balance.unacknowledged if balance else None),
            ("blocks sent twice", d.duplicates),
            ("count", _COUNT[d.balanced]),
            ("remark", agent.remark),
            ("clock", agent.clock),
            ("version", agent.version),
            ("settings", agent.settings),
        )
        rows += [["delivery", agent.name, what, value] for what, value in figures]
    for valve in view.judged:
        told = (("newest sample", valve.newest), ("judged", valve.lag), ("history", valve.history))
        rows += [["judging", valve.valve, what, value] for what, value in told]
        if valve.trouble:
            rows.append(["judging", valve.valve, "fails", valve.trouble])
    rows += [["store and versions", "", fact.what, fact.value] for fact in view.facts]
    return Csv("health", ("about", "name", "figure", "value"), rows)


def register_table(server: Flask, source: Source, version: str) -> None:
    """Add the route."""
    answered(server, "/csv/health", lambda: TableFiles(source).whole(lambda: health(source, version)))
