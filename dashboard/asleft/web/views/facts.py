"""Single figures about store, recorder and versions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.store.protocols import Health
from asleft.web.source import Source
from asleft.web.views.delivery import integer
from asleft.web.views.messages import messages_words
from asleft.web.views.room import room_of, size_words
from asleft.web.when import age


@dataclass(frozen=True, slots=True)
class Fact:
    """One line about a process."""

    what: str
    value: str


def facts_of(source: Source, recorder: Health | None, now_ns: int, version: str) -> list[Fact]:
    """Store and pages always, the recorder once it has reported."""
    facts = [Fact("samples on disk", size_words(source.samples.size_bytes()))]
    if recorder is not None:
        facts += _store_facts(recorder, now_ns) + _recorder_facts(recorder, now_ns)
    messages = messages_words(source.outbox.standing(), source.time, now_ns)
    if messages:
        facts.append(Fact("messages to people", messages))
    facts.append(Fact("plant time", source.time.name))
    facts.append(Fact("version of these pages", version))
    return facts


#: What a sample store may say of itself, and how the page says it.
STORE_WORDS = (
    ("where", "samples are kept in"),
    ("keeps_raw", "readings are kept"),
    ("keeps_overview", "overviews are kept"),
    ("unmerged_blocks", "blocks not yet merged into longer ones"),
)


def _store_facts(recorder: Health, now_ns: int) -> list[Fact]:
    said = recorder.details.get("store")
    if not isinstance(said, Mapping):
        return []
    room = room_of(recorder, now_ns)
    about_room = [Fact("data folder", room.folder), Fact("disk full", room.forecast)] if room is not None else []
    return about_room + [
        Fact(what, f"{value:,}" if isinstance(value, int) else str(value))
        for key, what in STORE_WORDS
        if (value := said.get(key)) is not None
    ]


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
