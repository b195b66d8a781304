"""What is fixed for a valve from its first samples: interval, noise, the threshold of a move."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scale:
    """Fixed for a valve: sample interval (s), noise of demand, threshold of a move, span (A)."""

    interval_s: float
    demand_noise: float
    move: float
    span_a: float
    has_current: bool
    outer: bool = False  # a controller outside makes the command: see `sliding`
