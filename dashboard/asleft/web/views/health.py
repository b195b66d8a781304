"""Is everything arriving, stored and judged: figures of every process, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from asleft.store.protocols import Backfill, Health, StreamMark
from asleft.web.source import Source
from asleft.web.views.presses import Progress, progress_of
from asleft.web.views.valves import valve_name
from asleft.web.when import age
from asleft.web.words import number, plural

#: A process reports every few seconds; one silent for longer is taken for gone.
REPORT_WITHIN_S = 30.0


@dataclass(frozen=True, slots=True)
class Delivery:
    """The invariant of one agent's stream: generated = stored + declared gap + unacknowledged, from counters."""

    agent: str
    generated: int | None  # highest number the agent has given; None: it has not said
    stored: int
    declared_gap: int
    acknowledged: int | None  # what the agent believes to be acknowledged
    duplicates: int

    @property
    def unacknowledged(self) -> int | None:
        """Generated and neither stored nor declared: on its way."""
        return None if self.generated is None else self.generated - self.stored - self.declared_gap

    @property
    def balanced(self) -> bool | None:
        """Whether nothing is unaccounted for; None while the agent has not said how many it generated.

        What is on its way cannot be negative, and the agent cannot believe more acknowledged than is stored.
        """
        on_the_way = self.unacknowledged
        if on_the_way is None:
            return None
        believed = self.acknowledged
        return on_the_way >= 0 and (believed is None or believed <= self.stored + self.declared_gap)

    @property
    def words(self) -> str:
        """The invariant as a sentence."""
        if self.generated is None:
            return f"{self.stored:,} blocks stored; the agent has not said how many it has generated."
        sum_ = (
            f"{self.generated:,} generated = {self.stored:,} stored + {self.declared_gap:,} declared lost "
            f"+ {self.unacknowledged:,} on their way"
        )
        if not self.balanced:
            return f"Does not balance: {sum_}. The agent and the store disagree; keep the agent's spool."
        if self.declared_gap:
            return f"Balanced, with a declared loss: {sum_}."
        return f"Balanced, nothing lost: {sum_}."


@dataclass(frozen=True, slots=True)
class AgentView:
    """One agent."""

    name: str
    online: bool | None
    heard: str
    lag: str
    version: str
    delivery: Delivery


@dataclass(frozen=True, slots=True)
class JudgedView:
    """How far the judge is behind the samples of one valve."""

    valve: str
    label: str
    newest: str
    lag: str
    lag_s: float | None
    history: str


@dataclass(frozen=True, slots=True)
class Fact:
    """One line about a process."""

    what: str
    value: str


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
    agents = [_agent(mark, rows.get(f"agent/{mark.agent}"), now) for mark in source.samples.marks()]
    known = {agent.name for agent in agents}
    for name, row in rows.items():
        if name.startswith("agent/") and name.removeprefix("agent/") not in known:
            silent = StreamMark(name.removeprefix("agent/"), str(row.details.get("stream", "")), 0, 0, 0, row.at_ns)
            agents.append(_agent(silent, row, now))
    backfills = {b.valve: b for b in source.records.backfills()}
    judged = [_judged(source, valve, now, backfills.get(valve)) for valve in source.valves()]
    recorder = rows.get("recorder")
    return HealthView(
        headline=_headline(agents, judged, recorder, now),
        agents=agents,
        judged=judged,
        facts=_facts(source, recorder, now, version),
        progress=progress_of([(b.done, b.total) for b in backfills.values() if not b.complete]),
    )


def _agent(mark: StreamMark, row: Health | None, now_ns: int) -> AgentView:
    details: Mapping[str, Any] = row.details if row is not None else {}
    same_stream = details.get("stream") in (None, "", mark.stream)
    generated = _integer(details, "highest_seq", "generated") if same_stream else None
    # The agent speaks every few seconds, the store's mark is read now: the mark may be ahead of the agent's word.
    if generated is not None:
        generated = max(generated, mark.mark)
    online = details.get("online")
    heard_s = (now_ns - mark.last_at_ns) / 1e9
    return AgentView(
        name=mark.agent,
        online=bool(online) if online is not None else None,
        heard=f"{age(heard_s)} ago" if mark.last_at_ns else "never",
        lag=_lag_words(details),
        version=str(details.get("version") or "–"),
        delivery=Delivery(
            agent=mark.agent,
            generated=generated,
            stored=mark.stored,
            declared_gap=mark.declared_gap,
            acknowledged=_integer(details, "acknowledged") if same_stream else None,
            duplicates=mark.duplicates,
        ),
    )


def _judged(source: Source, valve: str, now_ns: int, backfill: Backfill | None) -> JudgedView:
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
    )


def _headline(agents: list[AgentView], judged: list[JudgedView], recorder: Health | None, now_ns: int) -> str:
    if recorder is None and not agents:
        return "Nothing has arrived yet: no recorder has written here."
    wrong = [agent.name for agent in agents if agent.delivery.balanced is False]
    if wrong:
        return f"The count of blocks from {', '.join(wrong)} does not balance."
    if recorder is None or (now_ns - recorder.at_ns) / 1e9 > REPORT_WITHIN_S:
        since = "" if recorder is None else f" for {age((now_ns - recorder.at_ns) / 1e9)}"
        return f"The recorder has not reported{since}. Nothing is stored or judged until it runs again."
    offline = [agent.name for agent in agents if agent.online is False]
    if offline:
        verb = plural(len(offline), "agent is", "agents are")
        return f"{number(len(offline), first=True)} {verb} offline: {', '.join(offline)}."
    lost = sum(agent.delivery.declared_gap for agent in agents)
    behind = [row for row in judged if row.lag_s is not None and row.lag_s > 60]
    opening = (
        "Every block is accounted for." if not lost else f"{lost:,} blocks were declared lost, all others stored."
    )
    if behind:
        return f"{opening} Judging is behind on {number(len(behind))} {plural(len(behind), 'valve')}."
    return f"{opening} Judging keeps up."


def _facts(source: Source, recorder: Health | None, now_ns: int, version: str) -> list[Fact]:
    facts = [Fact("samples on disk", size_words(source.samples.size_bytes()))]
    if recorder is not None:
        details = recorder.details
        facts.append(Fact("recorder last reported", f"{age((now_ns - recorder.at_ns) / 1e9)} ago"))
        queue = _integer(details, "queue", "queue_length", "queued")
        if queue is not None:
            facts.append(Fact("blocks waiting in the recorder", f"{queue:,}"))
        quarantined = _integer(details, "quarantined")
        if quarantined is not None:
            facts.append(Fact("messages that could not be read, set aside", f"{quarantined:,}"))
        if details.get("version"):
            facts.append(Fact("version of the recorder", str(details["version"])))
        if details.get("broker"):
            facts.append(Fact("broker", str(details["broker"])))
    facts.append(Fact("version of these pages", version))
    facts.append(Fact("plant time", source.time.name))
    return facts


def size_words(size: int) -> str:
    """Bytes as people read them."""
    value = float(size)
    for unit in ("bytes", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit in ("bytes", "kB") else f"{value:.1f} {unit}"
        value /= 1000
    return f"{size} bytes"


def _lag_words(details: Mapping[str, Any]) -> str:
    for key in ("lag_s", "delay_s"):
        value = details.get(key)
        if isinstance(value, (int, float)):
            return age(float(value))
    return "–"


def _integer(details: Mapping[str, Any], *keys: str) -> int | None:
    for key in keys:
        value = details.get(key)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return int(value)
    return None
