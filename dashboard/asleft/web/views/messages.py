"""The messages to people: how many wait, since when, and what came back of those that could not be sent."""

from __future__ import annotations

from asleft.store.outbox import Standing
from asleft.web.when import PlantTime
from asleft.web.words import number, plural

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
