"""Something that fails again and again: what to log of it, and how long to wait before the next try. Pure.

One line when it begins, one a minute while it lasts with the number of tries, one when it is over.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

SAY_AGAIN_S = 60.0
"""Time between two lines while a failure lasts."""


class Outage:
    """One thing that may fail. Times are seconds of a monotonic clock."""

    def __init__(
        self,
        log: logging.Logger,
        what: str,
        monotonic_s: Callable[[], float],
        *,
        first_s: float = 0.5,
        longest_s: float = 15.0,
    ) -> None:
        """`what` fails, as a clause: "storing fails". The wait doubles from `first_s` to `longest_s`."""
        self._log, self._what, self._monotonic_s = log, what, monotonic_s
        self._first_s, self._longest_s = first_s, longest_s
        self._said_s = 0.0
        self.since_s: float | None = None
        """Since when it fails; None while it works."""
        self.tries = 0
        self.why = ""

    def failed(self, why: str, unexpected: BaseException | None = None) -> float:
        """A try failed. How long to wait before the next one, in seconds.

        Of an `unexpected` error the first line has the traceback.
        """
        now_s = self._monotonic_s()
        why = one_line(why)
        self.tries += 1
        if self.since_s is None:
            self.since_s = self._said_s = now_s
            words = "%s: %s; tried again until it works, said once a minute"
            self._log.error(words, self._what, why, exc_info=unexpected)
        elif now_s - self._said_s >= SAY_AGAIN_S:
            self._said_s = now_s
            self._log.error("%s for %.0f s, after %d tries: %s", self._what, now_s - self.since_s, self.tries, why)
        self.why = why
        return min(self._first_s * 2.0 ** min(self.tries - 1, 30), self._longest_s)

    def over(self) -> None:
        """A try worked."""
        if self.since_s is None:
            return
        lasted_s = self._monotonic_s() - self.since_s
        self._log.warning("over after %.0f s and %d tries: %s", lasted_s, self.tries, self._what)
        self.dropped()

    def dropped(self) -> None:
        """It is not tried any more; nothing is logged."""
        self.since_s, self.tries, self.why = None, 0, ""

    def lasting_s(self) -> float:
        """For how long it has failed; 0 while it works."""
        return 0.0 if self.since_s is None else self._monotonic_s() - self.since_s


class Repeats:
    """The same kind of event many times: its first, then at most one line a minute with the number of those since."""

    def __init__(self, log: logging.Logger, monotonic_s: Callable[[], float], most: int = 500) -> None:
        self._log, self._monotonic_s, self._most = log, monotonic_s, most
        self._said: dict[tuple[str, ...], tuple[float, int]] = {}

    def happened(self, key: tuple[str, ...], words: str) -> None:
        """Log the event, or only count it."""
        now_s = self._monotonic_s()
        said_s, since = self._said.get(key, (float("-inf"), 0))
        if now_s - said_s < SAY_AGAIN_S:
            self._said[key] = said_s, since + 1
            return
        more = f" ({since} more like it since it was last said)" if since else ""
        self._log.warning("%s%s", one_line(words), more)
        self._said.pop(key, None)
        self._said[key] = now_s, 0
        if len(self._said) > self._most:
            self._said.pop(next(iter(self._said)))


def one_line(text: str) -> str:
    """A text on one line, at most 300 characters: errors of databases have many."""
    flat = " ".join(text.split())
    return flat if len(flat) <= 300 else flat[:297] + "..."
