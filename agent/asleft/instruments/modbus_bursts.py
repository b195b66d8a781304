"""Bursts buffered by a Modbus instrument: layout of a buffer, and taking one apart. Pure.

Nothing can be triggered by reading, so the instrument fills two (or more) buffers in turn by itself. A buffer is a
header, readings, and the sequence number again; the two numbers differ while the instrument is writing (a torn
buffer), and only a number not seen before is news.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.instruments.modbus_registers import MAX_REGISTERS, Read, float32_of
from asleft.wire.block import Burst

MAX_BURST_READINGS = 20_000
"""Readings in one buffer at most."""


@dataclass(frozen=True, slots=True)
class BurstLayout:
    """Where the parts of one buffer stand. Positions count registers from the start of the buffer.

    `readings` int16 numbers follow the header: value = offset + scale * number. `sequence_after` None: directly
    behind the last place for a reading. The start time is 64 bits, high word first, microseconds since 1970 UTC.
    """

    channel: str
    unit: str
    table: str
    buffers: tuple[int, ...]
    readings: int
    scale: float
    offset: float
    sequence_before: int = 0
    rate: int = 1  # float32, high word first, Hz
    start: int = 3
    count: int = 7  # how many readings are filled in
    samples: int = 8
    sequence_after: int | None = None

    @property
    def behind(self) -> int:
        """Position of the second sequence number."""
        return self.samples + self.readings if self.sequence_after is None else self.sequence_after

    @property
    def length(self) -> int:
        """Registers of one buffer."""
        return max(self.behind + 1, self.samples + self.readings, self.rate + 2, self.start + 4, self.count + 1)

    def reads(self, buffer: int) -> tuple[Read, ...]:
        """Requests for a whole buffer, from its first register to its last."""
        first = self.buffers[buffer]
        return tuple(
            Read(self.table, first + at, min(MAX_REGISTERS, self.length - at))
            for at in range(0, self.length, MAX_REGISTERS)
        )

    def before_read(self, buffer: int) -> Read:
        """Request for the first sequence number alone: is there anything new?"""
        return Read(self.table, self.buffers[buffer] + self.sequence_before, 1)

    def behind_read(self, buffer: int) -> Read:
        """Request for the second sequence number alone: is it complete?"""
        return Read(self.table, self.buffers[buffer] + self.behind, 1)


class TornBurst(Exception):  # noqa: N818 - reads as what it says
    """The instrument wrote into the buffer while it was read."""


class BadBurst(Exception):  # noqa: N818 - reads as what it says
    """The header makes no sense."""


def parse_burst(layout: BurstLayout, words: Sequence[int]) -> Burst:
    """The burst in one buffer, given all its registers.

    Raises `TornBurst` if it has to be read again, `BadBurst` if the header makes no sense.
    """
    sequence = words[layout.sequence_before]
    if words[layout.behind] != sequence:
        raise TornBurst(f"sequence {sequence} in front, {words[layout.behind]} behind")
    count = words[layout.count]
    if not 1 <= count <= layout.readings:
        raise BadBurst(f"the burst says it holds {count} readings, its buffer has room for {layout.readings}")
    rate_hz = float32_of(words[layout.rate], words[layout.rate + 1])
    if not math.isfinite(rate_hz) or rate_hz <= 0:
        raise BadBurst(f"the burst gives {rate_hz} Hz as its rate")
    start_us = 0
    for word in words[layout.start : layout.start + 4]:
        start_us = start_us << 16 | word
    if start_us >= 2**62 // 1000:
        raise BadBurst(f"the burst gives {start_us} us since 1970 as its start")
    raw = np.asarray(words[layout.samples : layout.samples + count], dtype=np.uint16).view(np.int16)
    values = layout.offset + layout.scale * raw.astype(np.float64)
    return Burst(layout.channel, layout.unit, start_us * 1000, rate_hz, values, sequence)


class BurstReader:
    """Takes new bursts out of an instrument's buffers, given a way to read registers.

    `read` fetches one `Read` and raises what it likes; whatever it raises goes through to the caller.
    """

    def __init__(self, layout: BurstLayout, read: Callable[[Read], Sequence[int]], tries: int = 3) -> None:
        self._layout = layout
        self._read = read
        self._tries = tries
        self._seen: list[int | None] = [None] * len(layout.buffers)
        self.torn = 0
        """Times a buffer had to be read again."""
        self.lost = 0
        """Buffers given up as torn or senseless."""

    def take_new(self) -> list[Burst]:
        """Bursts with a sequence number not seen before, oldest first."""
        bursts = []
        for buffer in range(len(self._layout.buffers)):
            sequence = self._read(self._layout.before_read(buffer))[0]
            # 0 is a buffer never filled.
            if sequence == 0 or sequence == self._seen[buffer]:
                continue
            burst = self._take(buffer)
            if burst is not None and burst.sequence not in (0, *self._seen):
                self._seen[buffer] = burst.sequence
                bursts.append(burst)
        return sorted(bursts, key=lambda burst: burst.start_ns)

    def _take(self, buffer: int) -> Burst | None:
        for _ in range(self._tries):
            try:
                return self._take_once(buffer)
            except TornBurst:
                self.torn += 1
            except BadBurst:
                break
        self.lost += 1
        return None

    def _take_once(self, buffer: int) -> Burst:
        """Both numbers equal before the readings are fetched: complete. Still the same afterwards: untouched.

        Comparing only the pair within one pass would miss a writer that is overtaken in the middle of the buffer and
        finishes before its end is read.
        """
        before = self._read(self._layout.before_read(buffer))[0]
        behind = self._read(self._layout.behind_read(buffer))[0]
        if before != behind:
            raise TornBurst(f"sequence {before} in front, {behind} behind")
        words: list[int] = []
        for read in self._layout.reads(buffer):
            words += self._read(read)
        burst = parse_burst(self._layout, words)
        last = self._read(self._layout.before_read(buffer))[0]
        if burst.sequence != before or last != before:
            raise TornBurst(f"sequence {before} became {last}")
        return burst
