"""A `Sheet` as the text of a sheet file: everything it holds, in the units it was entered in.

Reading the text back gives the same sheet; numbers of `[as_left]` come out as they were typed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from datetime import datetime

from asleft.sheet.equipment import INSTRUMENT_CHANNELS
from asleft.sheet.model import Conditions, Instrument, Sheet, SignalKind, Tolerance
from asleft.sheet.signal import ENDS
from asleft.sheet.tolerances import default_tolerances, one_number
from asleft.sheet.units import UNITS, Unit, stored_unit, unit_of_quantity

Value = str | float | Sequence[float] | datetime
Pairs = list[tuple[str, Value | None]]


def sheet_text(sheet: Sheet) -> str:
    """The TOML text of a sheet; default tolerances and empty entries are left out."""
    tables: list[tuple[str, Pairs]] = [
        ("valve", [("id", sheet.valve), ("press", sheet.press), ("name", sheet.name), ("controls", sheet.controls)]),
        ("signal", _signal(sheet)),
        ("units", list(sheet.entered_units.items())),
        ("as_left", [(key, _typed(sheet, key)) for key in sheet.as_left]),
        ("tolerance", _tolerances(sheet)),
        ("coil", _coil(sheet)),
        ("characteristic", _characteristic(sheet)),
        ("conditions", _conditions(sheet)),
        ("mode", _modes(sheet)),
        *((f"instrument.{name}", _instrument(sheet, name, item)) for name, item in sheet.instruments.items()),
        ("revision", _revision(sheet)),
    ]
    return "\n".join(text for text in (_table(name, pairs) for name, pairs in tables) if text)


def _table(name: str, pairs: Pairs) -> str:
    lines = [f"{key} = {toml_value(value)}\n" for key, value in pairs if value is not None and value != ""]
    if not lines and not name.startswith("instrument."):
        return ""
    return f"[{name}]\n{''.join(lines)}"


def toml_value(value: Value) -> str:
    """One value as TOML writes it."""
    if isinstance(value, str):
        # JSON's escapes are TOML's; DEL is the one control character JSON leaves bare.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, int | float):
        return repr(value) if math.isfinite(value) else ("inf" if value > 0 else "-inf")
    return "[" + ", ".join(toml_value(item) for item in value) + "]"


def _unit(sheet: Sheet, dimension: str) -> Unit:
    return UNITS[dimension][sheet.entered_units.get(dimension, stored_unit(dimension).symbol)]


def _typed(sheet: Sheet, quantity: str) -> float:
    unit = unit_of_quantity(quantity, sheet.entered_units)
    return sheet.entered_as_left.get(quantity, unit.from_stored(sheet.as_left[quantity]))


def _signal(sheet: Sheet) -> Pairs:
    signal = sheet.signal
    usual = ENDS.get(signal.kind) == (signal.unit, signal.at_zero, signal.at_full)
    pairs: Pairs = [("kind", None if signal.kind is SignalKind.EXPLICIT else signal.kind.value)]
    if not usual:
        pairs += [("unit", signal.unit), ("at_zero", signal.at_zero), ("at_full", signal.at_full)]
    return [*pairs, ("off_below", signal.off_below_pct or None), ("made_by", signal.made_by.value)]


def _tolerances(sheet: Sheet) -> Pairs:
    usual = default_tolerances(sheet.as_left, sheet.characteristic)
    pairs: Pairs = []
    for quantity, tolerance in sheet.tolerance.items():
        if tolerance != usual.get(quantity):
            pairs.append((quantity, _tolerance(quantity, tolerance, unit_of_quantity(quantity, sheet.entered_units))))
    return pairs


def _tolerance(quantity: str, tolerance: Tolerance, unit: Unit) -> Value:
    below, above = unit.difference_from_stored(tolerance.below), unit.difference_from_stored(tolerance.above)
    size = min(below, above)
    return size if one_number(quantity, size) == Tolerance(below, above) else (-below, above)


def _coil(sheet: Sheet) -> Pairs:
    coil = sheet.coil
    return [
        ("hot_temperature", _converted(coil.hot_temperature_degc, _unit(sheet, "temperature"))),
        ("supply_minimum", coil.supply_minimum_v),
        ("cable_resistance", coil.cable_resistance_ohm),
        ("driver_drop", coil.driver_drop_v),
        ("duty_max", coil.duty_max),
        ("driver_limit", _converted(coil.driver_limit_a, _unit(sheet, "current"))),
    ]


def _characteristic(sheet: Sheet) -> Pairs:
    curve = sheet.characteristic
    if curve is None:
        return []
    ampere, pressure = _unit(sheet, "current"), _unit(sheet, "pressure")
    return [
        ("current", _all_converted(curve.current_a, ampere)),
        ("rising", _all_converted(curve.rising_bar, pressure)),
        ("falling", _all_converted(curve.falling_bar, pressure)),
    ]


def _conditions(sheet: Sheet) -> Pairs:
    degree = _unit(sheet, "temperature")
    oil, air = sheet.conditions.oil_temperature_degc, sheet.conditions.ambient_temperature_degc
    return [
        ("oil_temperature", None if oil is None else _all_converted(oil, degree)),
        ("ambient_temperature", None if air is None else _all_converted(air, degree)),
        ("in_control_command", sheet.conditions.in_control_command_pct),
    ]


def _modes(sheet: Sheet) -> Pairs:
    conditions, usual = sheet.conditions, Conditions()
    if (conditions.producing_modes, conditions.set_up_modes, conditions.in_control_modes) == (
        usual.producing_modes,
        usual.set_up_modes,
        usual.in_control_modes,
    ):
        return []
    return [
        ("producing", conditions.producing_modes),
        ("set_up", conditions.set_up_modes),
        ("in_control", conditions.in_control_modes),
    ]


def _instrument(sheet: Sheet, channel: str, instrument: Instrument) -> Pairs:
    dimension = INSTRUMENT_CHANNELS[channel]
    unit = _unit(sheet, dimension) if dimension else Unit("")
    uncertainty = instrument.expanded_uncertainty
    ends = None
    if instrument.range_low is not None and instrument.range_high is not None:
        ends = _all_converted((instrument.range_low, instrument.range_high), unit)
    return [
        ("where", instrument.where.value if instrument.where else None),
        ("expanded_uncertainty", None if uncertainty is None else unit.difference_from_stored(uncertainty)),
        ("low_pass_hz", instrument.low_pass_hz),
        ("range", ends),
    ]


def _revision(sheet: Sheet) -> Pairs:
    revision = sheet.revision
    return [("number", revision.number), ("at", revision.at), ("by", revision.by), ("why", revision.why)]


def _converted(stored: float | None, unit: Unit) -> float | None:
    return None if stored is None else unit.from_stored(stored)


def _all_converted(stored: Iterable[float], unit: Unit) -> list[float]:
    return [unit.from_stored(value) for value in stored]
