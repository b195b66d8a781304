from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from asleft.wire import block_pb2 as pb
from asleft.wire.block import Ack, AgentState, Block, Burst, Channel, Gap, Mark, Reason
from asleft.wire.codec import (
    WireError,
    decode_ack,
    decode_state,
    decode_upload,
    encode_ack,
    encode_block,
    encode_gap,
    encode_state,
)
from asleft.wire.limits import MAX_MESSAGE_BYTES, MAX_SAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

GOLDEN = Path(__file__).parent / "golden"

IDS = st.from_regex(r"[a-z0-9]([a-z0-9.-]{0,30}[a-z0-9])?", fullmatch=True)
NAMES = st.from_regex(r"[a-z0-9_.-]{1,20}", fullmatch=True)
STREAMS = st.uuids().map(str)
UNITS = st.text(max_size=8)
INT64 = st.integers(-(2**63), 2**63 - 1)


def sample_block() -> Block:
    """A block with everything in it: irregular times, counts, values, marks, a burst."""
    return Block(
        agent="hall-2",
        valve="press-4.platen",
        stream="6f1c2f7e-5a44-4a3e-9f5e-0d9a1b2c3d4e",
        seq=1234567,
        boot_id="0b0e4e1c-0000-4000-8000-000000000001",
        wall_ns=1_772_439_000_123_456_789,
        monotonic_ns=987_654_321_000,
        clock_synchronised=True,
        offsets_us=np.array([0, 10_004, 20_001, 30_002], dtype=np.int32),
        channels=(
            Channel("command", "mA", counts=np.array([0, 100, -5, 32767], np.int16), scale=0.0005, offset=12.0),
            Channel(
                "pressure",
                "bar",
                values=np.array([12.5, math.nan, math.nan, 210.25]),
                marks=(Mark(1, 1, Reason.NO_ANSWER), Mark(2, 1, Reason.TORN)),
            ),
        ),
        bursts=(Burst("current", "A", 1_772_439_000_000_000_000, 5000.0, np.array([0.5, 0.625, -1.0]), 42),),
    )


GAP = Gap("hall-2", "6f1c2f7e-5a44-4a3e-9f5e-0d9a1b2c3d4e", 10, 19, "spool full")
ACK = Ack("hall-2", "6f1c2f7e-5a44-4a3e-9f5e-0d9a1b2c3d4e", 1234566, fresh=True)
STATE = AgentState(
    "hall-2", True, ACK.stream, 1234567, 1234566, 1_772_439_001_000_000_000, "0.1.0", {"spool": "12 MB"}
)


def same_blocks(a: Block, b: Block) -> None:
    for field in ("agent", "valve", "stream", "seq", "boot_id", "wall_ns", "monotonic_ns", "clock_synchronised"):
        assert getattr(a, field) == getattr(b, field)
    np.testing.assert_array_equal(a.offsets_us, b.offsets_us)
    assert len(a.channels) == len(b.channels)
    for one, two in zip(a.channels, b.channels, strict=True):
        assert (one.name, one.unit, one.scale, one.offset, one.marks) == (
            two.name,
            two.unit,
            two.scale,
            two.offset,
            two.marks,
        )
        assert (one.counts is None) == (two.counts is None)
        np.testing.assert_array_equal(one.as_values(), two.as_values())
    assert len(a.bursts) == len(b.bursts)
    for first, second in zip(a.bursts, b.bursts, strict=True):
        for field in ("channel", "unit", "start_ns", "rate_hz", "sequence"):
            assert getattr(first, field) == getattr(second, field)
        np.testing.assert_array_equal(first.values, second.values)


