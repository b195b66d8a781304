"""Between which ends a number of a sheet is taken: what the reader checks by, and what forms show beside a field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.sheet.names import unit_symbol
from asleft.sheet.units import Unit, unit_named


@dataclass(frozen=True, slots=True)
class Limits:
    """Lowest and highest value taken, in the stored `unit`; `above_low` excludes the lowest itself.

    `difference`: the number is one (an uncertainty), so that the shift of a temperature scale does not apply.
    """

    low: float
    high: float
    unit: str = ""
    above_low: bool = False
    difference: bool = False

    def entered(self, units: Mapping[str, str]) -> Unit:
        """The unit a sheet with these `[units]` enters the number in."""
        return unit_named(self.unit, units)

    def words(self, units: Mapping[str, str]) -> str:
        """As a field shows them, in the sheet's own unit: "0 to 5 A", "above 0, to 500 Hz"."""
        unit = self.entered(units)
        back = unit.difference_from_stored if self.difference else unit.from_stored
        low, high = _figure(back(self.low)), _figure(back(self.high))
        symbol = f" {unit_symbol(unit.symbol)}" if unit.symbol else ""
        return f"above {low}, to {high}{symbol}" if self.above_low else f"{low} to {high}{symbol}"


def _figure(value: float) -> str:
    """Six digits, without powers of ten."""
    return f"{value:.0f}" if abs(value) >= 1e5 else f"{value:.6g}"
