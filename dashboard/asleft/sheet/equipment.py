"""Coil and instruments: `[coil]` and `[instrument.CHANNEL]`."""

from __future__ import annotations

from collections.abc import Mapping

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


def read_coil(top: Section, units: Mapping[str, str]) -> Coil:
    """`[coil]`: what headroom at the hot-coil, low-supply corner needs."""
    section = top.section("coil")
    coil = Coil(
        hot_temperature_degc=section.number("hot_temperature", 20.0, 250.0, _unit("temperature", units)),
        supply_minimum_v=section.number("supply_minimum", 9.0, 36.0),
        cable_resistance_ohm=section.number("cable_resistance", 0.0, 20.0),
        driver_drop_v=section.number("driver_drop", 0.0, 10.0),
        duty_max=section.number("duty_max", 0.0, 1.0, above_low=True),
        driver_limit_a=section.number("driver_limit", 0.0, 20.0, _unit("current", units), above_low=True),
    )
    section.close()
    return coil


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
        ends = section.ascending_pair("range", -1e5, 1e5, unit)
        found[channel] = Instrument(
            where=section.choice("where", {where.value: where for where in Where}),
            expanded_uncertainty=section.number(
                "expanded_uncertainty", 0.0, 1e4, unit, above_low=True, difference=True
            ),
            low_pass_hz=section.number("low_pass_hz", 0.0, 1e6, above_low=True),
            range_low=ends[0] if ends else None,
            range_high=ends[1] if ends else None,
        )
        section.close()
    table.close()
    return found


def _unit(dimension: str, units: Mapping[str, str]) -> Unit:
    return UNITS[dimension][units.get(dimension, stored_unit(dimension).symbol)]
