"""What the benchmarks share: one simulated valve as blocks, and a table."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np
from asleft.sim.model import default_valve
from asleft.sim.recording import Recording, simulate
from asleft.wire.block import Block, Channel

S = 1_000_000_000
T0_S = 1_764_000_000.0
RATE_HZ = 100


def record(duration_s: float, *, burst_every_s: float = 0.0) -> Recording:
    """The default valve in production at 100 Hz."""
    (recording,) = simulate([default_valve()], [T0_S], duration_s, rate_hz=RATE_HZ, burst_every_s=burst_every_s)
    return recording


def block_of(recording: Recording, seq: int) -> Block:
    """Second `seq` - 1 of a recording (it repeats) as the block an agent makes of it: converter counts."""
    seconds = recording.time_s.size // RATE_HZ
    first = (seq - 1) % seconds * RATE_HZ
    channels = tuple(
        Channel(
            name,
            recording.units[name],
            counts=counts[first : first + RATE_HZ],
            scale=recording.scale[name],
            offset=recording.offset[name],
        )
        for name, counts in recording.counts.items()
    )
    return Block(
        agent="bench",
        valve="press-1.bench",
        stream="bench-stream",
        seq=seq,
        boot_id="bench-boot",
        wall_ns=round(T0_S) * S + (seq - 1) * S,
        monotonic_ns=seq * S,
        clock_synchronised=True,
        offsets_us=(np.arange(RATE_HZ) * 10_000).astype(np.int32),
        channels=channels,
    )


def timed(what: Callable[[], object], repeat: int) -> tuple[float, float]:
    """Median and longest wall time of a call (ms)."""
    took = []
    for _ in range(repeat):
        begin = time.perf_counter()
        what()
        took.append(1e3 * (time.perf_counter() - begin))
    return float(np.median(took)), max(took)


def table(rows: Sequence[tuple[str, str]]) -> None:
    """Print name and figure, one a line."""
    width = max(len(name) for name, _ in rows)
    for name, figure in rows:
        print(f"{name:<{width}}  {figure:>14}")