@st.composite
def blocks(draw: st.DrawFn) -> Block:
    size = draw(st.integers(1, 40))
    if draw(st.booleans()):
        offsets = np.arange(size, dtype=np.int32) * draw(st.integers(1, 1_000_000))
    else:
        offsets = np.sort(draw(npst.arrays(np.int32, size, elements=st.integers(0, 2**31 - 1))))
    names = draw(st.lists(NAMES, max_size=4, unique=True))
    channels = []
    for name in names:
        first = draw(st.integers(0, size - 1))
        marks = draw(st.sampled_from([(), (Mark(first, size - first, draw(st.sampled_from(Reason))),)]))
        if draw(st.booleans()):
            counts = draw(npst.arrays(np.int16, size))
            scale = draw(st.floats(1e-6, 1e6))
            channels.append(Channel(name, draw(UNITS), None, counts, scale, draw(st.floats(-1e6, 1e6)), marks))
        else:
            values = draw(npst.arrays(np.float32, size, elements=st.floats(width=32, allow_infinity=False)))
            channels.append(Channel(name, draw(UNITS), values.astype(np.float64), marks=marks))
    bursts = tuple(
        Burst(
            name,
            draw(UNITS),
            draw(INT64),
            draw(st.floats(1e-3, 1e6)),
            draw(
                npst.arrays(np.float32, st.integers(1, 30), elements=st.floats(-1e6, 1e6, width=32)),
            ).astype(np.float64),
            draw(st.integers(0, 2**64 - 1)),
        )
        for name in names[:2]
    )
    return Block(
        agent=draw(IDS),
        valve=draw(IDS),
        stream=draw(STREAMS),
        seq=draw(st.integers(1, 2**63 - 1)),
        boot_id=draw(STREAMS),
        wall_ns=draw(INT64),
        monotonic_ns=draw(INT64),
        clock_synchronised=draw(st.sampled_from([None, True, False])),
        offsets_us=offsets,
        channels=tuple(channels),
        bursts=bursts,
    )


@given(blocks())
def test_any_block_comes_back_as_it_was(block: Block) -> None:
    again = decode_upload(encode_block(block))
    assert isinstance(again, Block)
    same_blocks(block, again)


@given(IDS, STREAMS, st.integers(1, 2**62), st.integers(0, 2**61), st.text(max_size=50))
def test_any_gap_comes_back_as_it_was(agent: str, stream: str, first: int, more: int, why: str) -> None:
    gap = Gap(agent, stream, first, first + more, why)
    assert decode_upload(encode_gap(gap)) == gap


@given(IDS, STREAMS, st.integers(0, 2**63 - 1), st.booleans())
def test_any_ack_comes_back_as_it_was(agent: str, stream: str, mark: int, fresh: bool) -> None:
    ack = Ack(agent, stream, mark, fresh)
    assert decode_ack(encode_ack(ack)) == ack


@given(IDS, STREAMS, st.integers(0, 2**63 - 1), INT64, st.dictionaries(st.text(max_size=9), st.text(max_size=9)))
def test_any_state_comes_back_as_it_was(agent: str, stream: str, n: int, at: int, details: dict[str, str]) -> None:
    state = AgentState(agent, True, stream, n, n // 2, at, "1.2", details)
    assert decode_state(encode_state(state)) == state


@settings(max_examples=300)
@given(st.binary(max_size=400))
def test_garbage_raises_only_wire_error(data: bytes) -> None:
    for decode in (decode_upload, decode_ack, decode_state):
        with contextlib.suppress(WireError):
            decode(data)


@settings(max_examples=400)
@given(st.data())
def test_a_damaged_block_is_a_block_or_a_wire_error(data: st.DataObject) -> None:
    good = bytearray(encode_block(sample_block()))
    for _ in range(data.draw(st.integers(1, 4))):
        good[data.draw(st.integers(0, len(good) - 1))] = data.draw(st.integers(0, 255))
    good = good[: data.draw(st.integers(0, len(good)))]
    try:
        block = decode_upload(bytes(good))
    except WireError:
        return
    if isinstance(block, Block):
        encode_block(block)  # what was accepted keeps every rule


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("block", encode_block(sample_block())),
        ("gap", encode_gap(GAP)),
        ("ack", encode_ack(ACK)),
        ("state", encode_state(STATE)),
    ],
)
def test_bytes_are_the_published_ones(name: str, data: bytes) -> None:
    expected = bytes.fromhex((GOLDEN / f"{name}.hex").read_text())
    assert data == expected


