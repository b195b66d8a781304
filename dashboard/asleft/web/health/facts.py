"""Single figures about store, recorder and versions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.store.outbox import Standing
from asleft.store.protocols import Health
from asleft.web.source import Source
from asleft.web.views.disk_room import integer, room_of, size_words
from asleft.web.when import PlantTime, age
from asleft.web.words import number, plural


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
