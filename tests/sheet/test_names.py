from __future__ import annotations

import math

import pytest
from asleft.sheet.model import QUANTITY_UNITS, Tolerance
from asleft.sheet.names import (
    EXPLANATIONS,
    LABELS,
    SHORT_LABELS,
    counted,
    format_bar,
    format_number,
    format_pair,
    format_quantity,
    format_rate,
    format_tolerance,
    format_uncertainty,
    plain,
)


@pytest.mark.parametrize("table", [LABELS, SHORT_LABELS, EXPLANATIONS])
def test_every_quantity_has_a_name_in_the_same_order(table):
    assert list(table) == list(QUANTITY_UNITS)


def test_short_labels_fit_a_narrow_column():
    for label in SHORT_LABELS.values():
        words = label.split()
        assert len(words) <= 2
        assert max(map(len, words)) <= 10


@pytest.mark.parametrize(
    ("quantity", "value", "text"),
    [
        ("current_at_full", 0.92, "0.920 A"),
        ("ramp_up", 1.2, "1.20 s"),
        ("ramp_up", 0.3, "0.300 s"),
        ("pressure_at_full", 210, "210.0 bar"),
        ("coil_resistance", 11, "11.00 Ω"),
        ("supply_voltage", 24.04, "24.0 V"),
        ("headroom", 12.34, "12.3 %"),
        ("headroom", -7.2, "−7.2 %"),
        ("dither_frequency", 150, "150.0 Hz"),
        ("ramp_up", None, "–"),
        ("ramp_up", math.nan, "–"),
    ],
)
def test_values_are_printed_with_the_digits_of_the_shop_floor(quantity, value, text):
    assert format_quantity(quantity, value) == text


def test_a_difference_keeps_its_sign_and_zero_has_no_minus():
    assert format_number("ramp_up", 0.5, signed=True) == "+0.500"
    assert format_number("pressure_at_full", -0.01) == "0.0"
    assert format_number("pressure_at_full", -0.06) == "−0.1"
    assert format_pair("headroom", -7.2, -7.15) == ("−7.20 %", "−7.15 %")
    assert format_bar(-0.4) == "−0.40 bar"


def test_an_unknown_quantity_is_refused():
    with pytest.raises(KeyError):
        format_quantity("temper", 1.0)


@pytest.mark.parametrize(
    ("value", "text"), [(0.00412, "0.0041"), (0.25, "0.25"), (3.14, "3.1"), (42.0, "42"), (0.0, "0"), (None, "–")]
)
def test_uncertainty_has_two_significant_digits(value, text):
    assert format_uncertainty(value) == text


@pytest.mark.parametrize(
    ("tolerance", "text"),
    [
        (Tolerance(0.12, 0.12), "±0.12"),
        (Tolerance(5, 8), "−5/+8"),
        (Tolerance(math.inf, 2), "+2 only"),
        (Tolerance(2.4, math.inf), "−2.4 only"),
        (Tolerance(math.inf, math.inf), "–"),
    ],
)
def test_tolerance_says_which_side_is_judged(tolerance, text):
    assert format_tolerance(tolerance) == text


def test_code_words_become_plain_words():
    assert plain("driver-setting") == "driver setting"


@pytest.mark.parametrize(
    ("quantity", "now", "was", "texts"),
    [
        ("pressure_at_full", 180.04, 200.0, ("180.0 bar", "200.0 bar")),
        ("pressure_at_zero", 1.04, 0.98, ("1.04 bar", "0.98 bar")),
        ("current_at_zero", 0.18018, 0.18006, ("0.1802 A", "0.1801 A")),
        ("ramp_up", 1.5, 0.9, ("1.50 s", "0.900 s")),
        ("pressure_at_full", 200.0, 200.0, ("200.0 bar", "200.0 bar")),
        ("pressure_at_full", None, 200.0, ("–", "200.0 bar")),
    ],
)
def test_two_values_have_the_digits_that_show_what_is_between_them(quantity, now, was, texts) -> None:
    assert format_pair(quantity, now, was) == texts


@pytest.mark.parametrize(("per_day", "text"), [(0.0042, "0.0042 %"), (-0.4, "0.40 %"), (12.3, "12 %"), (0.0, "0 %")])
def test_a_rate_is_never_said_to_be_nothing_by_its_digits(per_day, text) -> None:
    assert format_rate("hysteresis", per_day) == text


@pytest.mark.parametrize(("count", "text"), [(1, "1 reading"), (0, "0 readings"), (3298, "3,298 readings")])
def test_a_count_and_its_noun_agree(count, text) -> None:
    assert counted(count, "reading") == text
