"""In which unit a visitor reads pressure: bar, psi or MPa. What is stored, judged and written in sentences stays bar.

The choice is a cookie of the browser, so that two people at one plant each read what they are used to.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from asleft.sheet.model import QUANTITY_UNITS, Tolerance
from asleft.sheet.names import (
    decimals_for,
    format_number,
    format_tolerance,
    format_uncertainty,
    unit_symbol,
    with_minus,
)
from asleft.sheet.units import UNITS
from flask import has_request_context, request

COOKIE = "asleft_pressure"
KEPT_S = 400 * 86_400
"""How long a browser keeps the choice: the longest that browsers allow."""

#: Digits after the point, so that every unit resolves about a tenth of a bar.
_DECIMALS: Mapping[str, int] = {"bar": 1, "psi": 0, "MPa": 2}
CHOICES: tuple[str, ...] = tuple(_DECIMALS)

_NOTES: Mapping[str, str] = {
    unit: f"Pressures are shown in {unit}; sentences and evidence keep the bar they were judged in."
    for unit in CHOICES
}


@dataclass(frozen=True, slots=True)
class Pressures:
    """How pressures are shown. `unit` is one of `CHOICES`."""

    unit: str

    def pressure(self, bar: float) -> float:
        """A pressure, or a difference of two, given in bar, as a number in this unit.

        1 bar is 0.1 MPa exactly; 1 psi is 0.06894757 bar (NIST SP 811, B.8).
        """
        return UNITS["pressure"][self.unit].from_stored(bar)

    def figure(self, bar: float | None) -> str:
        """A pressure given in bar without its unit, "3046"; an en dash where there is none."""
        if bar is None or not math.isfinite(bar):
            return "–"
        text = f"{self.pressure(bar):.{_DECIMALS[self.unit]}f}"
        return text.removeprefix("-") if float(text) == 0.0 else with_minus(text)

    def text(self, bar: float | None) -> str:
        """A pressure given in bar with its unit, "210.0 bar", "3046 psi", "21.00 MPa"; an en dash where none."""
        text = self.figure(bar)
        return text if text == "–" else f"{text} {self.unit}"

    @property
    def note(self) -> str:
        """What has to be said once where sentences stand beside values in another unit; empty for bar."""
        return "" if self.unit == "bar" else _NOTES[self.unit]

    # ---- any quantity of a sheet: pressures in this unit, all else as it is stored

    def shown(self, quantity: str, value: float) -> float:
        """A value or a difference of a quantity, as a number in the unit it is shown in."""
        return self.pressure(value) if _is_pressure(quantity) else value

    def unit_of(self, quantity: str) -> str:
        """The unit a quantity is shown in, as printed.

        Raises:
            KeyError: `quantity` is not one of `QUANTITY_UNITS`.
        """
        return self.unit if _is_pressure(quantity) else unit_symbol(QUANTITY_UNITS[quantity])

    def number(self, quantity: str, value: float | None) -> str:
        """A stored value without its unit, as it is printed; an en dash where there is none."""
        return self.figure(value) if _is_pressure(quantity) else format_number(quantity, value)

    def quantity(self, quantity: str, value: float | None) -> str:
        """A stored value with its unit, as it is printed; an en dash where there is none."""
        text = self.number(quantity, value)
        return text if text == "–" else f"{text} {self.unit_of(quantity)}"

    def rate(self, quantity: str, per_day: float) -> str:
        """How much a stored quantity moves in a day, signed, two significant digits, with its unit."""
        moved = self.shown(quantity, per_day)
        decimals = max(0, 1 - math.floor(math.log10(abs(moved)))) if moved else 0
        return with_minus(f"{moved:+.{decimals}f} {self.unit_of(quantity)}")

    def uncertainty(self, quantity: str, value: float | None) -> str:
        """Two significant digits without unit, of a stored uncertainty: "±0.50"; an en dash where there is none."""
        return plus_minus(None if value is None else self.shown(quantity, value))

    def tolerance(self, quantity: str, tolerance: Tolerance) -> str:
        """Both sides without unit, "±4.2", of a stored tolerance."""
        below, above = self.shown(quantity, tolerance.below), self.shown(quantity, tolerance.above)
        return format_tolerance(Tolerance(below, above))

    def tolerance_text(self, quantity: str, tolerance: Tolerance) -> str:
        """Both sides of a stored tolerance with their unit, "±4.2 bar", "−2.4 V only"."""
        figures, only, _ = self.tolerance(quantity, tolerance).partition(" only")
        return f"{figures} {self.unit_of(quantity)}{only}"

    def decimals(self, quantity: str, value: float) -> int:
        """Digits after the point that a stored value of a quantity is shown with."""
        return _DECIMALS[self.unit] if _is_pressure(quantity) else decimals_for(quantity, value)


BAR = Pressures("bar")


def chosen(word: str | None) -> Pressures:
    """The choice of that name; bar where there is no such choice, whatever a cookie may hold."""
    return Pressures(word) if word in CHOICES else BAR


def current() -> Pressures:
    """The choice of whoever asks; bar where nobody does, as on paper made by a command."""
    return chosen(request.cookies.get(COOKIE)) if has_request_context() else BAR


def plus_minus(uncertainty: float | None) -> str:
    """As an uncertainty stands in a column of its own: "±0.50", an en dash where there is none."""
    text = format_uncertainty(uncertainty)
    return text if text == "–" else f"±{text}"


def _is_pressure(quantity: str) -> bool:
    return QUANTITY_UNITS[quantity] == "bar"
