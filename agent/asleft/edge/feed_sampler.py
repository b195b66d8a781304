"""Takes from one feed the readings that have come, and hands complete blocks on: one thread for each feed."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping

from asleft.edge import clock
from asleft.edge.assembler import BlockAssembler
from asleft.edge.failing import FailingReadings
from asleft.edge.sampler import PAUSE_AFTER_FAULT_S, SamplerCounters
from asleft.instruments.feed import Feed, TimedReading
from asleft.wire.block import SOURCE_TIME, Block

logger = logging.getLogger(__name__)

_LOOK_EVERY_S = 0.1
_LONGEST_GAP_NS = 60_000_000_000  # readings further apart are of different blocks
_MOST_ROWS = 10_000


class FeedSampler:
    """Takes from one feed until `stop` is set. `sink` takes blocks without stream and seq and must not block.

    Times are the source's: a block is not compared with this machine's clock. A reading whose time is not after that
    of the one before is counted and not stored.
    """

    def __init__(
        self,
        feed: Feed,
        agent: str,
        block_s: float,
        sink: Callable[[Block], None],
        stop: threading.Event,
        after_ns: Mapping[str, int],
    ) -> None:
        """`after_ns`: valve -> time of its last reading in the spool, from an earlier run."""
        self._feed = feed
        self._block_ns = round(block_s * 1e9)
        self._sink = sink
        self._stop = stop
        self._last_ns = [after_ns.get(form.valve, 0) for form in feed.valves]
        self._first_ns: list[int | None] = [None] * len(feed.valves)
        self._begun_s = [0.0] * len(feed.valves)
        self._assemblers = [BlockAssembler(agent, SOURCE_TIME, form, _MOST_ROWS) for form in feed.valves]
        self._failing = FailingReadings()
        self._failing_words: dict[str, str] = {}
        self._repeated = 0
        self.counters = SamplerCounters()
        self.alive_at_s = time.monotonic()
        """Last sign of life of this thread, for a watchdog."""

    @property
    def name(self) -> str:
        """Of the feed."""
        return self._feed.name

    def run(self) -> None:
        """Take until stopped; a fault of the program is logged, counted, and taking begins again."""
        while not self._stop.is_set():
            self.alive_at_s = time.monotonic()
            try:
                self._feed.open({form.valve: at for form, at in zip(self._feed.valves, self._last_ns, strict=True)})
                while not self._stop.wait(_LOOK_EVERY_S):
                    self._look()
            except Exception as error:
                self.counters.faults += 1
                self.counters.last_fault = f"{self.name}: {error}"
                logger.exception("taking from %s failed, trying again", self.name)
                self._feed.close()
                self._stop.wait(PAUSE_AFTER_FAULT_S)
        try:
            self._look()
            for index in range(len(self._assemblers)):
                self._flush(index)
        finally:
            self._feed.close()

    def _look(self) -> None:
        for index in range(len(self._feed.valves)):
            self.alive_at_s = now_s = time.monotonic()
            for row in self._feed.take(index):
                self._add(index, row)
            if self._first_ns[index] is not None and 1e9 * (now_s - self._begun_s[index]) >= self._block_ns:
                self._flush(index)
        self._tell()
        counts = self._feed.counts
        self.counters.late, self.counters.malformed, self.counters.lost = counts.late, counts.malformed, counts.lost
        self.counters.repeated = counts.repeated + self._repeated

    def _tell(self) -> None:
        # Replaced, never changed: another thread may be walking through it.
        troubles = {form.valve: self._feed.trouble(index) for index, form in enumerate(self._feed.valves)}
        self.counters.failing = self._failing_words | {valve: why for valve, why in troubles.items() if why}

    def _add(self, index: int, row: TimedReading) -> None:
        at_ns = row.wall_ns // 1000 * 1000
        if at_ns <= self._last_ns[index]:
            self._repeated += 1
            return
        first_ns = self._first_ns[index]
        if first_ns is not None and (
            at_ns - first_ns >= self._block_ns or at_ns - self._last_ns[index] > _LONGEST_GAP_NS
        ):
            self._flush(index)
        if self._first_ns[index] is None:
            self._first_ns[index], self._begun_s[index] = at_ns, time.monotonic()
        self._last_ns[index] = at_ns
        self.counters.ticks += 1
        self.counters.failed_readings += len(row.reading.failed)
        # One clock alone: between two blocks the source's time is what counts.
        block = self._assemblers[index].add(at_ns, at_ns, row.reading, clock.clock_synchronised())
        if block is not None:
            self._emit(index, block)

    def _flush(self, index: int) -> None:
        block = self._assemblers[index].flush()
        if block is not None:
            self._emit(index, block)

    def _emit(self, index: int, block: Block) -> None:
        self._first_ns[index] = None
        self._failing_words = self._failing.seen(block)
        self._tell()
        self._sink(block)
