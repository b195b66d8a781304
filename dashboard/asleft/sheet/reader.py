"""A sheet file (TOML, one valve) becomes a checked `Sheet` in stored units, or all of its faults at once."""

from __future__ import annotations

from asleft.sheet.as_left import read_as_left, read_characteristic, read_tolerances
from asleft.sheet.conditions import read_conditions
from asleft.sheet.equipment import check_supply, read_coil, read_instruments
from asleft.sheet.identity import read_revision, read_valve
from asleft.sheet.model import Sheet
from asleft.sheet.section import Section
from asleft.sheet.signal import NO_SIGNAL, read_signal
from asleft.sheet.units import UNITS


def read_sheet(text: str, *, source: str = "sheet") -> Sheet:
    """Read and check the text of a sheet file; `source` names it in messages.

    Defaults are filled in (tolerances too), every value is converted to stored units, and the numbers of `[as_left]`
    and the units are also kept as they were typed.

    Raises:
        SheetError: with every fault of the file, each naming source, key, value and limit.
    """
    top = Section.of_text(text, source)
    valve, press, name, controls = read_valve(top)
    signal = read_signal(top)
    units = read_units(top)
    as_left, entered = read_as_left(top, units)
    characteristic = read_characteristic(top, units)
    tolerance = read_tolerances(top, units, as_left, characteristic)
    coil = read_coil(top, units)
    check_supply(top, coil, as_left)
    sheet = Sheet(
        valve=valve,
        signal=signal or NO_SIGNAL,
        as_left=as_left,
        tolerance=tolerance,
        press=press,
        name=name,
        controls=controls,
        instruments=read_instruments(top, units),
        coil=coil,
        characteristic=characteristic,
        conditions=read_conditions(top, units),
        revision=read_revision(top),
        entered_units=units,
        entered_as_left=entered,
    )
    _check_log(top)
    top.finish()
    return sheet


def read_units(top: Section) -> dict[str, str]:
    """The `[units]` table: dimension -> symbol, only what the file says."""
    section = top.section("units")
    found: dict[str, str] = {}
    for dimension, units in UNITS.items():
        symbol = section.word(dimension, units)
        if symbol is not None:
            found[dimension] = symbol
    section.close()
    return found


def _check_log(top: Section) -> None:
    """A `[log]` table is no part of the sheet, but a misspelt key in it is a fault of the file all the same."""
    section = top.section("log")
    if section.keys:
        # Imported here because it brings the time zones, which only a log needs.
        from asleft.sheet.logmap import take_log_map

        take_log_map(section)
