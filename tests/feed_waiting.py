"""Waiting for a feed: for what it reads and for any condition, as long as a starved machine may need."""

from __future__ import annotations

import time
from collections.abc import Callable

from asleft.instruments.feed import Feed, TimedReading

PATIENCE_S = 120.0  # only a test that fails waits that long


def until(condition: Callable[[], object]) -> None:
    """Wait until it is true."""
    until_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.02)


def take_until(made: Feed, enough: Callable[[list[TimedReading]], bool]) -> list[TimedReading]:
    """Rows of the first valve until they are enough."""
    rows: list[TimedReading] = []
    until_s = time.monotonic() + PATIENCE_S
    while not enough(rows):
        assert time.monotonic() < until_s, (made.trouble(0), made.counts, rows[-3:])
        rows += made.take(0)
        time.sleep(0.02)
    return rows
