"""The plant in real time: computed a little ahead by one thread, looked up by the clock when somebody reads."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from asleft.sim.bursts import FastBurst, burst
from asleft.sim.converter import Converter
from asleft.sim.effective import electrical
from asleft.sim.march import Chunk, March, generator
from asleft.sim.model import ValveModel
from asleft.sim.registers import BURST_EVERY_S, burst_registers, reading_rows

RATE_HZ = 200.0
#: Readings are computed at least this far ahead of the clock, so that a busy machine does not starve them.
AHEAD_S = 1.5
#: Readings older than this are forgotten.
KEPT_S = 1.0


@dataclass(slots=True)
class _Block:
    """Half a second: rows of registers per valve, and the first sample's number."""

    first: int
    rows: list[list[list[int]]]


@dataclass(slots=True)
class _Bursts:
    """Finished bursts of one valve that wait for their time, and the buffers in force."""

    waiting: deque[tuple[float, list[int]]] = field(default_factory=deque)  # (seconds after start, registers)
    buffers: list[list[int] | None] = field(default_factory=lambda: [None, None])
    sequence: int = 0


class LivePlant:
    """All valves from `start_s` (unix seconds) on; `elapsed_s()` tells the seconds since then.

    `run` computes until `stop` is called; `registers` and `burst_buffers` may be called from another thread.
    """

    def __init__(
        self,
        models: Sequence[ValveModel],
        start_s: float,
        *,
        seed: int = 1,
        elapsed_s: Callable[[], float] | None = None,
    ) -> None:
        self.models = tuple(models)
        self.start_s = start_s
        self._march = March(models, [start_s] * len(models), rate_hz=RATE_HZ, seed=seed, programme="live")
        self._converters = [
            Converter(model, key, start_s, RATE_HZ) for model, key in zip(models, self._march.keys, strict=True)
        ]
        self._burst_rngs = [generator(key, "burst") for key in self._march.keys]
        self._bursts = [_Bursts() for _ in models]
        self._per_block = self._march.samples_per_block
        self._burst_blocks = round(BURST_EVERY_S * RATE_HZ / self._per_block)
        self._blocks: deque[_Block] = deque()
        self._computed = 0  # blocks
        self._lock = threading.Lock()
        self._halt = threading.Event()
        self._began_s = time.monotonic()
        self.elapsed_s: Callable[[], float] = self._since_begun_s if elapsed_s is None else elapsed_s
        self.fill()

    def _since_begun_s(self) -> float:
        return time.monotonic() - self._began_s

    @property
    def computed_s(self) -> float:
        """Seconds from the start up to which readings exist."""
        return self._computed * self._per_block / RATE_HZ

    def fill(self) -> None:
        """Compute blocks until they reach far enough ahead of the clock."""
        while self.computed_s < self.elapsed_s() + AHEAD_S:
            self._compute()

    def run(self) -> None:
        """Keep ahead of the clock until `stop`."""
        while not self._halt.wait(0.2):
            self.fill()

    def stop(self) -> None:
        """Let `run` return."""
        self._halt.set()

    def _compute(self) -> None:
        chunk = self._march.chunk(1)
        first = self._computed * self._per_block
        dither_a = self._march.engine.lanes.dither_a
        rows = [
            reading_rows(converter.convert(chunk, lane, float(dither_a[lane])), first)
            for lane, converter in enumerate(self._converters)
        ]
        due = self._computed % self._burst_blocks == self._burst_blocks // 4
        made = [self._burst(chunk, lane) if due else None for lane in range(len(self.models))]
        self._computed += 1
        ends_s = self.computed_s
        forget = int((self.elapsed_s() - KEPT_S) * RATE_HZ)
        with self._lock:
            self._blocks.append(_Block(first, rows))
            while self._blocks[0].first + self._per_block < forget and len(self._blocks) > 1:
                self._blocks.popleft()
            for bursts, new in zip(self._bursts, made, strict=True):
                if new is not None:
                    bursts.sequence = bursts.sequence % 0xFFFF + 1
                    bursts.waiting.append((ends_s, burst_registers(new, bursts.sequence)))

    def _burst(self, chunk: Chunk, lane: int) -> FastBurst | None:
        """The burst of the block just computed, if the valve's current can be read."""
        model = self.models[lane]
        if "current" not in model.records:
            return None
        since_s = self.computed_s
        return burst(
            electrical(model, self.start_s + since_s),
            start_s=self.start_s + since_s,
            since_s=since_s,
            slow_a=chunk.true_current_a[lane],
            slow_rate_hz=RATE_HZ,
            dither_a=float(self._march.engine.lanes.dither_a[lane]),
            dither_phase=self._converters[lane].dither_phase,
            supply_v=float(chunk.supply_v[lane, 0]),
            coil_degc=float(self._march.engine.coil_degc[lane]),
            rng=self._burst_rngs[lane],
        )

    def registers(self, lane: int) -> list[int]:
        """Registers 0..9 of valve `lane` now (the last known ones, should the computation have fallen behind)."""
        wanted = int(self.elapsed_s() * RATE_HZ)
        with self._lock:
            for block in reversed(self._blocks):
                if block.first <= wanted:
                    break
            return block.rows[lane][max(0, min(wanted - block.first, self._per_block - 1))]

    def burst_buffers(self, lane: int) -> list[list[int] | None]:
        """The two burst buffers of valve `lane` now; None: never filled."""
        now_s = self.elapsed_s()
        with self._lock:
            bursts = self._bursts[lane]
            while bursts.waiting and bursts.waiting[0][0] <= now_s:
                _, words = bursts.waiting.popleft()
                bursts.buffers[words[0] % 2] = words
            return list(bursts.buffers)
