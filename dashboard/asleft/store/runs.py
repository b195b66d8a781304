"""Runs: about a minute of blocks of one valve and stream merged into one row, from which each comes back exactly.

Readings of neighbouring blocks compress together, and a minute is one row instead of sixty: an hour is read several
times as fast, from fewer bytes. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from asleft.judge.packing import apart, together
from asleft.store.packing import ChannelLayout, Packed, figures, pack, unpack
from asleft.wire.block import Block, Channel, Mark
from numcodecs import Zstd

RUN_NS = 60_000_000_000
"""A run begins and ends within this time."""
RUN_BLOCKS = 60
"""And holds at most so many blocks."""
RUN_SEQS = 16_384
"""And spans at most so many numbers of its stream (the blocks of other valves lie between)."""

Int64Array = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

_ZSTD = Zstd(level=6)
_HEAD_FIELDS = 7
_FIGURES = 4


class Stand(NamedTuple):
    """Where a stored block stands, and what must agree for two to lie in one run."""

    id: int
    seq: int
    from_ns: int
    to_ns: int
    layout: int
    boot: int


class Head(NamedTuple):
    """What of a block is its own, inside a run."""

    seq: int
    wall_ns: int
    monotonic_ns: int
    clock: int  # -1: the machine does not say
    size: int
    from_ns: int
    to_ns: int


@dataclass(frozen=True, slots=True)
class PackedRun:
    """A run, ready to store."""

    packed: Packed
    heads: bytes
    figures: bytes


def leading_run(stands: Sequence[Stand], most: int = RUN_BLOCKS) -> tuple[list[Stand], bool]:
    """The blocks at the beginning (ascending by number) that make one run, and whether no further one can join them.

    Within a run time goes forward: where a clock was put back, a new one begins.
    """
    run: list[Stand] = []
    for stand in stands:
        if run and not (len(run) < most and _joins(run, stand)):
            return run, True
        run.append(stand)
    return run, len(run) >= most


def pack_run(blocks: Sequence[Block]) -> PackedRun:
    """Blocks of one layout and boot id as one run; their bursts are left out."""
    starts = np.cumsum([0, *(block.size for block in blocks)])
    channels = []
    for at, first in enumerate(blocks[0].channels):
        parts = [block.channels[at] for block in blocks]
        marks = tuple(
            Mark(int(start) + mark.first, mark.count, mark.reason)
            for start, part in zip(starts, parts, strict=False)
            for mark in part.marks
        )
        if first.counts is not None:
            counts = np.concatenate([part.counts for part in parts if part.counts is not None])
            channels.append(Channel(first.name, first.unit, None, counts, first.scale, first.offset, marks))
        else:
            values = np.concatenate([part.values for part in parts if part.values is not None])
            channels.append(Channel(first.name, first.unit, values=values, marks=marks))
    offsets = np.concatenate([block.offsets_us for block in blocks])
    first_block = blocks[0]
    joined = Block(
        first_block.agent,
        first_block.valve,
        first_block.stream,
        first_block.seq,
        first_block.boot_id,
        first_block.wall_ns,
        first_block.monotonic_ns,
        first_block.clock_synchronised,
        offsets,
        tuple(channels),
    )
    return PackedRun(pack(joined), _pack_heads([head_of(block) for block in blocks]), _pack_figures(blocks))


def head_of(block: Block) -> Head:
    """The head of a block."""
    first_us, last_us = (int(block.offsets_us[0]), int(block.offsets_us[-1])) if block.size else (0, 0)
    clock = {None: -1, False: 0, True: 1}[block.clock_synchronised]
    from_ns, to_ns = (min(block.wall_ns + 1000 * offset, 2**63 - 1) for offset in (first_us, last_us))
    return Head(block.seq, block.wall_ns, block.monotonic_ns, clock, block.size, from_ns, to_ns)


def unpack_heads(blocks: int, data: bytes) -> Int64Array:
    """Heads as they were packed, shape (blocks, 7), columns as in `Head`."""
    raw = together(bytes(_ZSTD.decode(data)), "<i8").reshape(_HEAD_FIELDS, blocks)
    return np.cumsum(raw, axis=1, dtype=np.int64).T


def unpack_figures(channels: int, blocks: int, data: bytes) -> FloatArray:
    """Figures as they were packed, shape (channels, 4, blocks): minimum, mean, maximum, count (0: all failed)."""
    return together(bytes(_ZSTD.decode(data)), "<f8").reshape(channels, _FIGURES, blocks)


def unpack_blocks(
    names: tuple[str, str, str, str],
    layout: Sequence[ChannelLayout],
    heads: Int64Array,
    marks: str | None,
    payload: bytes,
) -> list[Block]:
    """The blocks of a run, without bursts; `names` are agent, valve, stream and boot id."""
    agent, valve, stream, boot = names
    offsets, channels = unpack(layout, int(heads[:, 4].sum()), marks, payload)
    blocks: list[Block] = []
    start = 0
    for row in heads.tolist():
        head = Head(*row)
        end = start + head.size
        cut = tuple(_cut(channel, start, end) for channel in channels)
        clock = None if head.clock < 0 else bool(head.clock)
        blocks.append(
            Block(
                *(agent, valve, stream, head.seq, boot, head.wall_ns, head.monotonic_ns, clock),
                offsets[start:end],
                cut,
            )
        )
        start = end
    return blocks


def _joins(run: Sequence[Stand], stand: Stand) -> bool:
    first, last = run[0], run[-1]
    return (
        (stand.layout, stand.boot) == (first.layout, first.boot)
        and stand.from_ns > last.to_ns
        and stand.to_ns - first.from_ns <= RUN_NS
        and stand.seq - first.seq < RUN_SEQS
    )


def _cut(channel: Channel, start: int, end: int) -> Channel:
    marks = tuple(
        Mark(max(mark.first, start) - start, min(mark.first + mark.count, end) - max(mark.first, start), mark.reason)
        for mark in channel.marks
        if start <= mark.first < end
    )
    counts = None if channel.counts is None else channel.counts[start:end]
    values = None if channel.values is None else channel.values[start:end]
    return Channel(channel.name, channel.unit, values, counts, channel.scale, channel.offset, marks)


def _pack_heads(heads: Sequence[Head]) -> bytes:
    table = np.array(heads, dtype="<i8").T
    return bytes(_ZSTD.encode(apart(np.diff(table, axis=1, prepend=0))))


def _pack_figures(blocks: Sequence[Block]) -> bytes:
    table = np.zeros((len(blocks[0].channels), _FIGURES, len(blocks)), dtype="<f8")
    names = {channel.name: at for at, channel in enumerate(blocks[0].channels)}
    for column, block in enumerate(blocks):
        for one in figures(block):
            table[names[one.channel], :, column] = (one.minimum, one.mean, one.maximum, one.count)
    return bytes(_ZSTD.encode(apart(table)))
