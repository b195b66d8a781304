"""Coil and instruments: `[coil]` and `[instrument.CHANNEL]`."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.catalogue.quantities import SUPPLY_LIMITS_V
from asleft.sheet.limits import Limits
from asleft.sheet.model import Coil, Instrument, Where
from asleft.sheet.section import PLAIN, Section
from asleft.sheet.units import UNITS, Unit, stored_unit

#: Channels an instrument entry may describe -> the dimension of its numbers (None: the signal's, or volts).
INSTRUMENT_CHANNELS: Mapping[str, str | None] = {
    "command": None,
    "current": "current",
    "pressure": "pressure",
    "supply": None,
    "coil_voltage": None,
    "oil_temperature": "temperature",
}


#: Keys of `[coil]` and what is taken.
COIL_LIMITS: Mapping[str, Limits] = {
    "hot_temperature": Limits(20.0, 250.0, "degC"),
    "supply_minimum": Limits(*SUPPLY_LIMITS_V, "V"),
    "cable_resistance": Limits(0.0, 20.0, "ohm"),
    "driver_drop": Limits(0.0, 10.0, "V"),
    "duty_max": Limits(0.0, 1.0, above_low=True),
    "driver_limit": Limits(0.0, 20.0, "A", above_low=True),
}
LOW_PASS = Limits(0.0, 1e6, "Hz", above_low=True)


def uncertainty_limits(unit: str) -> Limits:
    """Of the expanded uncertainty of a channel whose readings are stored in `unit`."""
    return Limits(0.0, 1e4, unit, above_low=True, difference=True)


def read_coil(top: Section, units: Mapping[str, str]) -> Coil:
    """`[coil]`: what headroom at the hot-coil, low-supply corner needs."""
    section = top.section("coil")
    taken = {key: section.within(key, limits, units) for key, limits in COIL_LIMITS.items()}
    section.close()
    return Coil(
        hot_temperature_degc=taken["hot_temperature"],
        supply_minimum_v=taken["supply_minimum"],
        cable_resistance_ohm=taken["cable_resistance"],
        driver_drop_v=taken["driver_drop"],
        duty_max=taken["duty_max"],
        driver_limit_a=taken["driver_limit"],
    )


def check_supply(top: Section, coil: Coil, as_left: Mapping[str, float]) -> None:
    """The lowest supply cannot lie above the one that was left."""
    left = as_left.get("supply_voltage")
    if coil.supply_minimum_v is not None and left is not None and coil.supply_minimum_v > left:
        top.section("coil").fault("supply_minimum", f"must not be above as_left.supply_voltage = {left:g} V")


def read_instruments(top: Section, units: Mapping[str, str]) -> dict[str, Instrument]:
    """`[instrument.CHANNEL]`: what is known of each measuring chain, in stored units."""
    table = top.section("instrument")
    found: dict[str, Instrument] = {}
    for channel, dimension in INSTRUMENT_CHANNELS.items():
        section = table.section(channel)
        if channel not in table:
            continue
        unit = _unit(dimension, units) if dimension else PLAIN
        stored = stored_unit(dimension).symbol if dimension else ""
        ends = section.ascending_pair("range", -1e5, 1e5, unit)
        found[channel] = Instrument(
            where=section.choice("where", {where.value: where for where in Where}),
            expanded_uncertainty=section.within("expanded_uncertainty", uncertainty_limits(stored), units),
            low_pass_hz=section.within("low_pass_hz", LOW_PASS, units),
            range_low=ends[0] if ends else None,
            range_high=ends[1] if ends else None,
        )
        section.close()
    table.close()
    return found


def _unit(dimension: str, units: Mapping[str, str]) -> Unit:
    return UNITS[dimension][units.get(dimension, stored_unit(dimension).symbol)]
