"""When to read: ticks at an even pace, and what to do when one is missed. Plain integer arithmetic, no clock."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Schedule:
    """Tick n is due at start_ns + n * period_ns; ticks do not drift, however late single ones are taken.

    Policy for missed ticks, "skip and mark": a tick less than one period late is still taken; one that a later tick
    has overtaken is not made up for, it is counted, and its reading goes out marked as a missed tick.
    """

    start_ns: int
    period_ns: int

    def due_ns(self, tick: int) -> int:
        """When tick number `tick` (0, 1, 2, ...) is due."""
        return self.start_ns + tick * self.period_ns

    def next_tick(self, last: int, now_ns: int) -> int:
        """The tick to wait for or take now, after `last` was taken; those between the two are missed.

        Always above `last`, and never more than one period overdue.
        """
        return max(last + 1, (now_ns - self.start_ns) // self.period_ns)


def period_ns(rate_hz: float) -> int:
    """Length of a tick, rounded to 1 ns."""
    return round(1e9 / rate_hz)
