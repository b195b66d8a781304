from __future__ import annotations

import math
import struct

import pytest
from asleft.instruments.modbus_registers import Point, Read, RegisterMap, plan_reads
from asleft.wire.block import Reason
from hypothesis import given
from hypothesis import strategies as st

KINDS = ["int16", "uint16", "int32", "uint32", "float32", "bit"]


def one(kind: str, words: list[int], **more: object) -> float:
    point = Point("x", "A", "input", 0, kind, **more)  # type: ignore[arg-type]
    reading = RegisterMap([point]).decode([words])
    assert not reading.failed
    return point.form().value(reading.numbers[0])


@given(st.integers(-32768, 32767), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3))
def test_int16(number: int, scale: float, offset: float) -> None:
    value = one("int16", [number & 0xFFFF], scale=scale, offset=offset)
    assert value == pytest.approx(offset + scale * number, abs=1e-6)


@given(st.integers(0, 65535), st.floats(0.001, 10), st.floats(-100, 100))
def test_uint16_travels_shifted_and_comes_out_the_same(number: int, scale: float, offset: float) -> None:
    point = Point("x", "A", "input", 0, "uint16", scale=scale, offset=offset)
    reading = RegisterMap([point]).decode([[number]])
    assert -32768 <= reading.numbers[0] <= 32767
    assert point.form().value(reading.numbers[0]) == pytest.approx(offset + scale * number, abs=1e-6)


@given(st.integers(-(2**31), 2**31 - 1), st.booleans())
def test_int32(number: int, high_first: bool) -> None:
    words = list(struct.unpack(">HH", struct.pack(">i", number)))
    assert one("int32", words if high_first else words[::-1], high_word_first=high_first) == number


@given(st.integers(0, 2**32 - 1), st.booleans())
def test_uint32(number: int, high_first: bool) -> None:
    words = [number >> 16, number & 0xFFFF]
    assert one("uint32", words if high_first else words[::-1], high_word_first=high_first) == number


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.booleans())
def test_float32(number: float, high_first: bool) -> None:
    words = list(struct.unpack(">HH", struct.pack(">f", number)))
    assert one("float32", words if high_first else words[::-1], high_word_first=high_first) == number


@pytest.mark.parametrize(("kind", "form"), [("int32", ">i"), ("uint32", ">I"), ("float32", ">f")])
@pytest.mark.parametrize(
    ("order", "high_word_first", "high_byte_first"),
    [
        ((0, 1, 2, 3), True, True),
        ((2, 3, 0, 1), False, True),
        ((1, 0, 3, 2), True, False),
        ((3, 2, 1, 0), False, False),
    ],
)
def test_all_four_orders_of_four_bytes(
    kind: str, form: str, order: tuple[int, ...], high_word_first: bool, high_byte_first: bool
) -> None:
    sent = struct.pack(form, 305419896)  # 0x12345678, which a float32 holds but for its last bits
    words = list(struct.unpack(">HH", bytes(sent[at] for at in order)))
    value = one(kind, words, high_word_first=high_word_first, high_byte_first=high_byte_first)
    assert value == struct.unpack(form, sent)[0]


@given(st.integers(-(2**63), 2**63 - 1), st.booleans(), st.booleans())
def test_64_bits_signed_unsigned_and_float_in_all_orders(number: int, words_up: bool, bytes_up: bool) -> None:
    for kind, form, value in (
        ("int64", ">q", number),
        ("uint64", ">Q", number + 2**63),
        ("float64", ">d", number / 7),
    ):
        words = list(struct.unpack(">4H" if bytes_up else "<4H", struct.pack(form, value)))
        words = words if words_up else words[::-1]
        assert one(kind, words, high_word_first=words_up, high_byte_first=bytes_up) == float(value)


@given(st.integers(0, 65535), st.integers(0, 15), st.integers(1, 15))
def test_a_field_of_bits(word: int, bit: int, bits: int) -> None:
    assert one("bit", [word], bit=bit, bits=bits) == int(f"{word:016b}"[::-1][bit : bit + bits][::-1], 2)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_float_that_is_no_number_fails_alone(number: float) -> None:
    words = list(struct.unpack(">HH", struct.pack(">f", number)))
    points = [Point("x", "A", "input", 0, "float32"), Point("y", "A", "input", 2)]
    reading = RegisterMap(points).decode([[*words, 7]])
    assert dict(reading.failed) == {0: Reason.NOT_FINITE}
    assert reading.numbers[1] == 7


@pytest.mark.parametrize("bit", range(16))
def test_bits(bit: int) -> None:
    assert one("bit", [1 << bit], bit=bit) == 1
    assert one("bit", [0xFFFF ^ 1 << bit], bit=bit) == 0


def test_neighbours_are_read_together_and_gaps_are_not_touched() -> None:
    points = [Point(str(a), "A", "input", a) for a in (5, 3, 4, 9)]
    assert plan_reads(points) == (Read("input", 3, 3), Read("input", 9, 1))
    assert plan_reads(points, bridge=3) == (Read("input", 3, 7),)
    assert plan_reads(points, bridge=2) == (Read("input", 3, 3), Read("input", 9, 1))


def test_tables_are_read_apart() -> None:
    points = [Point("a", "A", "input", 0), Point("b", "A", "holding", 1), Point("c", "1", "coil", 2)]
    assert set(plan_reads(points)) == {Read("input", 0, 1), Read("holding", 1, 1), Read("coil", 2, 1)}


@st.composite
def point_lists(draw: st.DrawFn) -> list[Point]:
    return [
        Point(
            str(i),
            "A",
            draw(st.sampled_from(["input", "holding", "coil"])),
            draw(st.integers(0, 400)),
            draw(st.sampled_from(KINDS)),
        )
        for i in range(draw(st.integers(1, 30)))
    ]


@given(point_lists(), st.integers(0, 20))
def test_any_plan_covers_every_point_within_the_limits(points: list[Point], bridge: int) -> None:
    reads = plan_reads(points, bridge)
    needed = {(p.table, p.address + i) for p in points for i in range(p.width)}
    for read in reads:
        assert 1 <= read.count <= (2000 if read.table == "coil" else 125)
        for word in (read.address, read.address + read.count - 1):
            assert (read.table, word) in needed
    for p in points:
        assert any(
            r.table == p.table and r.address <= p.address and p.address + p.width <= r.address + r.count
            for r in reads
        )
    if bridge == 0:
        assert {(r.table, r.address + i) for r in reads for i in range(r.count)} == needed


def test_a_failed_request_marks_only_its_own_channels() -> None:
    points = [Point("command", "mA", "input", 0), Point("current", "A", "holding", 0)]
    register_map = RegisterMap(points)
    replies: list[list[int] | Reason] = [[5] if r.table == "input" else Reason.NO_ANSWER for r in register_map.reads]
    reading = register_map.decode(replies)
    assert reading.numbers[0] == 5
    assert dict(reading.failed) == {1: Reason.NO_ANSWER}


def test_a_long_stretch_is_cut_without_splitting_a_number() -> None:
    points = [Point(str(a), "A", "input", a, "float32") for a in range(0, 300, 2)]
    assert plan_reads(points) == (Read("input", 0, 124), Read("input", 124, 124), Read("input", 248, 52))
    bits = [Point(str(a), "1", "coil", a, "bit") for a in range(300)]
    assert plan_reads(bits) == (Read("coil", 0, 300),)
