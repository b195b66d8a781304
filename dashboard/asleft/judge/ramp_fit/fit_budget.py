"""How many strokes are fitted: all of them, until more would tell nothing that matters.

A press that moves every three seconds makes two hundred strokes in ten minutes; ten either way tell a ramp to a few
hundredths of its tolerance. So there is a reserve of strokes either way, which the first quarter of an hour of the
densest production does not use up, and after that one a minute. A stroke that disagrees with what was known is worth
more: the next six in its direction are then fitted.

Missed: a ramp that is wrong now and then, and never in the strokes that are fitted (one in ten at the densest).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

RESERVE = 150.0
PER_S = 1.0 / 60.0
AFTER_SURPRISE = 6.0


@dataclass(frozen=True, slots=True)
class FitBudget:
    """Strokes that may still be fitted, either way, as of a time (s)."""

    up: float = RESERVE
    down: float = RESERVE
    at_s: float = float("inf")

    def at(self, now_s: float) -> FitBudget:
        """Filled up by the time that has passed, at work or not."""
        more = PER_S * max(now_s - self.at_s, 0.0)
        return FitBudget(min(self.up + more, RESERVE), min(self.down + more, RESERVE), now_s)

    def enough(self, *, rising: bool) -> bool:
        """Whether one more stroke may be fitted."""
        return (self.up if rising else self.down) >= 1.0

    def spent(self, *, rising: bool, surprise: bool) -> FitBudget:
        """After one stroke was fitted; `surprise`: it disagreed with what was known."""
        left = (self.up if rising else self.down) - 1.0
        left = max(left, AFTER_SURPRISE) if surprise else max(left, 0.0)
        return replace(self, up=left) if rising else replace(self, down=left)
