"""Single figures: one agent's blocks, generated, stored, lost and on their way; store, recorder and versions."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from asleft.store.invariant import Invariant, invariant
from asleft.store.outbox import Standing
from asleft.store.protocols import Health, StreamMark
from asleft.web.source import Source
from asleft.web.views.storing import integer, room_of, size_words
from asleft.web.when import PlantTime, age, parse_iso_ns
from asleft.web.words import number, plural

DRIFT_PPM = 100
"""A clock that runs this much too fast or slow is remarked on: nine seconds a day, more than an undisciplined one."""


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
    complaints: list[str]  # of the agent, and what is wrong with its clock
    finished: bool  # it has said that nothing more will come
    delivery: Delivery
    recorder: str = ""  # the one that has it, where there are several
    clock: str = ""  # how its clock stands to the recorder's
    settings: str = ""  # which settings it runs, and whether they are those expected

    @property
    def remark(self) -> str:
        """All complaints in a row."""
        return "; ".join(self.complaints)


def agent_view(mark: StreamMark, row: Health | None, time: PlantTime, now_ns: int) -> AgentView:
    """From the store's mark and the agent's own word, whose times become the plant's."""
    details: Mapping[str, Any] = row.details if row is not None else {}
    highest, acknowledged = integer(details, "highest_seq"), integer(details, "acknowledged")
    # What an agent says of another stream than this one says nothing of this one.
    told = highest is not None and details.get("stream") in (None, "", mark.stream)
    online = details.get("online") if told else None
    said = details.get("details")
    return AgentView(
        name=mark.agent,
        online=bool(online) if online is not None else None,
        lag=f"{age((now_ns - mark.last_at_ns) / 1e9)} ago" if mark.last_at_ns else "never",
        version=str(details.get("version") or "–"),
        complaints=_complaints(said, details.get("clock"), time, now_ns),
        finished=isinstance(said, Mapping) and bool(said.get("finished")),
        delivery=Delivery(
            stored=mark.stored,
            declared_gap=mark.declared_gap,
            duplicates=mark.duplicates,
            balance=invariant(highest, acknowledged or 0, mark) if told and highest is not None else None,
        ),
        recorder=str(details.get("recorder") or ""),
        clock=clock_words(details.get("clock")),
        settings=settings_words(said, details.get("expected_settings")),
    )


def settings_words(said: object, expected: object) -> str:
    """Which settings an agent runs, by their digest, and whether the plant side expects others. Empty: not said."""
    runs = str(said.get("settings") or "") if isinstance(said, Mapping) else ""
    if expected is None:
        return f"settings {runs}" if runs else ""
    if not runs:
        return "it does not say which settings it runs: its version is from before agents said so"
    if not expected:
        return f"settings {runs}; the plant side has no file of this box among those it expects"
    if runs == expected:
        return f"settings {runs}, as expected"
    return (
        f"settings {runs}, while {expected} are expected: they were changed on the box, or the box has not been "
        "brought up to date"
    )


def clock_words(clock: object) -> str:
    """How an agent's clock stands: right, or what is wrong with it; how far off, and how it runs."""
    if not isinstance(clock, Mapping):
        return "not compared yet"
    offset, drift = clock.get("offset_s"), clock.get("drift_ppm")
    parts = [f"{clock['trouble']}; corrected" if clock.get("trouble") else "right"]
    if isinstance(offset, (int, float)) and abs(offset) >= 0.001:
        parts.append(f"{age(abs(offset)) if abs(offset) >= 1 else f'{abs(offset) * 1e3:.0f} ms'} "
                     f"{'late' if offset > 0 else 'early'}")  # fmt: skip
    if isinstance(drift, (int, float)):
        parts.append(f"{abs(drift):.0f} ppm {'fast' if drift > 0 else 'slow'}" if round(drift) else "runs true")
    return ", ".join(parts)


def _complaints(said: object, clock: object, time: PlantTime, now_ns: int) -> list[str]:
    """What the agent complains of, and what the recorder finds wrong with its clock."""

    def local(at: re.Match[str]) -> str:
        at_ns = parse_iso_ns(at[1])
        return at[0] if at_ns is None else time.moment(at_ns, now_ns)

    alarms = str(said.get("alarms") or "") if isinstance(said, Mapping) else ""
    told = [_UTC.sub(local, text) for text in alarms.split("; ") if text]
    if not isinstance(clock, Mapping):
        return told
    drift = clock.get("drift_ppm")
    words = f"clock: {clock['trouble']}; times are corrected" if clock.get("trouble") else ""
    if isinstance(drift, (int, float)) and abs(drift) >= DRIFT_PPM:
        words += f"{'; it' if words else 'its clock'} runs {abs(drift):.0f} ppm {'fast' if drift > 0 else 'slow'}"
    return [*told, words] if words else told