def test_published_bytes_decode() -> None:
    block = decode_upload(bytes.fromhex((GOLDEN / "block.hex").read_text()))
    assert isinstance(block, Block)
    same_blocks(sample_block(), block)
    assert decode_upload(bytes.fromhex((GOLDEN / "gap.hex").read_text())) == GAP
    assert decode_ack(bytes.fromhex((GOLDEN / "ack.hex").read_text())) == ACK
    assert decode_state(bytes.fromhex((GOLDEN / "state.hex").read_text())) == STATE


def test_a_newer_writers_unknown_fields_are_ignored() -> None:
    # Field 1000, length-delimited, appended at the end of an Upload and inside its Block.
    unknown = b"\xc2\x3e\x03new"
    block = decode_upload(encode_block(sample_block()) + unknown)
    assert isinstance(block, Block)
    same_blocks(sample_block(), block)
    message = pb.Upload.FromString(encode_block(sample_block()))
    message.block.MergeFromString(unknown)
    inner = decode_upload(message.SerializeToString())
    assert isinstance(inner, Block)
    same_blocks(sample_block(), inner)
    assert decode_ack(encode_ack(ACK) + unknown) == ACK


def test_a_newer_writers_reason_is_kept_as_unknown() -> None:
    message = pb.Upload.FromString(encode_block(sample_block()))
    message.block.channels[1].marks[0].reason = 77
    block = decode_upload(message.SerializeToString())
    assert isinstance(block, Block)
    assert block.channels[1].marks[0].reason is Reason.UNKNOWN
    assert math.isnan(block.channels[1].as_values()[1])


def test_infinities_travel_as_failed_readings() -> None:
    block = replace(
        sample_block(), channels=(Channel("current", "A", np.array([1.0, math.inf, -math.inf, 1e300])),), bursts=()
    )
    again = decode_upload(encode_block(block))
    assert isinstance(again, Block)
    np.testing.assert_array_equal(again.channels[0].as_values(), [1.0, math.nan, math.nan, math.nan])


def test_even_times_travel_in_the_short_form() -> None:
    even = np.arange(100, dtype=np.int32) * 10_000
    channel = Channel("current", "A", counts=np.zeros(100, np.int16), scale=0.001)
    block = replace(sample_block(), offsets_us=even, channels=(channel,), bursts=())
    assert len(encode_block(block)) < 450
    again = decode_upload(encode_block(block))
    assert isinstance(again, Block)
    np.testing.assert_array_equal(again.offsets_us, even)
    assert again.offsets_us.dtype == np.int32


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"valve": "Press 4"}, "valve 'Press 4'"),
        ({"agent": ""}, "agent ''"),
        ({"stream": ""}, "stream ''"),
        ({"seq": 0}, "seq is 0"),
        ({"offsets_us": np.array([0, 5, 4, 9], np.int32)}, "backwards"),
        ({"offsets_us": np.array([], np.int32)}, "number of times is 0"),
        ({"offsets_us": np.array([0, 1], np.int32)}, "for 2 times"),
        ({"channels": (Channel("a", "A", np.zeros(4)), Channel("a", "A", np.zeros(4)))}, "same name"),
        ({"channels": (Channel("a", "A", counts=np.zeros(4, np.int16), scale=math.inf),)}, "scale"),
        ({"channels": (Channel("a", "A", counts=np.zeros(4, np.int16), scale=0.0),)}, "scale"),
        ({"channels": (Channel("a", "A", counts=np.zeros(4, np.int16), offset=math.nan),)}, "offset"),
        ({"channels": (Channel("a", "A", np.zeros(4), marks=(Mark(3, 2, Reason.TORN),)),)}, "mark"),
        ({"channels": (Channel("Bad Name", "A", np.zeros(4)),)}, "channel name"),
        ({"channels": tuple(Channel(f"c{i}", "A", np.zeros(4)) for i in range(65))}, "number of channels is 65"),
        ({"bursts": (Burst("a", "A", 0, 0.0, np.zeros(3)),)}, "rate"),
        ({"bursts": (Burst("a", "A", 0, 100.0, np.zeros(0)),)}, "readings"),
        ({"bursts": tuple(Burst("a", "A", 0, 100.0, np.zeros(3)) for _ in range(17))}, "number of bursts is 17"),
    ],
)
def test_a_block_that_breaks_the_contract_is_refused(change: dict[str, object], complaint: str) -> None:
    with pytest.raises(WireError, match=complaint):
        encode_block(replace(sample_block(), **change))  # type: ignore[arg-type]


