"""Is everything arriving, stored and judged: figures of every process, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from asleft.store.invariant import Invariant, invariant
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
    """The count of one agent's stream, as told; `balance` is None while the agent has not said what it generated."""

    stored: int
    declared_gap: int
    duplicates: int
    balance: Invariant | None

    @property
    def balanced(self) -> bool | None:
        """Whether nothing is unaccounted for; None where it cannot be told."""
        return None if self.balance is None else self.balance.balances

    @property
    def words(self) -> str:
        """The invariant as a sentence."""
        b = self.balance
        if b is None:
            return f"{self.stored:,} blocks stored; the agent has not said how many it has generated."
        count = (
            f"{b.generated:,} generated = {b.stored:,} stored + {b.declared_gap:,} declared lost "
            f"+ {b.unacknowledged:,} on their way"
        )
        if not b.balances:
            return (
                f"Does not balance: {count}, {abs(b.missing):,} unaccounted for. The agent and the store disagree; "
                "keep the agent's spool."
            )
        return f"Balanced, {'with a declared loss' if b.declared_gap else 'nothing lost'}: {count}."


@dataclass(frozen=True, slots=True)
class AgentView:
    """One agent."""

    name: str
    online: bool | None  # None: an older stream, or an agent never heard
    lag: str  # since the recorder last heard of the stream
    version: str
    remark: str  # what the agent complains of
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
    trouble: str  # why judging this valve fails, empty when it does not


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
    recorder = rows.get("recorder")
    judged = [_judged(source, valve, now, backfills.get(valve), _troubles(recorder)) for valve in source.valves()]
    return HealthView(
        headline=_headline(agents, judged, recorder, now, waiting=any(not b.complete for b in backfills.values())),
        agents=agents,
        judged=judged,
        facts=_facts(source, recorder, now, version),
        progress=progress_of([(b.done, b.total) for b in backfills.values() if not b.complete]),
    )


def _agent(mark: StreamMark, row: Health | None, now_ns: int) -> AgentView:
    details: Mapping[str, Any] = row.details if row is not None else {}
    highest, acknowledged = _integer(details, "highest_seq"), _integer(details, "acknowledged")
    # What an agent says of another stream than this one says nothing of this one.
    told = highest is not None and details.get("stream") in (None, "", mark.stream)
    online = details.get("online") if told else None
    said = details.get("details")
    return AgentView(
        name=mark.agent,
        online=bool(online) if online is not None else None,
        lag=f"{age((now_ns - mark.last_at_ns) / 1e9)} ago" if mark.last_at_ns else "never",
        version=str(details.get("version") or "–"),
        remark=str(said.get("alarms") or "") if isinstance(said, Mapping) else "",
        delivery=Delivery(
            stored=mark.stored,
            declared_gap=mark.declared_gap,
            duplicates=mark.duplicates,
            balance=invariant(highest, acknowledged or 0, mark) if told and highest is not None else None,
        ),
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
    if recorder.details.get("broker_connected") is False:
        return "The recorder has lost the broker; agents keep their blocks until it is back."
    if recorder.details.get("judging_alive") is False:
        return "Blocks are stored, but nothing is judged: the judging process is not running."
    failing = [row.label for row in judged if row.trouble]
    if failing:
        return f"Judging fails on {failing[0]}{' and others' if len(failing) > 1 else ''}; everything is stored."
    lost = sum(agent.delivery.declared_gap for agent in agents)
    behind = [row for row in judged if row.lag_s is not None and row.lag_s > 60]
    opening = (
        "Every block is accounted for." if not lost else f"{lost:,} blocks were declared lost, all others stored."
    )
    if waiting:
        return f"{opening} History is being judged."
    if behind:
        return f"{opening} Judging is behind on {number(len(behind))} {plural(len(behind), 'valve')}."
    return f"{opening} Judging keeps up."


def _facts(source: Source, recorder: Health | None, now_ns: int, version: str) -> list[Fact]:
    facts = [Fact("samples on disk", size_words(source.samples.size_bytes()))]
    if recorder is not None:
        facts += _recorder_facts(recorder, now_ns)
    facts.append(Fact("version of these pages", version))
    facts.append(Fact("plant time", source.time.name))
    return facts


def _recorder_facts(recorder: Health, now_ns: int) -> list[Fact]:
    details = recorder.details
    facts = [Fact("recorder last reported", f"{age((now_ns - recorder.at_ns) / 1e9)} ago")]
    counts = (
        ("messages waiting in the recorder", "queue_depth"),
        ("messages that could not be read, set aside", "quarantined"),
        ("blocks received twice, stored once", "duplicates"),
        ("commits that failed", "commit_failures"),
    )
    for what, key in counts:
        value = _integer(details, key)
        if value is not None:
            facts.append(Fact(what, f"{value:,}"))
    rate = details.get("blocks_per_s")
    if isinstance(rate, (int, float)):
        facts.append(Fact("blocks stored a second", f"{rate:.1f}"))
    if details.get("broker"):
        link = {True: "connected", False: "not connected", None: ""}.get(details.get("broker_connected"), "")
        facts.append(Fact("broker", " ".join(p for p in (str(details["broker"]), link) if p)))
    if details.get("last_error"):
        facts.append(Fact("last trouble in the recorder", str(details["last_error"])))
    if details.get("version"):
        facts.append(Fact("version of the recorder", str(details["version"])))
    return facts


def size_words(size: int) -> str:
    """Bytes as people read them."""
    value = float(size)
    for unit in ("bytes", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit in ("bytes", "kB") else f"{value:.1f} {unit}"
        value /= 1000
    return f"{size} bytes"


def _integer(details: Mapping[str, Any], *keys: str) -> int | None:
    for key in keys:
        value = details.get(key)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return int(value)
    return None
