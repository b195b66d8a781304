"""Messages to bytes and back, as `block.proto` defines them.

Whatever the bytes are, decoding either gives a value that keeps every rule of the contract or raises `WireError`.
"""

from __future__ import annotations

from typing import TypeVar

from asleft.wire import block_pb2 as pb
from asleft.wire.block import Ack, AgentState, Block, Gap, Sent
from asleft.wire.block_codec import block_from_message, block_to_message
from asleft.wire.limits import (
    MAX_DETAIL_TEXT,
    MAX_DETAILS,
    MAX_MESSAGE_BYTES,
    MAX_SEQ,
    MAX_TEXT,
    WireError,
    check_boot_id,
    check_count,
    check_id,
    check_int64,
    check_stream,
    check_text,
)
from asleft.wire.parts import Shape, check_parts, shape_of
from google.protobuf.message import DecodeError, EncodeError, Message

__all__ = [
    "WireError",
    "decode_ack",
    "decode_sent",
    "decode_state",
    "decode_upload",
    "encode_ack",
    "encode_block",
    "encode_gap",
    "encode_state",
    "with_sent",
]

M = TypeVar("M", bound=Message)
_SHAPES: dict[type[Message], Shape] = {kind: shape_of(kind) for kind in (pb.Upload, pb.Ack, pb.AgentState)}


def encode_block(block: Block) -> bytes:
    """Bytes of a block for `asleft/1/block/<agent>`. Raises `WireError` if it breaks the contract."""
    message = pb.Upload()
    block_to_message(block, message.block)
    return _serialise(message)


def encode_gap(gap: Gap) -> bytes:
    """Bytes of a declared gap for `asleft/1/block/<agent>`. Raises `WireError` if it breaks the contract."""
    _check_gap(gap)
    content = pb.Gap(agent=gap.agent, stream=gap.stream, first=gap.first, last=gap.last, why=gap.why)
    return _serialise(pb.Upload(gap=content))


def decode_upload(data: bytes) -> Block | Gap:
    """What an agent sent: a block or a declared gap. Raises `WireError` for anything else."""
    message = _parse("an upload", data, pb.Upload())
    content = message.WhichOneof("content")
    if content == "block":
        return block_from_message(message.block)
    if content == "gap":
        raw = message.gap
        gap = Gap(agent=raw.agent, stream=raw.stream, first=raw.first, last=raw.last, why=raw.why)
        _check_gap(gap)
        return gap
    raise WireError("the upload holds neither a block nor a gap that this version knows")


def encode_ack(ack: Ack) -> bytes:
    """Bytes of an acknowledgement for `asleft/1/ack/<agent>`. Raises `WireError` if it breaks the contract."""
    _check_ack(ack)
    return _serialise(pb.Ack(agent=ack.agent, stream=ack.stream, mark=ack.mark, fresh=ack.fresh, at_ns=ack.at_ns))


def with_sent(upload: bytes, sent: Sent) -> bytes:
    """An upload's bytes with the clocks at sending; unchanged where they would make it too long.

    Messages of this kind may be joined end to end, so what lies in the spool need not be taken apart.
    """
    clocks = pb.Sent(
        wall_ns=sent.wall_ns,
        monotonic_ns=sent.monotonic_ns,
        boot_id=sent.boot_id,
        echo_ns=sent.echo_ns,
        held_ns=sent.held_ns,
    )
    joined = upload + pb.Upload(sent=clocks).SerializeToString()
    return joined if len(joined) <= MAX_MESSAGE_BYTES else upload


def decode_sent(data: bytes) -> Sent | None:
    """The clocks at sending that an upload carries; None if it carries none. Raises `WireError`."""
    message = _parse("an upload", data, pb.Upload())
    if not message.HasField("sent"):
        return None
    raw = message.sent
    check_boot_id(raw.boot_id)
    return Sent(raw.wall_ns, raw.monotonic_ns, raw.boot_id, raw.echo_ns, raw.held_ns)


def decode_ack(data: bytes) -> Ack:
    """What the recorder acknowledged. Raises `WireError`."""
    raw = _parse("an acknowledgement", data, pb.Ack())
    ack = Ack(agent=raw.agent, stream=raw.stream, mark=raw.mark, fresh=raw.fresh, at_ns=raw.at_ns)
    _check_ack(ack)
    return ack


def encode_state(state: AgentState) -> bytes:
    """Bytes of an agent's state for `asleft/1/state/<agent>`. Raises `WireError` if it breaks the contract."""
    _check_state(state)
    message = pb.AgentState(
        agent=state.agent,
        online=state.online,
        stream=state.stream,
        highest_seq=state.highest_seq,
        acknowledged=state.acknowledged,
        at_ns=state.at_ns,
        version=state.version,
    )
    message.details.update(state.details)
    return _serialise(message)


def decode_state(data: bytes) -> AgentState:
    """What an agent said about itself. Raises `WireError`."""
    raw = _parse("an agent's state", data, pb.AgentState())
    check_count("number of details", len(raw.details), MAX_DETAILS)
    state = AgentState(
        agent=raw.agent,
        online=raw.online,
        stream=raw.stream,
        highest_seq=raw.highest_seq,
        acknowledged=raw.acknowledged,
        at_ns=raw.at_ns,
        version=raw.version,
        details=dict(raw.details),
    )
    _check_state(state)
    return state


def _check_gap(gap: Gap) -> None:
    check_id("agent", gap.agent)
    check_stream(gap.stream)
    check_count("first of a gap", gap.first, MAX_SEQ, least=1)
    check_count("last of a gap", gap.last, MAX_SEQ, least=gap.first)
    check_text("why of a gap", gap.why, MAX_TEXT)


def _check_ack(ack: Ack) -> None:
    check_id("agent", ack.agent)
    check_stream(ack.stream)
    check_count("mark", ack.mark, MAX_SEQ)
    check_int64("at_ns", ack.at_ns)


def _check_state(state: AgentState) -> None:
    check_id("agent", state.agent)
    if state.stream:  # empty before the agent has opened its spool
        check_stream(state.stream)
    check_count("highest_seq", state.highest_seq, MAX_SEQ)
    check_count("acknowledged", state.acknowledged, MAX_SEQ)
    check_int64("at_ns", state.at_ns)
    check_text("version", state.version, MAX_TEXT)
    check_count("number of details", len(state.details), MAX_DETAILS)
    for key, value in state.details.items():
        check_text("name of a detail", key, MAX_DETAIL_TEXT)
        check_text(f"detail {key!r}", value, MAX_DETAIL_TEXT)


def _serialise(message: Message) -> bytes:
    try:
        data = message.SerializeToString()
    except EncodeError as error:
        raise WireError(f"the message cannot be written: {error}") from error
    check_count("size of the message in bytes", len(data), MAX_MESSAGE_BYTES)
    return data


def _parse(what: str, data: bytes, message: M) -> M:
    check_count("size of the message in bytes", len(data), MAX_MESSAGE_BYTES)
    check_parts(what, data, _SHAPES[type(message)])
    try:
        message.ParseFromString(data)
    except DecodeError as error:
        raise WireError(f"{len(data)} bytes are not {what}: {error}") from error
    return message
