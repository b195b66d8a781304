"""Points of InfluxDB back to blocks and bursts."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from asleft.store.joining import StoredRow
from asleft.store.packing import ChannelLayout, layout_from, unpack, unpack_burst
from asleft.store.protocols import BlockRef
from asleft.wire.block import Block, Burst

Record = Mapping[str, Any]


class Layouts:
    """Layouts numbered, so that blocks alike are seen as such."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}
        self._layouts: list[tuple[ChannelLayout, ...]] = []

    def number(self, body: str) -> int:
        """The number of a layout's text."""
        if body not in self._numbers:
            self._numbers[body] = len(self._layouts)
            self._layouts.append(_layout(body))
        return self._numbers[body]

    def layout(self, number: int) -> tuple[ChannelLayout, ...]:
        """The layout of that number."""
        return self._layouts[number]


def stored_row(record: Record, layouts: Layouts) -> StoredRow:
    """What of a `block` point makes its readings."""
    return StoredRow(
        record["wall_ns"],
        layouts.number(text_of(record, "layout") or "[]"),
        record["size"],
        text_of(record, "marks"),
        base64.b64decode(text_of(record, "payload") or ""),
    )


def ref_of(valve: str, record: Record) -> BlockRef:
    """Where the block of a `block` point stands."""
    return BlockRef(valve, record["stream"], record["seq"], record["time"], record["to_ns"])


def block_of(valve: str, record: Record, bursts: Sequence[Burst]) -> Block:
    """The block of a `block` point."""
    layout = _layout(text_of(record, "layout") or "[]")
    payload = base64.b64decode(text_of(record, "payload") or "")
    offsets, channels = unpack(layout, record["size"], text_of(record, "marks"), payload)
    return Block(
        agent=record["agent"],
        valve=valve,
        stream=record["stream"],
        seq=record["seq"],
        boot_id=text_of(record, "boot") or "",
        wall_ns=record["wall_ns"],
        monotonic_ns=record["monotonic_ns"],
        clock_synchronised={-1: None, 0: False, 1: True}[record["clock"]],
        offsets_us=offsets,
        channels=channels,
        bursts=tuple(bursts),
    )


def burst_of(record: Record) -> Burst:
    """The burst of a `burst` point."""
    return Burst(
        text_of(record, "channel") or "",
        text_of(record, "unit") or "",
        record["time"],
        float(record["rate_hz"]),
        unpack_burst(base64.b64decode(text_of(record, "payload") or "")),
        record["sequence"] % 2**64,
    )


def text_of(record: Record, name: str) -> str | None:
    """A text that may go on in further fields; None where there is none."""
    first = record.get(name)
    if first is None:
        return None
    text, k = str(first), 1
    while (more := record.get(f"{name}_{k}")) is not None:
        text, k = text + str(more), k + 1
    return text


@lru_cache(maxsize=256)
def _layout(body: str) -> tuple[ChannelLayout, ...]:
    return layout_from(body)
