"""Blocks for the simulation: the real codec's bytes, with the arrays, always the same, packed only once.

Checking and packing arrays would be nine tenths of a run, and delivery never looks at them.
"""

from __future__ import annotations

import numpy as np
from asleft.wire import block_pb2 as pb
from asleft.wire.block import Block, Burst, Channel, Gap
from asleft.wire.codec import decode_upload, encode_block

_OFFSETS = np.arange(60, dtype=np.int32)
_CHANNELS = (Channel("current", "A", values=np.zeros(60)),)
_BURSTS = (Burst("current", "A", 1, 5000.0, np.zeros(60), 1),)


def make_block(agent: str, wall_ns: int, content: int, *, burst: bool) -> Block:
    """A block without number; `content` tells it from all others."""
    return Block(agent, "v", "", 0, "b", wall_ns, content, None, _OFFSETS, _CHANNELS, _BURSTS if burst else ())


def _template(*, burst: bool) -> pb.Upload:
    message = pb.Upload()
    message.ParseFromString(encode_block(_numbered(make_block("edge-1", 1, 1, burst=burst))))
    return message


def _numbered(block: Block) -> Block:
    return Block(*(getattr(block, name) for name in ("agent", "valve")), "s", 1, "b", 1, 1, None, _OFFSETS, _CHANNELS,
                 block.bursts)  # fmt: skip


_PLAIN, _WITH_BURST = _template(burst=False), _template(burst=True)


def encode(block: Block) -> bytes:
    """As `encode_block`."""
    message = _WITH_BURST if block.bursts else _PLAIN
    inner = message.block
    inner.stream, inner.seq, inner.wall_ns, inner.monotonic_ns = (
        *(block.stream, block.seq, block.wall_ns, block.monotonic_ns),
    )
    return message.SerializeToString()


def decode(payload: bytes) -> Block | Gap:
    """As `decode_upload`."""
    message = pb.Upload()
    try:
        message.ParseFromString(payload)
    except Exception:  # noqa: BLE001 - the real one says what is wrong with it
        return decode_upload(payload)
    if message.WhichOneof("content") != "block":
        return decode_upload(payload)
    inner = message.block
    return Block(inner.agent, "v", inner.stream, inner.seq, "b", inner.wall_ns, inner.monotonic_ns, None, _OFFSETS,
                 _CHANNELS, _BURSTS if inner.bursts else ())  # fmt: skip
