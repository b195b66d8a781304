"""A block's readings to a few bytes and back.

Converter counts are stored as differences, floats with their bytes sorted by significance (shuffle), times as
differences, shuffled; one zstd frame per block holds them all. What many blocks have in common (names, units,
scales) is the *layout*, stored once.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from asleft.judge.packing import apart, steps, together
from asleft.wire.block import Block, Channel, Int32Array, Mark, Reason
from numcodecs import Zstd

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

_ZSTD = Zstd(level=3)


class Packed(NamedTuple):
    """A block's readings, ready to store."""

    layout: str
    marks: str | None
    payload: bytes


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one channel of one block, over the readings that did not fail."""

    channel: str
    minimum: float
    mean: float
    maximum: float
    count: int


class ChannelLayout(NamedTuple):
    """How one channel is coded: `scale` is None for float32 values."""

    name: str
    unit: str
    scale: float | None
    offset: float


def pack(block: Block) -> Packed:
    """Readings, times and marks of a block. Raises `ValueError` if a channel has no readings or another length."""
    parts = [apart(steps(np.asarray(block.offsets_us, dtype="<i4")))]
    layout: list[list[Any]] = []
    marks: list[list[Any]] = []
    for index, channel in enumerate(block.channels):
        readings = channel.counts if channel.counts is not None else channel.values
        if readings is None or readings.shape != (block.size,):
            raise ValueError(f"{block.valve}, channel {channel.name!r}: not {block.size} readings for as many times")
        if channel.counts is not None:
            layout.append([channel.name, channel.unit, channel.scale, channel.offset])
            parts.append(steps(np.asarray(channel.counts, dtype="<i2")).tobytes())
        else:
            layout.append([channel.name, channel.unit, None, 0.0])
            parts.append(apart(np.asarray(channel.values, dtype="<f4")))
        marks.extend([index, mark.first, mark.count, mark.reason.value] for mark in channel.marks)
    return Packed(
        json.dumps(layout, separators=(",", ":")),
        json.dumps(marks, separators=(",", ":")) if marks else None,
        bytes(_ZSTD.encode(b"".join(parts))),
    )


def layout_from(body: str) -> tuple[ChannelLayout, ...]:
    """The layout that `pack` wrote."""
    return tuple(ChannelLayout(name, unit, scale, offset) for name, unit, scale, offset in json.loads(body))


def unpack(
    layout: Sequence[ChannelLayout], size: int, marks: str | None, payload: bytes
) -> tuple[Int32Array, tuple[Channel, ...]]:
    """Times (us after the block's wall clock, shape (size,)) and channels, as they were packed.

    Raises `ValueError` if the payload does not hold what the layout says.
    """
    raw = bytes(_ZSTD.decode(payload))
    _check_raw(raw, _raw_bytes(layout, size))
    offsets = np.cumsum(together(raw[: 4 * size], "<i4"), dtype=np.int32)
    failed = _marks_by_channel(marks)
    channels: list[Channel] = []
    at = 4 * size
    for index, (name, unit, scale, offset) in enumerate(layout):
        if scale is None:
            values = together(raw[at : at + 4 * size], "<f4").astype(np.float64)
            channels.append(Channel(name, unit, values=values, marks=failed.get(index, ())))
            at += 4 * size
        else:
            counts = np.cumsum(np.frombuffer(raw, "<i2", size, at), dtype=np.int16)
            channels.append(Channel(name, unit, None, counts, scale, offset, failed.get(index, ())))
            at += 2 * size
    return offsets, tuple(channels)


def unpack_many(
    layout: Sequence[ChannelLayout], size: int, payloads: Sequence[bytes]
) -> tuple[Int64Array, dict[str, FloatArray]]:
    """Times (us, shape (k, size)) and values by channel (shape (k, size)) of k blocks alike, in one go.

    The same as `unpack` of each without marks, several times as fast. Raises `ValueError` as that does.
    """
    raw = [bytes(_ZSTD.decode(payload)) for payload in payloads]
    expected = _raw_bytes(layout, size)
    for one in raw:
        _check_raw(one, expected)
    table = np.frombuffer(b"".join(raw), np.uint8).reshape(len(raw), expected)
    offsets = np.cumsum(_sorted_back(table[:, : 4 * size], size).view("<i4"), axis=1, dtype=np.int64)
    values: dict[str, FloatArray] = {}
    at = 4 * size
    for name, _, scale, offset in layout:
        if scale is None:
            values[name] = _sorted_back(table[:, at : at + 4 * size], size).view("<f4").astype(np.float64)
            at += 4 * size
        else:
            counts = np.ascontiguousarray(table[:, at : at + 2 * size]).view("<i2")
            values[name] = offset + scale * np.cumsum(counts, axis=1, dtype=np.int16).astype(np.float64)
            at += 2 * size
    return offsets, values


def pack_burst(values: FloatArray) -> bytes:
    """Readings of a burst, as float32."""
    return bytes(_ZSTD.encode(apart(np.asarray(values, dtype="<f4"))))


def unpack_burst(payload: bytes) -> FloatArray:
    """Readings of a burst, shape (n,)."""
    return together(bytes(_ZSTD.decode(payload)), "<f4").astype(np.float64)


def figures(block: Block) -> list[Figures]:
    """Minimum, mean, maximum and count of each channel; a channel whose readings all failed is left out."""
    out: list[Figures] = []
    for channel in block.channels:
        values = channel.as_values()
        values = values[np.isfinite(values)]
        if values.size:
            out.append(
                Figures(channel.name, float(values.min()), float(values.mean()), float(values.max()), values.size)
            )
    return out


def _raw_bytes(layout: Sequence[ChannelLayout], size: int) -> int:
    return 4 * size + sum((4 if channel.scale is None else 2) * size for channel in layout)


def _check_raw(raw: bytes, expected: int) -> None:
    if len(raw) != expected:
        raise ValueError(f"a stored block holds {len(raw)} bytes of readings, its layout needs {expected}")


def _sorted_back(rows: npt.NDArray[np.uint8], size: int) -> npt.NDArray[np.uint8]:
    """The shuffle undone for each of several rows: shape (k, 4 * size)."""
    return np.ascontiguousarray(rows.reshape(-1, 4, size).transpose(0, 2, 1)).reshape(-1, 4 * size)


def _marks_by_channel(marks: str | None) -> dict[int, tuple[Mark, ...]]:
    found: dict[int, list[Mark]] = {}
    for index, first, count, reason in json.loads(marks) if marks else []:
        found.setdefault(index, []).append(Mark(first, count, Reason(reason)))
    return {index: tuple(runs) for index, runs in found.items()}
