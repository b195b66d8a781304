from __future__ import annotations

import math

import pytest
from asleft.sheet.model import Characteristic, Tolerance
from asleft.sheet.tolerances import default_tolerances, one_number

AS_LEFT = {
    "current_at_zero": 0.18,
    "current_at_full": 0.92,
    "ramp_up": 1.2,
    "ramp_down": 0.3,
    "dither_frequency": 150.0,
    "dither_amplitude": 0.12,
    "pressure_at_zero": 12.0,
    "pressure_at_full": 210.0,
    "hysteresis": 3.0,
    "coil_resistance": 11.0,
    "supply_voltage": 24.0,
}


@pytest.mark.parametrize(
    ("quantity", "below", "above"),
    [
        ("current_at_zero", 0.0148, 0.0148),  # 2 % of a span of 0.74 A
        ("current_at_full", 0.0148, 0.0148),
        ("ramp_up", 0.12, 0.12),
        ("ramp_down", 0.05, 0.05),  # the floor
        ("dither_frequency", 15.0, 15.0),
        ("dither_amplitude", 0.03, 0.03),
        ("pressure_at_zero", 4.2, 4.2),  # 2 % of pressure at full
        ("pressure_at_full", 4.2, 4.2),
        ("hysteresis", math.inf, 2.0),
        ("coil_resistance", 1.1, 1.1),
        ("supply_voltage", 2.4, math.inf),
        ("headroom", 10.0, math.inf),
    ],
)
def test_the_documented_defaults(quantity, below, above):
    found = default_tolerances(AS_LEFT)[quantity]
    assert (found.below, found.above) == pytest.approx((below, above))


def test_a_small_span_keeps_ten_milliamperes():
    assert default_tolerances({"current_at_zero": 0.1, "current_at_full": 0.3})["current_at_zero"].above == 0.010


def test_a_current_alone_stands_for_the_span():
    assert default_tolerances({"current_at_full": 2.0})["current_at_full"].above == pytest.approx(0.04)
    assert default_tolerances({"current_at_zero": 1.0})["current_at_zero"].above == pytest.approx(0.02)


def test_without_pressure_at_full_the_highest_pressure_known_stands_for_it():
    curve = Characteristic((0.1, 0.9), (10.0, 199.0), (10.0, 200.0))
    assert default_tolerances({"pressure_at_zero": 10.0}, curve)["pressure_at_zero"].above == pytest.approx(4.0)
    assert default_tolerances({"pressure_at_zero": 10.0})["pressure_at_zero"].above == 0.5


def test_no_ramp_still_has_a_tolerance():
    assert default_tolerances({"ramp_up": 0.0})["ramp_up"] == Tolerance(0.05, 0.05)


def test_no_tolerance_is_zero_or_negative():
    for tolerance in default_tolerances(AS_LEFT).values():
        assert tolerance.below > 0
        assert tolerance.above > 0


def test_one_number_means_the_sides_that_matter():
    assert one_number("ramp_up", 0.2) == Tolerance(0.2, 0.2)
    assert one_number("hysteresis", 2.0) == Tolerance(math.inf, 2.0)
    assert one_number("supply_voltage", 2.0) == Tolerance(2.0, math.inf)
