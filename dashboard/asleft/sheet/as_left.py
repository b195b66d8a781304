"""What was left, in what tolerance: `[as_left]`, `[tolerance]` and `[characteristic]`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import TypeGuard

from asleft.catalogue.quantities import CURRENT_LIMIT_A, PRESSURE_LIMIT_BAR, QUANTITIES
from asleft.sheet.limits import Limits
from asleft.sheet.model import QUANTITY_UNITS, Characteristic, Tolerance
from asleft.sheet.names import EXPLANATIONS
from asleft.sheet.section import Section
from asleft.sheet.tolerances import default_tolerances, one_number
from asleft.sheet.units import UNITS, Unit, stored_unit, unit_of_quantity

#: Quantity -> lowest and highest value taken, in stored units. The lowest itself is taken for ramps (0 means none),
#: for the zero-command current and pressure, and where it is no zero at all.
LIMITS: Mapping[str, tuple[float, float]] = {
    quantity.id: quantity.limits for quantity in QUANTITIES.values() if quantity.limits is not None
}

#: A measured curve may dip this share of its span and still count as ascending.
_DIP_ALLOWED = 0.02


def limits_of(quantity: str) -> Limits:
    """Between which ends a setting is taken. Raises `KeyError` for what is no setting."""
    low, high = LIMITS[quantity]
    return Limits(low, high, QUANTITY_UNITS[quantity], above_low=QUANTITIES[quantity].above_low)


def read_as_left(top: Section, units: Mapping[str, str]) -> tuple[dict[str, float], dict[str, float]]:
    """`[as_left]` in stored units, and the same numbers as they were typed."""
    top.require("as_left", "an [as_left] table with at least one setting")
    section = top.section("as_left")
    as_left: dict[str, float] = {}
    entered: dict[str, float] = {}
    for quantity in LIMITS:
        value = section.within(quantity, limits_of(quantity), units)
        if value is not None:
            as_left[quantity] = value
            typed = section.raw(quantity)
            entered[quantity] = float(typed) if isinstance(typed, int | float) else value
    if "headroom" in section:
        section.raw("headroom")
        section.fault("headroom", "is computed, never entered; its limit stands in [tolerance]")
    if "as_left" in top and not section.keys:
        section.fault("", "must hold at least one of: " + ", ".join(LIMITS))
    _check_order(section, as_left, "current_at_zero", "current_at_full")
    _check_order(section, as_left, "pressure_at_zero", "pressure_at_full")
    section.close()
    return as_left, entered


def _check_order(section: Section, as_left: Mapping[str, float], zero: str, full: str) -> None:
    if zero in as_left and full in as_left and as_left[full] <= as_left[zero]:
        section.fault(full, f"must be above {zero} = {section.raw(zero)} ({EXPLANATIONS[zero]})")


def read_tolerances(
    top: Section, units: Mapping[str, str], as_left: Mapping[str, float], characteristic: Characteristic | None
) -> dict[str, Tolerance]:
    """`[tolerance]` over the defaults: one for every quantity in `as_left`, and for headroom."""
    section = top.section("tolerance")
    found = default_tolerances(as_left, characteristic)
    for quantity in QUANTITY_UNITS:
        unit = unit_of_quantity(quantity, units)
        given = _tolerance(section, quantity, unit)
        if given is None:
            continue
        if quantity == "headroom" and not 0 < given.below <= 100:
            section.fault(quantity, "must be one number above 0 and at most 100: the least headroom to be had, in %")
        elif quantity not in as_left and quantity != "headroom" and quantity not in top.section("as_left"):
            section.fault(quantity, f"has nothing to apply to: [as_left] gives no {quantity}")
        else:
            found[quantity] = given
    section.close()
    return found


def _tolerance(section: Section, quantity: str, unit: Unit) -> Tolerance | None:
    value = section.raw(quantity)
    if value is None:
        return None
    if _is_number(value) and math.isfinite(value) and value > 0:
        return one_number(quantity, unit.difference_to_stored(float(value)))
    if isinstance(value, list) and len(value) == 2 and all(_is_number(v) and not math.isnan(v) for v in value):
        below, above = -float(value[0]), float(value[1])
        if below > 0 and above > 0 and not (math.isinf(below) and math.isinf(above)):
            return Tolerance(unit.difference_to_stored(below), unit.difference_to_stored(above))
    section.fault(
        quantity,
        "must be one number above 0, or two as [-a, b] with a and b above 0 (one of them may be inf: not judged)",
    )
    return None


def _is_number(value: object) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def read_characteristic(top: Section, units: Mapping[str, str]) -> Characteristic | None:
    """`[characteristic]`: both branches of pressure against current, at the same ascending currents."""
    section = top.section("characteristic")
    if "characteristic" not in top:
        return None
    ampere = UNITS["current"][units.get("current", stored_unit("current").symbol)]
    pressure = UNITS["pressure"][units.get("pressure", stored_unit("pressure").symbol)]
    section.require("current", "a list of currents")
    for key, way in (("rising", "up"), ("falling", "down")):
        section.require(key, f"a list of pressures on the way {way}")
    current = section.numbers("current", 0.0, CURRENT_LIMIT_A, ampere)
    rising = section.numbers("rising", 0.0, PRESSURE_LIMIT_BAR, pressure)
    falling = section.numbers("falling", 0.0, PRESSURE_LIMIT_BAR, pressure)
    section.close()
    if current is not None:
        if len(current) < 2:
            section.fault("current", "must hold at least 2 currents")
        elif any(b <= a for a, b in pairwise(current)):
            section.fault("current", "must ascend, each current above the one before")
    for key, branch in (("rising", rising), ("falling", falling)):
        _check_branch(section, key, branch, current)
    if current is None or rising is None or falling is None or not len(current) == len(rising) == len(falling):
        return None
    if sum(falling) < sum(rising):
        section.fault("falling", "lies below rising on the whole: are the two exchanged?")
    return Characteristic(current, rising, falling)


def _check_branch(
    section: Section, key: str, branch: tuple[float, ...] | None, current: tuple[float, ...] | None
) -> None:
    if branch is None:
        return
    if current is not None and len(branch) != len(current):
        section.fault(key, f"must hold as many numbers as current ({len(current)}), holds {len(branch)}")
    span = max(branch) - min(branch) if branch else 0.0
    if any(b < a - _DIP_ALLOWED * span for a, b in pairwise(branch)):
        section.fault(key, "must be listed in the order of current: pressure must not fall as current rises")
