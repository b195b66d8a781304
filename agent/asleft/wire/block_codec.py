"""A block to its message and back, with every rule checked on both ways."""

from __future__ import annotations

import numpy as np
from asleft.wire import block_pb2 as pb
from asleft.wire.arrays import (
    float32_from_bytes,
    float32_to_bytes,
    int16_from_bytes,
    int16_to_bytes,
    int32_from_bytes,
    int32_to_bytes,
    regular_offsets,
    regular_period_us,
)
from asleft.wire.block import Block, Burst, Channel, Int32Array, Mark, Reason
from asleft.wire.limits import (
    MAX_BURSTS,
    MAX_CHANNELS,
    MAX_MARKS,
    MAX_SAMPLES,
    MAX_SEQ,
    MAX_UNIT,
    WireError,
    check_boot_id,
    check_channel_name,
    check_count,
    check_finite,
    check_id,
    check_int64,
    check_stream,
    check_text,
)

_REASON_TO_WIRE = {
    Reason.NO_ANSWER: pb.REASON_NO_ANSWER,
    Reason.REFUSED: pb.REASON_REFUSED,
    Reason.NOT_CONNECTED: pb.REASON_NOT_CONNECTED,
    Reason.NOT_FINITE: pb.REASON_NOT_FINITE,
    Reason.OUT_OF_RANGE: pb.REASON_OUT_OF_RANGE,
    Reason.MISSED_TICK: pb.REASON_MISSED_TICK,
    Reason.TORN: pb.REASON_TORN,
    Reason.UNKNOWN: pb.REASON_UNKNOWN,
}
_REASON_FROM_WIRE = {number: reason for reason, number in _REASON_TO_WIRE.items()}
_CLOCK_TO_WIRE = {
    None: pb.CLOCK_STATE_UNKNOWN,
    True: pb.CLOCK_STATE_SYNCHRONISED,
    False: pb.CLOCK_STATE_NOT_SYNCHRONISED,
}
_CLOCK_FROM_WIRE = {number: state for state, number in _CLOCK_TO_WIRE.items()}


def block_to_message(block: Block, message: pb.Block) -> None:
    """Fill `message` from `block`. Raises `WireError` if the block breaks the contract."""
    check_block(block)
    message.agent = block.agent
    message.valve = block.valve
    message.stream = block.stream
    message.seq = block.seq
    message.boot_id = block.boot_id
    message.wall_ns = block.wall_ns
    message.monotonic_ns = block.monotonic_ns
    message.clock = _CLOCK_TO_WIRE[block.clock_synchronised]
    period_us = regular_period_us(block.offsets_us)
    if period_us is None:
        message.offsets_us = int32_to_bytes(block.offsets_us)
    else:
        message.regular.period_us = period_us
        message.regular.count = block.size
    for channel in block.channels:
        _channel_to_message(channel, message.channels.add())
    for burst in block.bursts:
        message.bursts.add(
            channel=burst.channel,
            unit=burst.unit,
            start_ns=burst.start_ns,
            rate_hz=burst.rate_hz,
            sequence=burst.sequence,
            float32=float32_to_bytes(burst.values),
        )


def block_from_message(message: pb.Block) -> Block:
    """The block in `message`. Raises `WireError` if it breaks the contract."""
    check_count("number of channels", len(message.channels), MAX_CHANNELS)
    check_count("number of bursts", len(message.bursts), MAX_BURSTS)
    block = Block(
        agent=message.agent,
        valve=message.valve,
        stream=message.stream,
        seq=message.seq,
        boot_id=message.boot_id,
        wall_ns=message.wall_ns,
        monotonic_ns=message.monotonic_ns,
        clock_synchronised=_CLOCK_FROM_WIRE.get(message.clock),
        offsets_us=_times_from_message(message),
        channels=tuple(_channel_from_message(channel) for channel in message.channels),
        bursts=tuple(
            Burst(
                channel=burst.channel,
                unit=burst.unit,
                start_ns=burst.start_ns,
                rate_hz=burst.rate_hz,
                values=float32_from_bytes(f"burst of {burst.channel!r}", burst.float32),
                sequence=burst.sequence,
            )
            for burst in message.bursts
        ),
    )
    check_block(block)
    return block


