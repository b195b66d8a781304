"""Reads the valves of one instrument at an even pace and hands blocks on: in steps, for `asleft.edge.sampling`."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from asleft.edge import clock
from asleft.edge.assembler import BlockAssembler
from asleft.edge.failing import FailingReadings
from asleft.edge.schedule import Schedule
from asleft.instruments.protocol import InSteps, Instrument
from asleft.instruments.steps import NO_FILE, Steps, Wait
from asleft.wire.block import Block, Burst

logger = logging.getLogger(__name__)

LONGEST_STALL_S = 10.0
"""Ticks missed in one go for longer than this (a suspended machine) are counted but not sent one by one."""

PAUSE_AFTER_FAULT_S = 1.0
"""How long to wait after a fault of the program before trying again."""


@dataclass(slots=True)
class SamplerCounters:
    """Figures since the start. Written by one thread, read by others."""

    ticks: int = 0
    missed_ticks: int = 0
    failed_readings: int = 0
    repeated: int = 0
    """Readings that came again, of a feed with a time that is stored: not stored as new ones."""
    late: int = 0
    """Readings of a feed that came after newer ones had been passed on."""
    malformed: int = 0
    """Messages of a feed that could not be read."""
    lost: int = 0
    """Holes that a feed's source left."""
    faults: int = 0
    last_fault: str = ""
    failing: dict[str, str] = field(default_factory=dict)
    """Valves whose readings fail, and what there is to say of each."""


