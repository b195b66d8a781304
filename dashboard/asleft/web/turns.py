"""Taking turns: so many at a time, so many waiting, so many of one person's, and nobody waits for ever."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from enum import Enum
from threading import Condition


class Refusal(Enum):
    """Why there is no turn."""

    OWN = "as many of one's own as are allowed"
    FULL = "as many wait as may"
    LATE = "waited for as long as anybody does"


@dataclass
class Turns:
    """Work of one kind. `each`: places, running and waiting together, that one person may have.

    Every place takes a thread of the server, so `at_a_time` + `waiting` are all that this kind of work ever takes.
    """

    at_a_time: int
    waiting: int
    each: int
    patience_s: float
    _running: int = 0
    _waiting: int = 0
    _of: Counter[str] = field(default_factory=Counter)
    _changed: Condition = field(default_factory=Condition)

    def enter(self, who: str) -> Refusal | None:
        """Wait for a turn, in the order of coming as far as threads keep it; None is a turn, to be given back."""
        with self._changed:
            if self._of[who] >= self.each:
                return Refusal.OWN
            busy = self._running >= self.at_a_time or self._waiting > 0
            if busy and self._waiting >= self.waiting:
                return Refusal.FULL
            self._of[who] += 1
            if busy:
                self._waiting += 1
                came = self._changed.wait_for(lambda: self._running < self.at_a_time, self.patience_s)
                self._waiting -= 1
                if not came:
                    self._gone(who)
                    return Refusal.LATE
            self._running += 1
            return None

    def leave(self, who: str) -> None:
        """Give the turn back."""
        with self._changed:
            self._running -= 1
            self._gone(who)
            self._changed.notify()

    def _gone(self, who: str) -> None:
        self._of[who] -= 1
        if not self._of[who]:
            del self._of[who]
