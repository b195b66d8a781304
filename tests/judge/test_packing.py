from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.packing import kept_mean, kept_spread, pack, pack_rows, rounded, unpack, unpack_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

any_float = st.floats(allow_nan=True, allow_infinity=True, allow_subnormal=True)


@settings(deadline=None)
@given(arrays(np.float64, array_shapes(min_dims=2, max_dims=2, min_side=0, max_side=40), elements=any_float))
def test_a_table_comes_back_to_the_bit(table) -> None:
    assert unpack(pack(table), table.shape[0]).tobytes() == table.tobytes()


@settings(deadline=None)
@given(st.lists(st.sampled_from([0.0, -0.0, float("nan"), 1.0, 0.1]), min_size=1, max_size=900))
def test_few_values_too(column) -> None:
    table = np.array([column, column[::-1]])
    assert unpack(pack(table), 2).tobytes() == table.tobytes()


def test_as_many_values_as_a_byte_counts_and_one_more() -> None:
    for different in (255, 256, 257):
        table = np.tile(np.arange(different, dtype=np.float64), 5)[None, :]
        assert np.array_equal(unpack(pack(table), 1), table)


def test_rows_and_none() -> None:
    assert unpack_rows(pack_rows([(1.0, 2.0), (3.0, 4.0)], 2), 2) == [[1.0, 2.0], [3.0, 4.0]]
    assert unpack_rows(pack_rows([], 7), 7) == []


def test_a_switch_and_a_converter_take_hardly_any_room() -> None:
    rng = np.random.default_rng(1)
    switch = np.repeat([0.0, 1.0], 300)
    converter = np.round(rng.normal(1000.0, 3.0, 600)) * 0.8 / 4095
    assert len(pack(switch[None, :])) < 100
    assert (
        len(pack(converter[None, :])) < 1.2 * 600
    )  # some 20 steps: hardly over half a byte each, and a third for base64


def test_rounded_numbers_take_the_room_of_their_digits() -> None:
    values = np.random.default_rng(2).normal(0.5, 0.1, (1, 400))
    whole, short = len(pack(values)), len(pack(rounded(values, 20)))
    assert short < 0.5 * whole


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e200, max_value=1e200), st.integers(4, 53))
def test_rounding_is_to_the_nearest_of_so_many_digits_and_once_for_all(value, bits) -> None:
    short = float(rounded(value, bits))
    assert abs(short - value) <= 2.0**-bits * abs(value)
    assert float(rounded(short, bits)) == short


def test_53_digits_and_what_is_no_number_stay_as_they_are() -> None:
    values = np.array([np.pi, -1e-300, 0.0, np.inf, -np.inf, np.nan])
    assert np.array_equal(rounded(values, [53, 53, 20, 20, 20, 20]), values, equal_nan=True)


def test_24_digits_are_ieee_754_single_precision() -> None:
    for value in (np.pi, -1e-6 / 3.0, 1.7e9 / 7.0):
        assert float(rounded(value, 24)) == float(np.float32(value))


def test_what_is_kept_is_far_better_than_a_12_bit_converter() -> None:
    for value in (0.1, 1.0 / 3.0, 217.35):
        assert kept_mean(value) == pytest.approx(value, rel=1.0 / 4095 / 400)
        assert kept_spread(value) == pytest.approx(value, rel=2.5e-4)


def test_times_take_little_room_and_come_back_to_the_bit() -> None:
    even = (1764046802_370_000_000 + 10_000_000 * np.arange(600)) / 1e9
    uneven = np.cumsum(np.random.default_rng(6).uniform(0.1, 3000.0, 600)) + 1.7e9
    for times, most in ((even, 200), (uneven, 600 * 8)):
        text = pack(times[None, :])
        assert len(text) < most
        assert unpack(text, 1).tobytes() == times.tobytes()
