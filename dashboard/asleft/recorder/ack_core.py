"""When to acknowledge what: the recorder's half of the delivery protocol, without sockets, clock or disk.

The agents empty their spools on these words alone, so the rules are:

* a message is acknowledged to the broker only after it is stored, and only on the connection it came on: packet ids
  are used again after a lost session, and a late acknowledgement would then release another message;
* after *any* block received, duplicates included, the mark of its stream is published, at most every 50 ms; one that
  published only when the mark advanced would leave an agent waiting whose last word got lost;
* on each connection all marks are published as fresh, and the first word about a stream on a connection is fresh: a
  recorder restored from an older backup is thereby refilled;
* where blocks keep coming above a hole and the mark stands still, the word becomes fresh again, in case the agent
  was away when it was first said;
* an agent that says it believes in a higher mark than is stored is told the true one as fresh: an old word, delayed
  somewhere, may have reached it after the true one, and an agent with nothing to send would never be told otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from asleft.store.protocols import StreamMark
from asleft.wire.block import Ack, AgentState

Key = tuple[str, str]
"""Agent and stream."""

COALESCE_S = 0.05
"""Least time between two words about one stream."""
STALLED_S = 2.0
"""A mark standing still this long below blocks that arrive is said again as fresh."""


@dataclass(slots=True)
class _Stream:
    mark: StreamMark
    said_s: float = float("-inf")
    fresh_s: float = float("-inf")  # when it was last said as fresh on this connection
    moved_s: float = float("-inf")  # when the mark last moved, or nothing was waiting above it
    due: bool = False


class AckCore:
    """Marks as stored, and what has been said about them on the present connection.

    Not locked: its owner calls it from one thread at a time. Times are seconds of a monotonic clock.
    """

    def __init__(self, marks: Iterable[StreamMark]) -> None:
        self._streams: dict[Key, _Stream] = {(mark.agent, mark.stream): _Stream(mark) for mark in marks}
        self._connected = False
        self.generation = 0
        """Number of the connection; every message carries the one it came on."""

    @property
    def marks(self) -> list[StreamMark]:
        """All streams as last stored."""
        return [stream.mark for stream in self._streams.values()]

    def connected(self, now_s: float) -> list[Ack]:
        """A connection is up: what to publish at once, the stream last heard of at the end (it stays retained)."""
        self.generation += 1
        self._connected = True
        for stream in self._streams.values():
            stream.fresh_s = float("-inf")
        return [
            self._say(stream, now_s) for stream in sorted(self._streams.values(), key=lambda one: one.mark.last_at_ns)
        ]

    def disconnected(self) -> None:
        """The connection is gone: nothing that came on it may be acknowledged to the broker any more."""
        self.generation += 1
        self._connected = False

    def may_acknowledge(self, generation: int) -> bool:
        """Whether a message of that connection may still be acknowledged to the broker."""
        return self._connected and generation == self.generation

    def adopt(self, agent: str, marks: Iterable[StreamMark]) -> None:
        """An agent was taken over from another recorder: its marks as they stand, to be said as fresh."""
        self.release(agent)
        for mark in marks:
            self._streams[mark.agent, mark.stream] = _Stream(mark, due=True)

    def release(self, agent: str) -> None:
        """An agent is another recorder's from now on: not a word more about its streams."""
        for key in [key for key in self._streams if key[0] == agent]:
            del self._streams[key]

    def replaced(self, marks: Iterable[StreamMark]) -> None:
        """The store was replaced by an older or an empty one: its marks, or none, are to be said as fresh."""
        kept = {(mark.agent, mark.stream): mark for mark in marks}
        for agent, name in self._streams.keys() | kept.keys():
            mark = kept.get((agent, name), StreamMark(agent, name, 0, 0, 0, 0))
            self._streams[agent, name] = _Stream(mark, due=True)

    def stored(self, marks: Iterable[StreamMark], highest: Mapping[Key, int], now_s: float) -> None:
        """A commit is durable: marks of all streams it touched, and the highest seq received of each."""
        for mark in marks:
            key = (mark.agent, mark.stream)
            stream = self._streams.get(key)
            if stream is None:
                stream = self._streams[key] = _Stream(mark, moved_s=now_s)
            if mark.mark != stream.mark.mark or highest.get(key, 0) <= mark.mark:
                stream.moved_s = now_s
            stream.mark = mark
            stream.due = True

    def heard(self, state: AgentState) -> None:
        """An agent's word about itself: one that believes in too high a mark is to be told the true one as fresh."""
        key = (state.agent, state.stream)
        stream = self._streams.get(key)
        if state.acknowledged <= (0 if stream is None else stream.mark.mark) or not state.stream:
            return
        if stream is None:  # a recorder that lost everything, or never heard of the stream
            stream = self._streams[key] = _Stream(StreamMark(state.agent, state.stream, 0, 0, 0, 0))
        stream.fresh_s = float("-inf")
        stream.due = True

    def mark(self, agent: str, stream: str) -> int:
        """The mark of a stream; 0 for one that is not known."""
        found = self._streams.get((agent, stream))
        return 0 if found is None else found.mark.mark

    def remind(self, agent: str, stream: str) -> None:
        """Something of a stream was left with its agent: it is told where its mark stands."""
        key = (agent, stream)
        if key not in self._streams:
            self._streams[key] = _Stream(StreamMark(agent, stream, 0, 0, 0, 0))
        self._streams[key].due = True

    def due(self, now_s: float) -> list[Ack]:
        """What to publish now; nothing while there is no connection."""
        if not self._connected:
            return []
        return [
            self._say(stream, now_s)
            for stream in self._streams.values()
            if stream.due and now_s - stream.said_s >= COALESCE_S
        ]

    def next_due_s(self, now_s: float) -> float | None:
        """Seconds until `due` has something to say; None if nothing waits."""
        if not self._connected:
            return None
        waits = [stream.said_s + COALESCE_S - now_s for stream in self._streams.values() if stream.due]
        return max(0.0, min(waits)) if waits else None

    def _say(self, stream: _Stream, now_s: float) -> Ack:
        stalled = now_s - stream.moved_s >= STALLED_S and now_s - stream.fresh_s >= STALLED_S
        fresh = stream.fresh_s == float("-inf") or stalled
        if fresh:
            stream.fresh_s = now_s
        stream.said_s = now_s
        stream.due = False
        mark = stream.mark
        return Ack(agent=mark.agent, stream=mark.stream, mark=mark.mark, fresh=fresh)
