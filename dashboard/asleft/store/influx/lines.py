"""Blocks as InfluxDB's line protocol, many times as fast as through objects for points.

Converter counts have few distinct values, so the text of each is made once and looked up afterwards.

Measurements; tags are `valve`, `agent`, `stream` and `lap` (see `places`):

* `sample`: one point per reading time, one field per channel (engineering units), at the agent's raw wall clock.
  For every tool that reads InfluxDB. Readings that failed have no field.
* `block`: one point per block at its first reading: numbers, clocks, and all readings packed as the embedded store
  packs them (`payload`, base64), from which the judge reads exact blocks, several times as fast as from points.
* `burst`: one point per burst at its start; further tag `place`, its place in the block.
* `figure` (in the overview bucket): minimum, mean, maximum, total and count of one channel of one block; further
  tag `channel`.

See https://docs.influxdata.com/influxdb/v1/write_protocols/line_protocol_reference/ for the escapes.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from asleft.store.packing import Figures, figures, pack, pack_burst
from asleft.wire.block import Block, Burst, Channel

TEXT_LIMIT = 48_000
"""Characters of one text field; InfluxDB takes 64 kB. A longer text goes on in `name_1`, `name_2`, ..."""
_NOT_FIELDS = frozenset({"time", "valve", "agent", "stream", "lap"})
_LARGEST = 2**63 - 1
_INT64 = np.iinfo(np.int64)


class Lines(NamedTuple):
    """One block's lines for the bucket of readings and for that of the overview."""

    raw: bytes
    overview: bytes


class ReadyBlock(NamedTuple):
    """A block packed and checked, before its lap is known."""

    block: Block
    from_ns: int
    to_ns: int
    fields: str  # of its `block` point
    bursts: tuple[str, ...]  # fields of its `burst` points
    figures: tuple[Figures, ...]


class Serialiser:
    """Turns blocks into lines; keeps the texts of converter values it has met. For one thread."""

    def __init__(self) -> None:
        self._texts: dict[tuple[str, float, float], _Texts] = {}

    def lines(self, ready: ReadyBlock, lap: int) -> Lines:
        """All points of one block."""
        block = ready.block
        tags = f",valve={tag(block.valve)},agent={tag(block.agent)},stream={tag(block.stream)},lap={lap}"
        raw = [f"block{tags} {ready.fields} {ready.from_ns}", *self._samples(block, f"sample{tags} ")]
        for place, (burst, fields) in enumerate(zip(block.bursts, ready.bursts, strict=True)):
            raw.append(f"burst{tags},place={place} {fields} {burst.start_ns}")
        overview = [
            f"figure{tags},channel={tag(one.channel)} minimum={one.minimum!r},mean={one.mean!r},"
            f"maximum={one.maximum!r},total={one.mean * one.count!r},count={one.count}i {ready.from_ns}"
            for one in ready.figures
        ]
        return Lines("\n".join(raw).encode(), "\n".join(overview).encode())

    def _samples(self, block: Block, prefix: str) -> list[str]:
        if not block.channels or not block.size:
            return []
        times = (block.wall_ns + block.offsets_us.astype(np.int64) * 1000).tolist()
        columns = [self._column(channel) for channel in block.channels]
        if any("" in column for column in columns):
            rows = [",".join(filter(None, row)) for row in zip(*columns, strict=True)]
            return [f"{prefix}{row} {at}" for row, at in zip(rows, times, strict=True) if row]
        joined = map(",".join, zip(*columns, strict=True))
        return [f"{prefix}{row} {at}" for row, at in zip(joined, times, strict=True)]

    def _column(self, channel: Channel) -> list[str]:
        """`name=value` of every reading; empty where it failed or is no number."""
        name = field_name(channel.name)
        if channel.counts is not None:
            key = (name, channel.scale, channel.offset)
            texts = self._texts.get(key)
            if texts is None:
                texts = self._texts[key] = _Texts(name, channel.scale, channel.offset)
            column = list(map(texts.__getitem__, channel.counts.tolist()))
            for mark in channel.marks:
                column[mark.first : mark.first + mark.count] = [""] * len(
                    column[mark.first : mark.first + mark.count]
                )
            return column
        return [f"{name}={value!r}" if math.isfinite(value) else "" for value in channel.as_values().tolist()]