#: A time as an agent writes it, which knows no zone of the plant.
_UTC = re.compile(r"\b(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d) UTC\b")


# Single figures about store, recorder and versions.


@dataclass(frozen=True, slots=True)
class Fact:
    """One line about a process."""

    what: str
    value: str


def facts_of(source: Source, recorder: Health | None, now_ns: int, version: str) -> list[Fact]:
    """Store and pages always, the recorder once it has reported."""
    facts = [Fact("samples on disk", size_words(source.samples.size_bytes()))]
    if recorder is not None:
        facts += _store_facts(recorder, now_ns, source.free_bytes()) + _recorder_facts(recorder, now_ns)
        facts += _refusals(recorder, source.time, now_ns)
    messages = messages_words(source.outbox.standing(), source.time, now_ns)
    if messages:
        facts.append(Fact("messages to people", messages))
    facts.append(Fact("plant time", source.time.name))
    facts.append(Fact("version of these pages", version))
    return facts


MOST_REFUSALS = 10

#: What a sample store may say of itself, and how the page says it.
STORE_WORDS = (
    ("where", "samples are kept in"),
    ("keeps_raw", "readings are kept"),
    ("keeps_overview", "overviews are kept"),
    ("unmerged_blocks", "blocks not yet merged into longer ones"),
)


def _store_facts(recorder: Health, now_ns: int, free_now: int | None) -> list[Fact]:
    said = recorder.details.get("store")
    if not isinstance(said, Mapping):
        return []
    room = room_of(recorder, now_ns, free_now)
    about_room = [Fact("data folder", room.folder), Fact("disk full", room.forecast)] if room is not None else []
    lying = said.get("set_aside")
    aside = [Fact("damaged, set aside", ", ".join(map(str, lying)))] if isinstance(lying, list) and lying else []
    return [*aside, *about_room] + [
        Fact(what, f"{value:,}" if isinstance(value, int) else str(value))
        for key, what in STORE_WORDS
        if (value := said.get(key)) is not None
    ]


def _refusals(recorder: Health, time: PlantTime, now_ns: int) -> list[Fact]:
    """What agents sent lately that they may not send; the first `MOST_REFUSALS`."""
    refused = recorder.details.get("refused")
    rows = [row for row in refused if isinstance(row, Mapping)] if isinstance(refused, list) else []
    facts = []
    for row in rows[:MOST_REFUSALS]:
        since_ns = integer(row, "since_ns")
        since = f" since {time.moment(since_ns, now_ns)}" if since_ns else ""
        words = f"{integer(row, 'count') or 0:,} times{since}: {row.get('words', '')}"
        facts.append(Fact(f"not stored, from {row.get('agent', '')}", words))
    if len(rows) > MOST_REFUSALS:
        facts.append(Fact("not stored, more kinds", f"{len(rows) - MOST_REFUSALS}"))
    return facts


def _recorder_facts(recorder: Health, now_ns: int) -> list[Fact]:
    details = recorder.details
    facts = [Fact("recorder last reported", f"{age((now_ns - recorder.at_ns) / 1e9)} ago")]
    counts = (
        ("messages waiting in the recorder", "queue_depth"),
        ("messages that could not be read, set aside", "quarantined"),
        ("blocks received twice, stored once", "duplicates"),
        ("messages not stored and left with their agents", "left"),
        ("commits that failed", "commit_failures"),
    )
    for what, key in counts:
        value = integer(details, key)
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


LATE_NS = 120 * 10**9
"""Something untried for longer than this means that nothing sends."""


def messages_words(standing: Standing | None, time: PlantTime, now_ns: int) -> str:
    """One line for the health page; empty where there is no outbox to look into."""
    if standing is None:
        return ""
    if standing.waiting == 0:
        if standing.last_sent_ns is None:
            return "none has been made so far; “asleft notify” makes and sends them"
        return f"none waits, the last was sent {time.moment(standing.last_sent_ns, now_ns)}"
    verb = plural(standing.waiting, "waits", "wait")
    words = f"{number(standing.waiting)} {verb}"
    if standing.oldest_ns is not None:
        words += f", the oldest made {time.moment(standing.oldest_ns, now_ns)}"
    if standing.failed:
        words += f"; {number(standing.failed)} tried in vain and tried again"
        if standing.next_ns is not None:
            words += f" from {time.moment(standing.next_ns, now_ns)}"
        if standing.error:
            words += f", last answer: {standing.error}"
    elif standing.oldest_ns is not None and now_ns - standing.oldest_ns > LATE_NS:
        words += "; not tried yet: is “asleft notify” running?"
    return words
