"""One thread that goes through the steps of many samplers: one waking asks all that are due, few take the replies."""

from __future__ import annotations

import logging
import select
import threading
import time
from collections.abc import Sequence

from asleft.edge import clock
from asleft.edge.sampler import Sampler
from asleft.instruments.steps import NO_FILE, Steps, Wait

logger = logging.getLogger(__name__)

_SLEEP_AT_MOST_NS = 50_000_000
"""Longest time for which a stop may have to wait for a thread that sleeps."""
_GATHER_SHARE = 10
_GATHER_AT_MOST_S = 0.002
"""Replies to what was asked in one waking come one after the other. So that not each of them wakes the thread, it
lets them gather for a tenth of a period, once a tick. When each came is told by the system (`Reading.replied_ns`)."""


class Sampling:
    """Runs samplers of one period until `stop` is set. Several only where their instruments never block."""

    def __init__(self, samplers: Sequence[Sampler], stop: threading.Event) -> None:
        self._samplers = samplers
        self._stop = stop
        self._gather_s = min(samplers[0].period_ns / _GATHER_SHARE / 1e9, _GATHER_AT_MOST_S)
        self._runs = [_Run(sampler.steps()) for sampler in samplers]
        self._poll = select.poll()
        self._waiting: dict[int, _Run] = {}  # for a reply: file descriptor -> whose

    @property
    def name(self) -> str:
        """Of its instrument, or of one of them and how many more there are."""
        more = len(self._samplers) - 1
        return self._samplers[0].name + (f" and {more} more" if more else "")

    @property
    def alive_at_s(self) -> float:
        """Last sign of life of the sampler that gave none for longest (monotonic)."""
        return min(sampler.alive_at_s for sampler in self._samplers)

    def run(self) -> None:
        """Go on until stopped."""
        try:
            while not self._stop.is_set():
                self._resume_due()
                self._take_replies(min(run.wait.until_ns for run in self._runs))
        finally:
            for sampler, run in zip(self._samplers, self._runs, strict=True):
                try:
                    run.steps.close()
                except Exception:
                    logger.exception("%s: ending failed", sampler.name)

    def _resume_due(self) -> None:
        now_ns = clock.monotonic_ns()
        for run in self._runs:
            if run.wait.until_ns <= now_ns:
                self._resume(run)

    def _take_replies(self, until_ns: int) -> None:
        """Let all go on whose replies come, until none is waited for or something else is due."""
        gather = len(self._waiting) > 1
        while True:
            left_ns = until_ns - clock.monotonic_ns()
            if left_ns <= 0 or self._stop.is_set():
                return
            if not self._waiting:
                self._sleep(left_ns)
                return
            if gather:
                gather = False
                time.sleep(min(self._gather_s, left_ns / 1e9))
            elif left_ns < 1_000_000:  # `poll` counts in ms
                time.sleep(left_ns / 1e9)
            left_ns = min(until_ns - clock.monotonic_ns(), _SLEEP_AT_MOST_NS)
            for fileno, _ in self._poll.poll(max(left_ns // 1_000_000, 0)):
                run = self._waiting[fileno]
                self._resume(run)
                until_ns = min(until_ns, run.wait.until_ns)

    def _sleep(self, left_ns: int) -> None:
        """Waiting on the event costs half as much again as sleeping, but ends at once."""
        if left_ns > _SLEEP_AT_MOST_NS:
            self._stop.wait(left_ns / 1e9)
        else:
            time.sleep(left_ns / 1e9)

    def _resume(self, run: _Run) -> None:
        if run.wait.fileno != NO_FILE:
            self._poll.unregister(run.wait.fileno)
            del self._waiting[run.wait.fileno]
        run.wait = wait = next(run.steps)
        if wait.fileno != NO_FILE:
            self._poll.register(wait.fileno, select.POLLIN)
            self._waiting[wait.fileno] = run


class _Run:
    """How far one sampler is."""

    def __init__(self, steps: Steps[None]) -> None:
        self.steps = steps
        self.wait = Wait(NO_FILE, 0)
