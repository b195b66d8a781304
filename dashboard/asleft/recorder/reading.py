"""From the bytes of a message to what is to be stored, or to the reason why not. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.wire import block_pb2 as pb
from asleft.wire.block import AgentState, Block, Gap
from asleft.wire.codec import WireError, decode_state, decode_upload
from asleft.wire.limits import MAX_MESSAGE_BYTES, MAX_SEQ, check_count, check_id, check_stream
from asleft.wire.parts import check_parts, shape_of
from asleft.wire.topics import parse_topic
from google.protobuf.message import DecodeError


@dataclass(frozen=True, slots=True)
class Unusable:
    """A message to be put aside. `instead` declares its number lost, where the number could be read.

    Without that declaration the agent would send the same message for ever and its stream would stand still.
    """

    why: str
    instead: Gap | None = None


def read_message(topic: str, payload: bytes) -> Block | Gap | AgentState | Unusable:
    """What a message on one of our topics says. Never raises: what cannot be used comes out as `Unusable`."""
    parsed = parse_topic(topic)
    if parsed is None or parsed.kind == "ack":
        return Unusable(f"topic {topic!r} is none that agents publish on")
    try:
        said = decode_state(payload) if parsed.kind == "state" else decode_upload(payload)
    except WireError as error:
        return Unusable(str(error), _instead(parsed.agent, payload, str(error)) if parsed.kind == "block" else None)
    if said.agent != parsed.agent:
        return Unusable(f"the message names agent {said.agent!r} but came on the topic of {parsed.agent!r}")
    return said


def gap_for(block: Block, why: str) -> Gap:
    """The declaration that a block which was received could not be stored."""
    return Gap(block.agent, block.stream, block.seq, block.seq, f"put aside: {why}"[:200])


def _instead(agent: str, payload: bytes, why: str) -> Gap | None:
    """The number of a block whose contents break the contract, if at least its identity can be read."""
    message = pb.Upload()
    try:
        check_count("size of the message in bytes", len(payload), MAX_MESSAGE_BYTES)
        check_parts("an upload", payload, shape_of(pb.Upload))  # refused for its parts: not taken apart here either
        message.ParseFromString(payload)
        block = message.block
        if message.WhichOneof("content") != "block" or block.agent != agent:
            return None
        check_id("agent", block.agent)
        check_stream(block.stream)
        check_count("seq", block.seq, MAX_SEQ, least=1)
    except (DecodeError, WireError):
        return None
    return Gap(agent, block.stream, block.seq, block.seq, f"put aside: {why}"[:200])
