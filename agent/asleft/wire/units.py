"""The unit a number of a settings file is entered in, beside the unit it is stored in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of entry: stored value = (entered - `shift`) * `multiplier` / `divisor`.

    Multiplier and divisor are kept apart so that 920 mA is stored as exactly what 0.92 A is.
    """

    symbol: str
    multiplier: float = 1.0
    divisor: float = 1.0
    shift: float = 0.0

    def to_stored(self, entered: float) -> float:
        """A value as entered, in the stored unit."""
        return (entered - self.shift) * self.multiplier / self.divisor

    def from_stored(self, stored: float) -> float:
        """A stored value, in this unit."""
        return stored * self.divisor / self.multiplier + self.shift

    def difference_to_stored(self, entered: float) -> float:
        """A difference (tolerance, uncertainty) as entered, in the stored unit: the shift does not apply."""
        return entered * self.multiplier / self.divisor

    def difference_from_stored(self, stored: float) -> float:
        """A stored difference, in this unit."""
        return stored * self.divisor / self.multiplier
