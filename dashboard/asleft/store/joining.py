"""Stored blocks to one stretch of readings. Neighbours that are alike are unpacked together, which is what counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np
from asleft.store.packing import ChannelLayout, unpack, unpack_many
from asleft.store.protocols import Int64Array, StoredSamples
from asleft.wire.block import FloatArray


class StoredRow(NamedTuple):
    """What of a block's row makes its readings."""

    wall_ns: int
    layout: int
    size: int
    marks: str | None
    payload: bytes


class RunRow(NamedTuple):
    """What of a run's row makes its readings; `starts_ns` and `sizes` of its blocks, both of shape (blocks,)."""

    starts_ns: Int64Array
    sizes: Int64Array
    layout: int
    size: int
    marks: str | None
    payload: bytes


class Piece(NamedTuple):
    """Readings of one or more blocks: times, and by channel unit and values, all of shape (n,)."""

    time_ns: Int64Array
    channels: dict[str, tuple[str, FloatArray]]


def pieces(rows: Iterable[StoredRow], layout_of: Callable[[int], tuple[ChannelLayout, ...]]) -> Iterator[Piece]:
    """Unpack rows, in their order."""
    for (number, size, plain), group in groupby(rows, key=lambda row: (row.layout, row.size, row.marks is None)):
        layout = layout_of(number)
        if plain:
            yield _alike(layout, size, list(group))
        else:
            for row in group:
                offsets, channels = unpack(layout, size, row.marks, row.payload)
                yield Piece(
                    row.wall_ns + offsets.astype(np.int64) * 1000,
                    {channel.name: (channel.unit, channel.as_values()) for channel in channels},
                )


def run_piece(row: RunRow, layout: tuple[ChannelLayout, ...]) -> Piece:
    """Unpack a run."""
    starts = np.repeat(row.starts_ns, row.sizes)
    if row.marks is None:
        offsets, values = unpack_many(layout, row.size, [row.payload])
        channels = {channel.name: (channel.unit, values[channel.name][0]) for channel in layout}
        return Piece(starts + offsets[0] * 1000, channels)
    offsets_us, unpacked = unpack(layout, row.size, row.marks, row.payload)
    return Piece(
        starts + offsets_us.astype(np.int64) * 1000,
        {channel.name: (channel.unit, channel.as_values()) for channel in unpacked},
    )


def channels_of(layouts: Iterable[Sequence[ChannelLayout]]) -> list[tuple[str, str]]:
    """Channels and units of layouts, each pair once, in the order of the layouts."""
    return list(dict.fromkeys((channel.name, channel.unit) for layout in layouts for channel in layout))


def joined(valve: str, parts: Iterable[Piece], from_ns: int, to_ns: int) -> StoredSamples:
    """Pieces as one stretch in the order of time, cut to from_ns <= time < to_ns; NaN where a channel is missing."""
    held = [part for part in parts if bool(((part.time_ns >= from_ns) & (part.time_ns < to_ns)).any())]
    if not held:
        return StoredSamples(valve, np.zeros(0, np.int64), {}, {})
    time_ns = np.concatenate([piece.time_ns for piece in held])
    units: dict[str, str] = {}
    channels: dict[str, FloatArray] = {}
    at = 0
    for piece in held:
        for name, (unit, values) in piece.channels.items():
            if name not in channels:
                channels[name] = np.full(time_ns.size, np.nan)
            channels[name][at : at + piece.time_ns.size] = values
            units[name] = unit
        at += piece.time_ns.size
    if bool(np.any(np.diff(time_ns) < 0)):  # blocks of two agents, or a clock that was put back
        order = np.argsort(time_ns, kind="stable")
        time_ns = time_ns[order]
        channels = {name: values[order] for name, values in channels.items()}
    first, last = np.searchsorted(time_ns, (from_ns, to_ns))
    return StoredSamples(
        valve, time_ns[first:last], {name: values[first:last] for name, values in channels.items()}, units
    )


def _alike(layout: Sequence[ChannelLayout], size: int, rows: Sequence[StoredRow]) -> Piece:
    offsets, values = unpack_many(layout, size, [row.payload for row in rows])
    starts = np.array([row.wall_ns for row in rows], dtype=np.int64)
    return Piece(
        (starts[:, np.newaxis] + offsets * 1000).ravel(),
        {channel.name: (channel.unit, values[channel.name].ravel()) for channel in layout},
    )
