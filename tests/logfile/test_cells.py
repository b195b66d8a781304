from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.logfile.cells import CONTACT_WORDS, EMPTY, NOT_A_NUMBER, NOT_FINITE, read_numbers
from hypothesis import given
from hypothesis import strategies as st


def test_numbers_come_out_as_they_are():
    values, bad = read_numbers(["1", " 2.5 ", "-3e-2", "+4"])
    assert values.tolist() == [1.0, 2.5, -0.03, 4.0]
    assert bad == []


def test_each_bad_cell_is_named_with_its_reason():
    values, bad = read_numbers(["1", "", "ERR", "nan", "inf", "1_000", "  ", "7"])
    assert values[[0, 7]].tolist() == [1.0, 7.0]
    assert np.isnan(values[1:7]).all()
    assert [(cell.row, cell.reason) for cell in bad] == [
        (1, EMPTY),
        (2, NOT_A_NUMBER),
        (3, NOT_FINITE),
        (4, NOT_FINITE),
        (5, NOT_A_NUMBER),
        (6, EMPTY),
    ]
    assert bad[1].text == "ERR"


@pytest.mark.parametrize("text", ["1_0", "nan", "-inf"])
def test_what_only_python_calls_a_number_is_none(text):
    values, bad = read_numbers(["1", text])
    assert math.isnan(values[1])
    assert len(bad) == 1


def test_decimal_commas():
    values, bad = read_numbers(["1,5", "2", "1.234,5"], decimal_comma=True)
    assert values[:2].tolist() == [1.5, 2.0]
    assert values[2] == 1234.5  # both signs are there, so the point can only be a thousands mark
    assert bad == []
    assert read_numbers(["1,234"])[1][0].reason == NOT_A_NUMBER  # might be either: not guessed at


def test_contacts_may_be_words():
    values, bad = read_numbers(["TRUE", "off", "1", "0", "maybe"], words=CONTACT_WORDS)
    assert values[:4].tolist() == [1.0, 0.0, 1.0, 0.0]
    assert bad[0].reason == NOT_A_NUMBER


def test_no_cells_no_numbers():
    values, bad = read_numbers([], decimal_comma=True)
    assert values.shape == (0,)
    assert bad == []


@given(st.lists(st.one_of(st.floats().map(repr), st.sampled_from(["", "x", "1_1", " 2", "0x1"]))))
def test_fast_and_slow_agree_and_every_cell_is_accounted_for(cells):
    values, bad = read_numbers(cells)
    assert len(values) == len(cells)
    assert sorted(cell.row for cell in bad) == np.flatnonzero(np.isnan(values)).tolist()
    for row, cell in enumerate(cells):
        alone, _ = read_numbers([cell])
        assert alone[0] == values[row] or (math.isnan(alone[0]) and math.isnan(values[row]))
