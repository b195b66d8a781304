"""What to send next and what an acknowledgement means: the agent's half of the delivery protocol, without I/O.

The broker's own acknowledgement proves nothing about storage; only the recorder's mark moves this state. Sockets,
clock and randomness are arguments, so that thousands of faults can be tried in a second.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from asleft.wire.block import Ack

WINDOW = 400
"""Blocks sent at most beyond the acknowledged mark."""
PATIENCE_S = 2.0
"""Without progress for this long, everything beyond the mark is sent again."""
MOST_PATIENCE_S = 10.0
"""Longest patience after going back in vain again and again."""


class AckOutcome(StrEnum):
    """What became of an acknowledgement."""

    RAISED = "raised"  # the mark went up
    SAME = "same"
    LOWERED = "lowered"  # a recorder that came back knows less than before: it will be refilled
    STALE = "stale"  # lower, but not said on reconnection: an old message
    FOREIGN = "foreign"  # of another stream: an alarm
    IMPOSSIBLE = "impossible"  # beyond what was ever sent: another spool sent it under these numbers


@dataclass(frozen=True, slots=True)
class Span:
    """Sequence numbers first..last, to be sent now."""

    first: int
    last: int


class UplinkCore:
    """State of one stream's delivery. Times are monotonic seconds."""

    def __init__(self, stream: str, mark: int, random: Callable[[], float], window: int = WINDOW) -> None:
        self._stream = stream
        self._random = random
        self._window = window
        self._connected = False
        self._next = mark + 1
        self._patience_s = PATIENCE_S
        self._waiting_since_s = 0.0
        self.mark = mark
        """Everything up to it is stored, says the recorder."""
        self.go_backs = 0
        """Times everything beyond the mark was sent again for lack of progress."""

    def connected(self, now_s: float) -> None:
        """A new connection stands: whatever the old one carried may be lost."""
        self._connected = True
        self._next = self.mark + 1
        self._waiting_since_s = now_s
        self._patience_s = PATIENCE_S

    def disconnected(self) -> None:
        """The connection is gone: nothing is sent until the next one."""
        self._connected = False

    def acknowledged(self, ack: Ack, highest: int, now_s: float) -> AckOutcome:
        """Take an acknowledgement, given the highest sequence number that can have been sent so far."""
        if ack.stream != self._stream:
            return AckOutcome.FOREIGN
        if ack.mark > highest:
            return AckOutcome.IMPOSSIBLE
        if ack.mark < self.mark:
            if not ack.fresh:
                return AckOutcome.STALE
            self.mark = ack.mark
            self._next = self.mark + 1
            self._progress(now_s)
            return AckOutcome.LOWERED
        if ack.mark == self.mark:
            if ack.fresh:
                # The recorder has come back; what was under way to it may be lost: be as patient as at first.
                self._progress(now_s)
            return AckOutcome.SAME
        self.mark = ack.mark
        self._next = max(self._next, self.mark + 1)
        self._progress(now_s)
        return AckOutcome.RAISED

    def plan(self, highest: int, in_flight: int, now_s: float) -> Span | None:
        """What to send now, given how many messages the broker has not yet taken; None for nothing."""
        if not self._connected:
            return None
        outstanding = self._next > self.mark + 1
        if outstanding and now_s - self._waiting_since_s >= self._patience_s:
            self._go_back(now_s)
        room = self._window - in_flight
        last = min(highest, self.mark + self._window, self._next + room - 1)
        return Span(self._next, last) if last >= self._next else None

    def sent(self, last: int, now_s: float) -> None:
        """Everything up to `last` has been handed to the connection."""
        if self._next == self.mark + 1:  # nothing was outstanding: waiting begins now
            self._waiting_since_s = now_s
        self._next = max(self._next, last + 1)

    def _progress(self, now_s: float) -> None:
        self._waiting_since_s = now_s
        self._patience_s = PATIENCE_S

    def _go_back(self, now_s: float) -> None:
        self.go_backs += 1
        self._next = self.mark + 1
        self._waiting_since_s = now_s
        # Jittered, so that many agents behind one recorder do not all come back at the same moment.
        self._patience_s = min(MOST_PATIENCE_S, 2 * self._patience_s) * (0.5 + 0.5 * self._random())
        self._patience_s = max(PATIENCE_S, self._patience_s)
