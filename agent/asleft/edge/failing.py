"""Which valves' readings fail: how many, of which channels, since when and why, in words. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from asleft.edge.once import REASONS
from asleft.wire.block import Block, Reason

OVER_NS = 60_000_000_000
"""Readings that have not failed for so long are well again: a path that fails now and then is told once."""
_MOST_NAMED = 3


@dataclass(slots=True)
class _Failing:
    since_ns: int  # wall clock of the first block with a failed reading
    last_ns: int  # monotonic clock of the last one
    count: int = 0
    channels: dict[str, None] = field(default_factory=dict)
    reasons: dict[Reason, None] = field(default_factory=dict)
    of_all: bool = False  # every channel of the valve


class FailingReadings:
    """Looks at every block of one instrument. For one thread; the words may be read by others."""

    def __init__(self) -> None:
        self._valves: dict[str, _Failing] = {}

    def seen(self, block: Block) -> dict[str, str]:
        """Take a block in; valve -> what is to be said of it, for those whose readings fail."""
        known = self._valves.get(block.valve)
        failed = [(channel.name, mark) for channel in block.channels for mark in channel.marks]
        if failed:
            if known is None:
                known = self._valves[block.valve] = _Failing(block.wall_ns, block.monotonic_ns)
            known.last_ns = block.monotonic_ns
            known.count += sum(mark.count for _, mark in failed)
            known.channels |= dict.fromkeys(name for name, _ in failed)
            known.reasons |= dict.fromkeys(mark.reason for _, mark in failed)
            known.of_all = known.channels.keys() >= {channel.name for channel in block.channels}
        elif known is not None and block.monotonic_ns - known.last_ns > OVER_NS:
            del self._valves[block.valve]
        return {valve: _words(one) for valve, one in self._valves.items()}


def failing_on(instruments: Mapping[str, Iterable[str]], room: int) -> str:
    """Which valves' readings fail on which instrument, as a JSON object; empty where none, or for lack of room.

    `instruments`: instrument -> valves whose readings fail. `room`: characters.
    """
    failing = {name: sorted(valves) for name, valves in instruments.items() if valves}
    text = json.dumps(failing, separators=(",", ":"))
    return text if failing and len(text) <= room else ""


def _words(failing: _Failing) -> str:
    since = datetime.fromtimestamp(failing.since_ns / 1e9, UTC)
    verb = "reading" if failing.count == 1 else "readings"
    why = ", ".join(REASONS[reason] for reason in failing.reasons)
    named, more = list(failing.channels)[:_MOST_NAMED], len(failing.channels) - _MOST_NAMED
    which = ", ".join(named) + (f" and {more} more" if more > 0 else "")
    if failing.of_all and len(failing.channels) > 1:
        which = f"all {len(failing.channels)} channels"
    return f"{failing.count:,} {verb} of {which} could not be used since {since:%Y-%m-%d %H:%M:%S} UTC: {why}"


def in_room(sentences: Sequence[str], room: int) -> str:
    """Sentences in a row, whole ones only, in at most `room` characters; how many more there are is said."""
    for count in range(len(sentences), 0, -1):
        more = len(sentences) - count
        text = "; ".join([*sentences[:count], *([f"and {more} more"] if more else [])])
        if len(text) <= room:
            return text
    return sentences[0][: room - 3] + "..."