def test_sizes_are_limited_before_anything_is_allocated() -> None:
    with pytest.raises(WireError, match="size of the message"):
        decode_upload(bytes(MAX_MESSAGE_BYTES + 1))
    message = pb.Upload.FromString(encode_block(sample_block()))
    message.block.regular.period_us = 1
    message.block.regular.count = 4_000_000_000
    with pytest.raises(WireError, match="regular times is 4000000000"):
        decode_upload(message.SerializeToString())
    message.block.regular.period_us = 4_000_000_000
    message.block.regular.count = 3
    with pytest.raises(WireError, match="last longer"):
        decode_upload(message.SerializeToString())
    message.block.offsets_us = bytes(4 * (MAX_SAMPLES + 1))
    with pytest.raises(WireError, match="number of readings"):
        decode_upload(message.SerializeToString())
    message.block.offsets_us = b"abc"
    with pytest.raises(WireError, match="no multiple of 4"):
        decode_upload(message.SerializeToString())


@pytest.mark.parametrize("field", ["times", "readings", "content"])
def test_what_a_reader_cannot_understand_is_said(field: str) -> None:
    message = pb.Upload.FromString(encode_block(sample_block()))
    if field == "times":
        message.block.ClearField("offsets_us")
    elif field == "readings":
        message.block.channels[0].ClearField("counts")
    else:
        message.ClearField("block")
    with pytest.raises(WireError, match="this version knows"):
        decode_upload(message.SerializeToString())


def test_a_gap_that_runs_backwards_is_refused() -> None:
    with pytest.raises(WireError, match="last of a gap"):
        encode_gap(replace(GAP, first=5, last=4))
    with pytest.raises(WireError, match="UTF-8"):
        encode_gap(replace(GAP, why="\ud800"))


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda b: setattr(b, "valve", "Press 4"), "valve 'Press 4'"),
        (lambda b: setattr(b, "seq", 0), "seq is 0"),
        (lambda b: setattr(b, "seq", 2**63), "seq is"),
        (lambda b: setattr(b.channels[0], "name", "pressure"), "same name"),
        (lambda b: setattr(b.channels[0].counts, "int16", b"\0\0"), "for 4 times"),
        (lambda b: setattr(b.channels[0].counts, "scale", math.inf), "scale"),
        (lambda b: setattr(b.channels[0].counts, "offset", 1e308 * 10), "offset"),
        (lambda b: setattr(b.channels[1].marks[0], "first", 4), "mark"),
        (lambda b: setattr(b.channels[1].marks[0], "count", 0), "mark"),
        (lambda b: setattr(b.bursts[0], "rate_hz", math.nan), "rate"),
        (lambda b: setattr(b, "offsets_us", np.array([0, 9, 8, 9], "<i4").tobytes()), "backwards"),
        (lambda b: setattr(b, "offsets_us", np.array([-1, 0, 8, 9], "<i4").tobytes()), "start at 0"),
        (lambda b: b.channels.extend([b.channels[0]] * 70), "number of channels"),
        (lambda b: b.channels[1].marks.extend([b.channels[1].marks[0]] * 10_001), "number of marks"),
    ],
)
def test_a_reader_refuses_what_breaks_the_contract(spoil: object, complaint: str) -> None:
    message = pb.Upload.FromString(encode_block(sample_block()))
    spoil(message.block)  # type: ignore[operator]
    with pytest.raises(WireError, match=complaint):
        decode_upload(message.SerializeToString())


def test_infinities_from_another_writer_are_read_as_failed() -> None:
    message = pb.Upload.FromString(encode_block(sample_block()))
    message.block.channels[1].float32 = np.array([1, math.inf, -math.inf, 2], "<f4").tobytes()
    block = decode_upload(message.SerializeToString())
    assert isinstance(block, Block)
    assert np.isfinite(block.channels[1].as_values()).tolist() == [True, False, False, True]
    assert block.channels[1].values is not None
    assert not np.isinf(block.channels[1].values).any()
