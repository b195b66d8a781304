"""Work that waits for replies, as steps: one thread can go through those of many instruments at once.

Steps are a generator that yields what it waits for and returns its result. Whoever goes through them decides how: one
after the other with `finish`, or many side by side (`asleft.edge.sampling`).
"""

from __future__ import annotations

import select
import time
from collections.abc import Generator
from typing import NamedTuple, TypeAlias, TypeVar

T = TypeVar("T")

NO_FILE = -1
"""In place of a file descriptor: nothing but time is waited for."""


class Wait(NamedTuple):
    """Go on when `fileno` can be read, or at `until_ns` (monotonic); sooner does no harm."""

    fileno: int
    until_ns: int


Steps: TypeAlias = Generator[Wait, None, T]


def finish(steps: Steps[T]) -> T:
    """Go through the steps on this thread, waiting where they wait, and give their result."""
    poll = select.poll()
    try:
        while True:
            fileno, until_ns = next(steps)
            wait_ms = max(until_ns - time.monotonic_ns(), 0) / 1e6
            if fileno == NO_FILE:
                time.sleep(wait_ms / 1e3)
                continue
            poll.register(fileno, select.POLLIN)
            poll.poll(wait_ms)
            poll.unregister(fileno)
    except StopIteration as end:
        result: T = end.value
        return result
