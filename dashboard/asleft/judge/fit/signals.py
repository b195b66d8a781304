"""Other ways to read a column than the sheet's: signals a command may be in, units, transmitters, counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.judge.types import FloatArray
from asleft.sheet.model import Signal
from asleft.sheet.units import UNITS


@dataclass(frozen=True, slots=True)
class CommandReading:
    """A command column read in another way: `at_zero` and `at_full` are what the column shows at 0 and 100 %."""

    words: str  # what the column then is, after "the command is"
    at_zero: float
    at_full: float
    same_unit: bool  # as the sheet's signal: then the sheet's ends are wrong, not the column's unit

    def demand(self, command: FloatArray) -> FloatArray:
        """Demand (1: full) of the column as it was read."""
        return (command - self.at_zero) / (self.at_full - self.at_zero)


def command_readings(signal: Signal) -> list[CommandReading]:
    """What a command column may be, other than the sheet says; commonest first.

    Ends of the current loop by IEC 60381-1 (and 0 to 20 mA as IEC 60381-1 names beside it), of voltages by IEC
    60381-2; the rest is common practice.
    """
    milli, volts = signal.unit == "mA", signal.unit == "V"
    away = abs(signal.at_full - signal.at_zero)
    out = [
        CommandReading("in percent", 0.0, 100.0, same_unit=False),
        CommandReading("in volts, 0 to 10 V", 0.0, 10.0, same_unit=volts),
        CommandReading("in milliamperes, 4 to 20 mA", 4.0, 20.0, same_unit=milli),
        CommandReading("in milliamperes, 0 to 20 mA", 0.0, 20.0, same_unit=milli),
        CommandReading("in volts, 0 to 5 V", 0.0, 5.0, same_unit=volts),
        CommandReading("in volts, 1 to 5 V", 1.0, 5.0, same_unit=volts),
        CommandReading("in volts, 2 to 10 V", 2.0, 10.0, same_unit=volts),
        CommandReading("a share from 0 to 1", 0.0, 1.0, same_unit=False),
        CommandReading(
            "in amperes" if milli else "in kilovolts", signal.at_zero / 1e3, signal.at_full / 1e3, same_unit=False
        ),
        CommandReading(
            "in microamperes" if milli else "in millivolts",
            signal.at_zero * 1e3,
            signal.at_full * 1e3,
            same_unit=False,
        ),
        CommandReading("turned round", signal.at_full, signal.at_zero, same_unit=True),
    ]
    return [
        one
        for one in out
        if abs(one.at_zero - signal.at_zero) > 0.01 * away or abs(one.at_full - signal.at_full) > 0.01 * away
    ]


@dataclass(frozen=True, slots=True)
class UnitReading:
    """A column whose numbers are `times` what they would be in the stored unit."""

    times: float
    unit: str  # to be written in the map
    words: str  # after "is it in"


CURRENT_UNITS: tuple[UnitReading, ...] = (
    UnitReading(1e3, "mA", "mA"),
    UnitReading(1e-3, "A", "A, and read as mA"),
)


def pressure_units() -> list[UnitReading]:
    """Units a pressure may be in while it is read as bar, and the other way round."""
    units: Mapping[str, float] = {name: unit.from_stored(1.0) for name, unit in UNITS["pressure"].items()}
    others = [UnitReading(times, name, name) for name, times in units.items() if times != 1.0]
    back = [UnitReading(1.0 / one.times, "bar", f"bar, and read as {one.unit}") for one in others]
    return others + back


#: Transmitters' output signals: at nothing and at full scale, as numbers in the column, and their unit.
TRANSMITTERS: tuple[tuple[float, float, str], ...] = ((4.0, 20.0, "mA"), (0.0, 20.0, "mA"), (0.0, 10.0, "V"))
#: Full scales of pressure transmitters (bar): preferred numbers, as common practice has them.
FULL_SCALES_BAR: tuple[float, ...] = (
    6.0, 10.0, 16.0, 25.0, 40.0, 60.0, 100.0, 160.0, 200.0, 250.0, 315.0, 350.0, 400.0, 500.0, 600.0, 1000.0,
)  # fmt: skip
