from __future__ import annotations

import pytest
from asleft.sheet.units import UNITS, stored_unit, unit_of_quantity
from hypothesis import given
from hypothesis import strategies as st

ALL = [(dimension, unit) for dimension, units in UNITS.items() for unit in units.values()]


@pytest.mark.parametrize(
    ("dimension", "symbol", "entered", "stored"),
    [
        ("pressure", "bar", 210.0, 210.0),
        ("pressure", "MPa", 21.0, 210.0),
        ("pressure", "kPa", 21000.0, 210.0),
        ("pressure", "psi", 14.5037738, 1.0),
        ("current", "mA", 920.0, 0.92),
        ("time", "ms", 1200.0, 1.2),
        ("temperature", "degF", 212.0, 100.0),
        ("temperature", "degF", -40.0, -40.0),
    ],
)
def test_entered_values_become_stored_ones(dimension, symbol, entered, stored):
    assert UNITS[dimension][symbol].to_stored(entered) == pytest.approx(stored, rel=1e-8)


def test_milliamperes_give_exactly_what_amperes_give():
    unit = UNITS["current"]["mA"]
    assert all(unit.to_stored(float(ma)) == float(f"{ma // 1000}.{ma % 1000:03d}") for ma in range(5001))


def test_a_difference_of_temperature_is_not_shifted():
    assert UNITS["temperature"]["degF"].difference_to_stored(9.0) == pytest.approx(5.0)


@given(st.sampled_from(ALL), st.floats(-1e4, 1e4))
def test_there_and_back(entry, value):
    _, unit = entry
    assert unit.from_stored(unit.to_stored(value)) == pytest.approx(value, abs=1e-9)
    assert unit.difference_from_stored(unit.difference_to_stored(value)) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("dimension", UNITS)
def test_the_first_unit_of_a_dimension_changes_nothing(dimension):
    assert stored_unit(dimension).to_stored(12.345) == 12.345


def test_a_quantity_takes_the_units_of_the_file():
    assert unit_of_quantity("pressure_at_full", {"pressure": "psi"}).symbol == "psi"
    assert unit_of_quantity("pressure_at_full", {}).symbol == "bar"
    assert unit_of_quantity("ramp_up", {"time": "ms"}).to_stored(500.0) == 0.5
    assert unit_of_quantity("coil_resistance", {"pressure": "psi"}).symbol == "ohm"
