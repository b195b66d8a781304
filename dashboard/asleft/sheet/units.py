"""Units people write in files, and the one unit of each dimension that everything is stored in."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.sheet.model import QUANTITY_UNITS
from asleft.wire.units import Unit as Unit

#: Dimension -> symbol -> unit; the first of each dimension is the stored one.
#: psi is 6894.757293168361 Pa (from the pound and the inch, both exact since 1959, and standard gravity).
UNITS: Mapping[str, Mapping[str, Unit]] = {
    "pressure": {
        "bar": Unit("bar"),
        "psi": Unit("psi", multiplier=6894.757293168361, divisor=1e5),
        "MPa": Unit("MPa", multiplier=10.0),
        "kPa": Unit("kPa", divisor=100.0),
    },
    "current": {"A": Unit("A"), "mA": Unit("mA", divisor=1000.0)},
    "time": {"s": Unit("s"), "ms": Unit("ms", divisor=1000.0)},
    "temperature": {"degC": Unit("degC"), "degF": Unit("degF", multiplier=5.0, divisor=9.0, shift=32.0)},
}

_DIMENSION_OF_UNIT: Mapping[str, str] = {"A": "current", "s": "time", "bar": "pressure", "degC": "temperature"}


def stored_unit(dimension: str) -> Unit:
    """The unit a dimension is stored in.

    Raises:
        KeyError: no such dimension.
    """
    return next(iter(UNITS[dimension].values()))


def unit_of_quantity(quantity: str, entered_units: Mapping[str, str]) -> Unit:
    """The unit a quantity is entered in, given the file's `[units]`; those without a choice keep their stored unit.

    Raises:
        KeyError: unknown quantity or unit.
    """
    return unit_named(QUANTITY_UNITS[quantity], entered_units)


def unit_named(stored: str, entered_units: Mapping[str, str]) -> Unit:
    """The unit that numbers stored in `stored` ("degC") are entered in, given the file's `[units]`.

    Raises:
        KeyError: unknown unit.
    """
    dimension = _DIMENSION_OF_UNIT.get(stored)
    if dimension is None:
        return Unit(stored)
    return UNITS[dimension][entered_units.get(dimension, stored)]
