"""Is everything arriving, stored and judged: figures of every process, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.store.protocols import Backfill, Health, StreamMark
from asleft.web.source import Source
from asleft.web.views.delivery import AgentView, agent_view
from asleft.web.views.facts import Fact, facts_of
from asleft.web.views.presses import Progress, progress_of
from asleft.web.views.recorders import REPORT_WITHIN_S, recorder_lines, recorder_of
from asleft.web.views.room import SOON_DAYS, room_of
from asleft.web.views.valves import valve_name
from asleft.web.when import age
from asleft.web.words import number, plural


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
    agents = [agent_view(mark, rows.get(f"agent/{mark.agent}"), now) for mark in source.samples.marks()]
    known = {agent.name for agent in agents}
    for name, row in rows.items():
        if name.startswith("agent/") and name.removeprefix("agent/") not in known:
            silent = StreamMark(name.removeprefix("agent/"), str(row.details.get("stream", "")), 0, 0, 0, row.at_ns)
            agents.append(agent_view(silent, row, now))
    backfills = {b.valve: b for b in source.records.backfills()}
    recorder = recorder_of(rows, now)
    judged = [_judged(source, valve, now, backfills.get(valve), _troubles(recorder)) for valve in source.valves()]
    return HealthView(
        headline=_headline(agents, judged, recorder, now, waiting=any(not b.complete for b in backfills.values())),
        agents=agents,
        judged=judged,
        facts=[
            *(Fact(name, words) for name, words in recorder_lines(rows, now)),
            *facts_of(source, recorder, now, version),
            Fact("versions", versions_words(rows, agents, version)),
        ],
        progress=progress_of([(b.done, b.total) for b in backfills.values() if not b.complete]),
    )


def _judged(
    source: Source, valve: str, now_ns: int, backfill: Backfill | None, troubles: Mapping[str, str]
) -> JudgedView:
    span = source.samples.span(valve)
    cursor = source.records.judge_cursor(valve)
    newest = span[1] if span else None
    lag_s = (newest - cursor.at_ns) / 1e9 if newest is not None and cursor is not None else None
    if source.sheet(valve, now_ns) is None:
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
    name = valve_name(valve, source.sheet(valve, now_ns))
    return JudgedView(
        valve=valve,
        label=", ".join(part for part in (name.press, name.name) if part),
        newest=f"{age((now_ns - newest) / 1e9)} ago" if newest is not None else "never",
        lag=lag,
        lag_s=lag_s,
        history=history,
        trouble=troubles.get(valve, ""),
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
    agents: list[AgentView], judged: list[JudgedView], recorder: Health | None, now_ns: int, *, waiting: bool
) -> str:
    """What is wrong with storing, most serious first; else what is with judging; else that nothing is."""
    return (
        _delivery_trouble(agents, recorder, now_ns)
        or _recorder_trouble(judged, recorder)
        or _keeping_up(agents, judged, recorder, now_ns, waiting=waiting)
    )


def _delivery_trouble(agents: list[AgentView], recorder: Health | None, now_ns: int) -> str:
    if recorder is None and not agents:
        return "Nothing has arrived yet: no recorder has written here."
    wrong = [agent.name for agent in agents if agent.delivery.balanced is False]
    if wrong:
        return f"The count of blocks from {', '.join(wrong)} does not balance."
    if recorder is None or (now_ns - recorder.at_ns) / 1e9 > REPORT_WITHIN_S:
        since = "" if recorder is None else f" for {age((now_ns - recorder.at_ns) / 1e9)}"
        return f"The recorder has not reported{since}. Nothing is stored or judged until it runs again."
    offline = [agent.name for agent in agents if agent.online is False and not agent.finished]
    if offline:
        verb = plural(len(offline), "agent is", "agents are")
        return f"{number(len(offline), first=True)} {verb} offline: {', '.join(offline)}."
    return ""


def _recorder_trouble(judged: list[JudgedView], recorder: Health | None) -> str:
    details: Mapping[str, object] = {} if recorder is None else recorder.details
    if details.get("broker_connected") is False:
        return "The recorder has lost the broker; agents keep their blocks until it is back."
    alarms = details.get("alarms")
    if isinstance(alarms, list) and alarms:
        return f"{alarms[0]}{'. And more is wrong' if len(alarms) > 1 else ''}."
    if details.get("storing_fails") is True:
        why = str(details.get("last_error") or "no reason given").removeprefix("storing failed: ")
        return f"Nothing can be stored at present; agents keep their blocks until it can be: {why}."
    if details.get("judging_alive") is False:
        return "Blocks are stored, but nothing is judged: the judging process is not running."
    failing = [row.label for row in judged if row.trouble]
    if failing:
        return f"Judging fails on {failing[0]}{' and others' if len(failing) > 1 else ''}; everything is stored."
    return ""


def _keeping_up(
    agents: list[AgentView], judged: list[JudgedView], recorder: Health | None, now_ns: int, *, waiting: bool
) -> str:
    lost = sum(agent.delivery.declared_gap for agent in agents)
    behind = [row for row in judged if row.lag_s is not None and row.lag_s > 60]
    opening = (
        "Every block is accounted for." if not lost else f"{lost:,} blocks were declared lost, all others stored."
    )
    room = None if recorder is None else room_of(recorder, now_ns)
    if room is not None and room.full_in_days is not None and room.full_in_days < SOON_DAYS:
        return f"{opening} But the disk is full {room.forecast}."
    if waiting:
        return f"{opening} History is being judged."
    if behind:
        return f"{opening} Judging is behind on {number(len(behind))} {plural(len(behind), 'valve')}."
    return f"{opening} Judging keeps up."