class Sampler:
    """Samples one instrument. `sink` takes blocks without stream and seq and must not block."""

    def __init__(
        self,
        instrument: Instrument,
        agent: str,
        boot_id: str,
        period_ns: int,
        block_size: int,
        sink: Callable[[Block], None],
    ) -> None:
        self._instrument = instrument
        self._in_steps = instrument if isinstance(instrument, InSteps) and instrument.never_blocks else None
        self.period_ns, self._block_ns = period_ns, period_ns * block_size
        self._sink = sink
        self._assemblers = [BlockAssembler(agent, boot_id, form, block_size) for form in instrument.valves]
        self._burst_lock = threading.Lock()
        self._bursts: list[tuple[int, Burst]] = []
        self._synchronised: bool | None = None
        self.counters = SamplerCounters()
        self._failing = FailingReadings()
        self.alive_at_s = time.monotonic()
        """Last sign of life (monotonic), for a watchdog."""

    @property
    def name(self) -> str:
        """Of the instrument."""
        return self._instrument.name

    @property
    def never_blocks(self) -> bool:
        """Whether others can be sampled on the same thread."""
        return self._in_steps is not None

    def add_burst(self, index: int, burst: Burst) -> None:
        """Let a burst travel with the next block of valve number `index`. Callable from another thread."""
        with self._burst_lock:
            self._bursts.append((index, burst))

    def steps(self) -> Steps[None]:
        """Sample until closed; a fault of the program or a file is logged, counted, and sampling begins again."""
        try:
            while True:
                self.alive_at_s = time.monotonic()
                try:
                    self._instrument.open()
                    yield from self._sample()
                except Exception as error:
                    self.counters.faults += 1
                    self.counters.last_fault = f"{self.name}: {error}"
                    logger.exception("sampling of %s failed, trying again", self.name)
                    yield Wait(NO_FILE, clock.monotonic_ns() + int(1e9 * PAUSE_AFTER_FAULT_S))
        finally:
            self._finish()

    def _sample(self) -> Steps[None]:
        # All samplers of a period have the same ticks, so that one waking of a thread serves all of its own.
        schedule = Schedule(-(-clock.monotonic_ns() // self.period_ns) * self.period_ns, self.period_ns)
        most_missed = int(LONGEST_STALL_S * 1e9 / self.period_ns)
        last = -1
        while True:
            now_ns = clock.monotonic_ns()
            self.alive_at_s = now_ns / 1e9
            tick = schedule.next_tick(last, now_ns)
            missed = tick - last - 1
            if missed:
                self.counters.missed_ticks += missed
                if missed <= most_missed:
                    self._mark_missed(schedule, last + 1, tick)
                else:
                    logger.warning("%s: nothing was read for %d ticks", self.name, missed)
                    self._flush()
            yield Wait(NO_FILE, schedule.due_ns(tick))
            yield from self._read_all()
            self.counters.ticks += 1
            last = tick

    def _read_all(self) -> Steps[None]:
        for index, assembler in enumerate(self._assemblers):
            before_ns = clock.monotonic_ns()
            self.alive_at_s = before_ns / 1e9
            if self._in_steps is None:
                reading = self._instrument.read_once(index)
            else:
                reading = yield from self._in_steps.reading(index)
            now_ns = clock.monotonic_ns()
            if reading is None:
                self.counters.repeated += 1
                if assembler.lasts_ns(now_ns) >= self._block_ns:
                    self._flush_one(index)
                continue
            # The instrument took its reading between question and answer: the middle is off by half of that at most.
            after_ns = reading.replied_ns if reading.replied_ns >= before_ns else now_ns
            at_ns = (before_ns + after_ns) // 2
            block = assembler.add(clock.wall_ns() - (now_ns - at_ns), at_ns, reading, self._synchronised)
            if reading.failed:
                self.counters.failed_readings += len(reading.failed)
            if block is not None:
                self._emit(index, block)

    def _mark_missed(self, schedule: Schedule, first: int, behind: int) -> None:
        ahead_ns = clock.wall_ns() - clock.monotonic_ns()
        for tick in range(first, behind):
            due_ns = schedule.due_ns(tick)
            for index, assembler in enumerate(self._assemblers):
                block = assembler.add_missed(due_ns + ahead_ns, due_ns)
                if block is not None:
                    self._emit(index, block)

    def _emit(self, index: int, block: Block) -> None:
        # Replaced, never changed: another thread may be walking through it.
        self.counters.failing = self._failing.seen(block)
        self._sink(block)
        if index == 0:  # once a block is often enough to ask the system
            self._synchronised = clock.clock_synchronised()
        with self._burst_lock:
            bursts, self._bursts = self._bursts, []
        for which, burst in bursts:
            if not self._assemblers[which].add_burst(burst):
                logger.warning("%s: more bursts of %s than a block can hold, one given up", self.name, block.valve)

    def _flush(self) -> None:
        for index in range(len(self._assemblers)):
            self._flush_one(index)

    def _flush_one(self, index: int) -> None:
        block = self._assemblers[index].flush()
        if block is not None:
            self._emit(index, block)

    def _finish(self) -> None:
        try:
            self._flush()
        finally:
            self._instrument.close()


class BurstPoller:
    """Looks for new bursts of one instrument, on a thread (and connection) of its own."""

    def __init__(self, instrument: Instrument, sampler: Sampler, every_s: float, stop: threading.Event) -> None:
        self._instrument = instrument
        self._sampler = sampler
        self._every_s = every_s
        self._stop = stop
        self.taken = 0
        """Bursts taken since the start."""
        self.alive_at_s = time.monotonic()
        """Last sign of life of this thread, for a watchdog; ahead of now by the pause it makes."""

    @property
    def instrument(self) -> str:
        """Name of the instrument."""
        return self._instrument.name

    def run(self) -> None:
        """Look every so often until stopped."""
        with_bursts = [index for index, form in enumerate(self._instrument.valves) if form.has_bursts]
        while True:
            self.alive_at_s = time.monotonic() + self._every_s
            if self._stop.wait(self._every_s):
                return
            for index in with_bursts:
                self.alive_at_s = time.monotonic()
                try:
                    bursts = self._instrument.read_bursts(index)
                except Exception:
                    logger.exception("reading bursts of %s failed, trying again", self._instrument.name)
                    continue
                for burst in bursts:
                    self._sampler.add_burst(index, burst)
                self.taken += len(bursts)
