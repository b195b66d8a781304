"""A channel's entry in the map: in which unit its column is, and what must be known to convert it."""

from __future__ import annotations

from asleft.logfile.evidence import Claim, Seen
from asleft.logfile.found import MAIN, Recognition
from asleft.logfile.given import Choice, Given, Question
from asleft.logfile.table import Table
from asleft.sheet.logmap import CHANNELS, Column


def column_of(
    table: Table, channel: str, claim: Claim, seen: Seen, given: Given, found: Recognition
) -> Column | None:
    """The map's entry of a channel; None where a question is open."""
    units = CHANNELS[channel]
    symbol = given.units.get(channel, claim.unit)
    name = table.name_of(seen.at)
    if claim.needs == "shunt" or (channel == "current" and symbol in ("V", "mV")):
        if given.shunt_ohm is None:
            text = f"column {name}: a voltage; which resistance in ohm is it measured across?"
            found.questions.append(Question(channel, text, example=("--shunt", "OHM")))
            return None
        return Column(name, units["A"], scale=1.0 / (given.shunt_ohm * (1.0 if symbol == "V" else 1000.0)))
    if claim.needs == "transmitter" or (channel == "pressure" and symbol == "mA"):
        if given.transmitter is None:
            text = f"column {name}: a transmitter's mA; which pressures are 4 and 20 mA?"
            found.questions.append(Question(channel, text, example=("--transmitter", "0:250bar")))
            return None
        low, high = given.transmitter
        scale = (high - low) / 16.0
        unit = units[given.units.get("pressure", "bar") if symbol == "mA" else "bar"]
        return Column(name, unit, scale=scale, offset=low - 4.0 * scale)
    if channel == "command" and (claim.needs == "counts" or symbol == "counts"):
        if given.counts is None:
            text = f"column {name}: raw counts; which numbers are 0 % and 100 % command?"
            found.questions.append(Question(channel, text, example=("--counts", "LOW:HIGH")))
            return None
        low, high = given.counts
        return Column(name, units["%"], scale=100.0 / (high - low), offset=-100.0 * low / (high - low))
    if channel in MAIN and (symbol is None or symbol not in units):
        if channel == "command" and seen.exact.casefold() == "command" and symbol is None:
            return Column(name)  # as the manual says: in the unit of the sheet's signal
        choices = tuple(Choice(each, ("--unit-of", f"{channel}={each}")) for each in units)
        text = f"column {name}: in which unit?"
        if claim.needs == "vacuum":
            text = (
                f"column {name}: above vacuum, by its header, where a gauge's pressure is wanted. A map takes the "
                "air's away (offset = -1.013 where it is in bar); or, if it is a gauge's after all, in which unit?"
            )
        found.questions.append(Question(channel, text, choices))
        return None
    return Column(name, units.get(symbol) if symbol else None)
