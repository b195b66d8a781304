"""Modbus registers to channel readings: which registers to read, and what they mean. Pure.

A register holds 16 bits, addresses count from 0 as on the wire (a manual's 30001 or 40001 is address 0).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from asleft.instruments.protocol import ChannelForm, Reading
from asleft.wire.block import Reason

MAX_REGISTERS = 125
"""Registers in one reply (Modbus application protocol, function codes 3 and 4)."""
MAX_BITS = 2000
"""Bits in one reply (function codes 1 and 2)."""

REGISTER_TABLES = ("input", "holding")
BIT_TABLES = ("discrete", "coil")
TABLES = REGISTER_TABLES + BIT_TABLES
"""The four tables of a Modbus device: input registers (function code 4), holding registers (3), discrete inputs (2),
coils (1)."""

KINDS: Mapping[str, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
    "bit": 1,
}
"""Number formats, and how many registers each takes."""

_STRUCT = {"int32": ">i", "uint32": ">I", "float32": ">f", "int64": ">q", "uint64": ">Q", "float64": ">d"}
"""Floats as in IEC 60559."""

Replies = Sequence["list[int] | Reason"]


@dataclass(frozen=True, slots=True)
class Point:
    """Where one channel is found and what its number means: value = offset + scale * number."""

    name: str
    unit: str
    table: str
    address: int
    kind: str = "int16"
    high_word_first: bool = True
    high_byte_first: bool = True  # within each register, as the protocol has it
    bit: int = 0  # of a register, 0 is the lowest
    bits: int = 1  # from there upwards, taken as one whole number
    scale: float = 1.0
    offset: float = 0.0

    @property
    def width(self) -> int:
        """Registers (or bits, in a bit table) it takes."""
        return 1 if self.table in BIT_TABLES else KINDS[self.kind]

    def form(self) -> ChannelForm:
        """How its numbers are published: 16-bit registers and bits as counts, all else as values.

        Unsigned counts are shifted by 32768 into the signed range, and the offset takes the shift back.
        """
        if self.table in BIT_TABLES or self.kind in {"bit", "int16"}:
            return ChannelForm(self.name, self.unit, True, self.scale, self.offset)
        if self.kind == "uint16":
            return ChannelForm(self.name, self.unit, True, self.scale, self.offset + 32768 * self.scale)
        return ChannelForm(self.name, self.unit)


@dataclass(frozen=True, slots=True)
class Read:
    """One request: `count` registers or bits of a table from `address`."""

    table: str
    address: int
    count: int


def plan_reads(points: Sequence[Point], bridge: int = 0) -> tuple[Read, ...]:
    """The fewest requests that fetch all points without touching a register that no point needs.

    With `bridge`, gaps of up to that many unneeded registers are read along to save a request: only for a device
    known to answer for them. A number of two registers is never split between requests.
    """
    reads: list[Read] = []
    for point in sorted(points, key=lambda point: (point.table, point.address)):
        most = MAX_BITS if point.table in BIT_TABLES else MAX_REGISTERS
        end = point.address + point.width
        last = reads[-1] if reads else None
        if (
            last is not None
            and last.table == point.table
            and point.address <= last.address + last.count + bridge
            and end - last.address <= most
        ):
            reads[-1] = Read(last.table, last.address, max(last.count, end - last.address))
        else:
            reads.append(Read(point.table, point.address, point.width))
    return tuple(reads)


class RegisterMap:
    """The points of one valve with their reads, ready to decode replies quickly."""

    def __init__(self, points: Sequence[Point], bridge: int = 0) -> None:
        self.reads = plan_reads(points, bridge)
        self._decoders = [self._decoder(point) for point in points]

    def decode(self, replies: Replies, replied_ns: int = 0) -> Reading:
        """One reading from the replies, one per read and in their order: registers (or bits), or why there are none.

        Never raises: a number that is none fails alone, with its reason.
        """
        failed: dict[int, Reason] = {}
        numbers = [0.0] * len(self._decoders)
        for index, (which, decode) in enumerate(self._decoders):
            reply = replies[which]
            if isinstance(reply, Reason):
                failed[index] = reply
                continue
            number = decode(reply)
            if number != number:
                failed[index] = Reason.NOT_FINITE
            else:
                numbers[index] = number
        return Reading(numbers, failed, replied_ns)

    def _decoder(self, point: Point) -> tuple[int, Callable[[list[int]], float]]:
        for which, read in enumerate(self.reads):
            if read.table == point.table and read.address <= point.address < read.address + read.count:
                return which, _number_decoder(point, point.address - read.address)
        raise ValueError(f"no read fetches {point.name!r} at {point.table} {point.address}")


def _number_decoder(point: Point, at: int) -> Callable[[list[int]], float]:
    if point.table in BIT_TABLES:
        return lambda words: words[at]
    if not point.high_byte_first:
        in_order = _number_decoder(replace(point, high_byte_first=True), 0)
        width = point.width
        return lambda words: in_order([_swapped(word) for word in words[at : at + width]])
    if point.kind == "bit":
        shift, mask = point.bit, (1 << point.bits) - 1
        return lambda words: words[at] >> shift & mask
    if point.kind == "int16":
        return lambda words: (words[at] ^ 0x8000) - 0x8000
    if point.kind == "uint16":
        return lambda words: words[at] - 0x8000
    joined, number = struct.Struct(f">{point.width}H"), struct.Struct(_STRUCT[point.kind])
    there = slice(at, at + point.width)
    step = 1 if point.high_word_first else -1
    scale, offset = point.scale, point.offset
    return lambda words: _finite(offset + scale * number.unpack(joined.pack(*words[there][::step]))[0])


def _swapped(word: int) -> int:
    return word >> 8 | (word & 0xFF) << 8


def float32_of(high: int, low: int) -> float:
    """The float32 (IEC 60559) in two registers."""
    return float(struct.unpack(">f", struct.pack(">HH", high, low))[0])


def _finite(value: float) -> float:
    return value if math.isfinite(value) else math.nan
