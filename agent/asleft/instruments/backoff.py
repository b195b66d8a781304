"""How long to wait before trying again: doubling, bounded, jittered. Randomness is an argument."""

from __future__ import annotations

from collections.abc import Callable


class Backoff:
    """Waits that double from `first_s` to `most_s`, each drawn from its upper half.

    The jitter keeps two sides that lost each other at the same moment from trying in step for ever.
    """

    def __init__(self, first_s: float, most_s: float, random: Callable[[], float]) -> None:
        self._first_s = first_s
        self._most_s = most_s
        self._random = random
        self._next_s = first_s

    def next_s(self) -> float:
        """The next wait, in seconds."""
        whole = self._next_s
        self._next_s = min(self._most_s, 2 * whole)
        return whole * (0.5 + 0.5 * self._random())

    def reset(self) -> None:
        """It worked: begin again with the shortest wait."""
        self._next_s = self._first_s