def check_block(block: Block) -> None:
    """Refuse a block that breaks the contract, with a `WireError` that says where."""
    check_id("agent", block.agent)
    check_id("valve", block.valve)
    check_stream(block.stream)
    check_count("seq", block.seq, MAX_SEQ, least=1)
    check_boot_id(block.boot_id)
    check_int64("wall_ns", block.wall_ns)
    check_int64("monotonic_ns", block.monotonic_ns)
    check_count("number of times", block.size, MAX_SAMPLES, least=1)
    if block.offsets_us.ndim != 1 or block.offsets_us[0] < 0 or bool(np.any(np.diff(block.offsets_us) < 0)):
        raise WireError("offsets_us must be one row of times that start at 0 or later and never run backwards")
    check_count("number of channels", len(block.channels), MAX_CHANNELS)
    if len({channel.name for channel in block.channels}) != len(block.channels):
        raise WireError("two channels of the block have the same name")
    for channel in block.channels:
        _check_channel(channel, block.size)
    check_count("number of bursts", len(block.bursts), MAX_BURSTS)
    for burst in block.bursts:
        _check_burst(burst)


def _check_channel(channel: Channel, size: int) -> None:
    check_channel_name(channel.name)
    check_text(f"unit of channel {channel.name!r}", channel.unit, MAX_UNIT)
    readings = channel.counts if channel.counts is not None else channel.values
    if readings is None or (channel.counts is not None and channel.values is not None):
        raise WireError(f"channel {channel.name!r} must have either values or counts")
    if readings.shape != (size,):
        raise WireError(f"channel {channel.name!r} has readings of shape {readings.shape} for {size} times")
    if channel.counts is not None:
        check_finite(f"scale of channel {channel.name!r}", channel.scale)
        check_finite(f"offset of channel {channel.name!r}", channel.offset)
        if channel.scale == 0:
            raise WireError(f"scale of channel {channel.name!r} is 0")
        # Both ends of the converter must be numbers, or a reading could overflow to infinity.
        check_finite(f"range of channel {channel.name!r}", abs(channel.offset) + 32768 * abs(channel.scale))
    check_count(f"number of marks of channel {channel.name!r}", len(channel.marks), MAX_MARKS)
    for mark in channel.marks:
        if mark.first < 0 or mark.count < 1 or mark.first + mark.count > size:
            raise WireError(
                f"a mark of channel {channel.name!r} covers {mark.count} readings from {mark.first}, there are {size}"
            )


def _check_burst(burst: Burst) -> None:
    what = f"burst of {burst.channel!r}"
    check_channel_name(burst.channel)
    check_text(f"unit of {what}", burst.unit, MAX_UNIT)
    check_int64(f"start of {what}", burst.start_ns)
    check_finite(f"rate of {what}", burst.rate_hz)
    if burst.rate_hz <= 0:
        raise WireError(f"rate of {what} is {burst.rate_hz} Hz, it must be above 0")
    check_count(f"sequence of {what}", burst.sequence, 2**64 - 1)
    if burst.values.ndim != 1:
        raise WireError(f"{what} has values of shape {burst.values.shape}, one row is needed")
    check_count(f"number of readings in {what}", burst.values.size, MAX_SAMPLES, least=1)


def _channel_to_message(channel: Channel, message: pb.Channel) -> None:
    message.name = channel.name
    message.unit = channel.unit
    if channel.counts is not None:
        message.counts.int16 = int16_to_bytes(channel.counts)
        message.counts.scale = channel.scale
        message.counts.offset = channel.offset
    elif channel.values is not None:
        message.float32 = float32_to_bytes(channel.values)
    for mark in channel.marks:
        message.marks.add(first=mark.first, count=mark.count, reason=_REASON_TO_WIRE[mark.reason])


def _channel_from_message(message: pb.Channel) -> Channel:
    what = f"channel {message.name[:64]!r}"
    check_count(f"number of marks of {what}", len(message.marks), MAX_MARKS)
    marks = tuple(
        Mark(mark.first, mark.count, _REASON_FROM_WIRE.get(mark.reason, Reason.UNKNOWN)) for mark in message.marks
    )
    readings = message.WhichOneof("readings")
    if readings == "counts":
        raw = message.counts
        counts = int16_from_bytes(what, raw.int16)
        return Channel(message.name, message.unit, None, counts, raw.scale, raw.offset, marks)
    if readings == "float32":
        return Channel(message.name, message.unit, float32_from_bytes(what, message.float32), marks=marks)
    raise WireError(f"{what} has no readings in a form that this version knows")


def _times_from_message(message: pb.Block) -> Int32Array:
    times = message.WhichOneof("times")
    if times == "regular":
        return regular_offsets(message.regular.period_us, message.regular.count)
    if times == "offsets_us":
        return int32_from_bytes("offsets_us", message.offsets_us)
    raise WireError("the block has no times in a form that this version knows")