class _Texts(dict[int, str]):
    """Converter count -> `name=value`, made when first asked for; at most 65,536 of them."""

    def __init__(self, name: str, scale: float, offset: float) -> None:
        super().__init__()
        self._name, self._scale, self._offset = name, scale, offset

    def __missing__(self, count: int) -> str:
        value = self._offset + self._scale * count
        text = self[count] = f"{self._name}={value!r}" if math.isfinite(value) else ""
        return text


def ready(block: Block) -> ReadyBlock:
    """Pack and check a block. Raises `ValueError` for one that breaks the contract or that InfluxDB cannot hold."""
    packed = pack(block)
    from_ns = to_ns = block.wall_ns
    if block.size:
        from_ns = min(block.wall_ns + 1000 * int(block.offsets_us[0]), _LARGEST)
        to_ns = min(block.wall_ns + 1000 * int(block.offsets_us[-1]), _LARGEST)
    if from_ns < _INT64.min + 2 or block.wall_ns + 1000 * int(block.offsets_us.max(initial=0)) > _LARGEST - 1:
        raise ValueError(f"{block.valve}: {block.wall_ns} ns is no time that InfluxDB knows")
    clock = {None: -1, False: 0, True: 1}[block.clock_synchronised]
    fields = [
        f"seq={block.seq}i,size={block.size}i,wall_ns={block.wall_ns}i,to_ns={to_ns}i",
        f"monotonic_ns={block.monotonic_ns}i,clock={clock}i",
        *texts("boot", block.boot_id),
        *texts("layout", packed.layout),
        *texts("payload", base64.b64encode(packed.payload).decode("ascii")),
    ]
    if packed.marks is not None:
        fields += texts("marks", packed.marks)
    if block.bursts:
        starts = [burst.start_ns for burst in block.bursts]
        fields.append(f"bursts={len(starts)}i,bursts_from_ns={min(starts)}i,bursts_to_ns={max(starts)}i")
    return ReadyBlock(
        block,
        from_ns,
        to_ns,
        ",".join(fields),
        tuple(_burst_fields(block.seq, burst) for burst in block.bursts),
        tuple(figures(block)),
    )


def tag(text: str) -> str:
    """A tag's value. Raises `ValueError` for an empty one or one of more than one line, which a tag cannot be."""
    if not text or "\n" in text or text.endswith("\\"):
        raise ValueError(f"{text!r} cannot be a tag in InfluxDB")
    return text.replace(",", r"\,").replace("=", r"\=").replace(" ", r"\ ")


def field_name(channel: str) -> str:
    """The field of a channel; those that would be taken for a time or a tag get a line under them."""
    return tag(f"{channel}_" if channel in _NOT_FIELDS else channel)


def texts(name: str, text: str) -> list[str]:
    """A text as one or more fields."""
    chunks = [text[at : at + TEXT_LIMIT] for at in range(0, max(len(text), 1), TEXT_LIMIT)]
    return [
        f'{name}{f"_{k}" if k else ""}="' + chunk.replace("\\", "\\\\").replace('"', '\\"') + '"'
        for k, chunk in enumerate(chunks)
    ]


def _burst_fields(seq: int, burst: Burst) -> str:
    # The instrument's count may use all 64 bits; InfluxDB's integers are signed.
    sequence = burst.sequence - 2**64 if burst.sequence >= 2**63 else burst.sequence
    return ",".join(
        [
            f"seq={seq}i,rate_hz={burst.rate_hz!r},sequence={sequence}i",
            *texts("channel", burst.channel),
            *texts("unit", burst.unit),
            *texts("payload", base64.b64encode(pack_burst(burst.values)).decode("ascii")),
        ]
    )


def all_lines(parts: Sequence[bytes]) -> bytes:
    """Several blocks' lines as the body of one request."""
    return b"\n".join(part for part in parts if part)
