"""A simulated recording as the blocks in which an agent would have sent it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from asleft.sim.recording import Recording
from asleft.wire.block import Block, Burst, Channel

_RATE_HZ = 100


def blocks_of(recording: Recording, *, block_s: int = 1, seq: int = 0) -> Iterator[Block]:
    """Whole blocks of `block_s` seconds of a recording at 100 Hz, numbered from `seq` + 1, each with its burst."""
    length = block_s * _RATE_HZ
    bursts = {int(b.start_s - recording.time_s[0]) // block_s: b for b in recording.bursts}
    for k in range(recording.time_s.size // length):
        part = slice(k * length, (k + 1) * length)
        burst = bursts.get(k)
        yield Block(
            agent="bench",
            valve=recording.valve_id,
            stream="bench-stream",
            seq=seq + k + 1,
            boot_id="bench-boot",
            wall_ns=round(recording.time_s[part.start] * 1000) * 1_000_000,
            monotonic_ns=(seq + k + 1) * block_s * 1_000_000_000,
            clock_synchronised=True,
            offsets_us=(np.arange(length) * (1_000_000 // _RATE_HZ)).astype(np.int32),
            channels=tuple(
                Channel(
                    name,
                    recording.units[name],
                    counts=counts[part],
                    scale=recording.scale[name],
                    offset=recording.offset[name],
                )
                for name, counts in recording.counts.items()
            ),
            bursts=()
            if burst is None
            else (Burst("current", "A", round(burst.start_s * 1e9), burst.rate_hz, burst.values(), seq + k + 1),),
        )
