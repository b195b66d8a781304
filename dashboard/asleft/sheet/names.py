"""What people read: one human name per quantity, and numbers with as many digits as the shop floor uses.

Terminal, pages and reports take their words from here, so that one thing has one name everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from asleft.catalogue.quantities import QUANTITIES
from asleft.sheet.model import QUANTITY_UNITS, Tolerance

#: Full names, for tables and sentences ("Ramp up takes 2.1 s").
LABELS: Mapping[str, str] = {quantity.id: quantity.label for quantity in QUANTITIES.values()}
#: At most two short words, for the deviation strip, where a column has little room.
SHORT_LABELS: Mapping[str, str] = {quantity.id: quantity.short_label for quantity in QUANTITIES.values()}
#: One line each: what the number is, for help texts and tool tips.
EXPLANATIONS: Mapping[str, str] = {quantity.id: quantity.explanation for quantity in QUANTITIES.values()}

#: How units are printed.
UNIT_SYMBOLS: Mapping[str, str] = {"ohm": "Ω", "degC": "°C", "degF": "°F"}

_DECIMALS: Mapping[str, int] = {"A": 3, "s": 2, "Hz": 1, "bar": 1, "%": 1, "ohm": 2, "V": 1, "degC": 1}


def unit_symbol(unit: str) -> str:
    """The unit as printed: "ohm" becomes Ω, most stay as they are."""
    return UNIT_SYMBOLS.get(unit, unit)


def decimals_for(quantity: str, value: float) -> int:
    """Digits after the point for a value of this quantity: mA, 0.1 bar, 0.01 s (below 1 s: ms)."""
    unit = QUANTITY_UNITS[quantity]
    decimals = _DECIMALS[unit]
    if unit == "s" and abs(value) < 1.0:
        decimals += 1
    return decimals


def format_number(quantity: str, value: float | None, *, signed: bool = False) -> str:
    """A value without its unit, "1.20"; an en dash where there is none. `signed` forces a plus sign."""
    if value is None or math.isnan(value):
        return "–"
    text = f"{value:{'+' if signed else ''}.{decimals_for(quantity, value)}f}"
    return text.replace("-0.", "0.", 1) if float(text) == 0.0 else with_minus(text)


def with_minus(number: str) -> str:
    """A number as Python writes it, with a minus sign in place of the hyphen."""
    return number.replace("-", "−")


def format_quantity(quantity: str, value: float | None, *, signed: bool = False) -> str:
    """A value with its unit, "1.20 s"; an en dash where there is none.

    Raises:
        KeyError: `quantity` is not one of `QUANTITY_UNITS`.
    """
    number = format_number(quantity, value, signed=signed)
    return number if number == "–" else f"{number} {unit_symbol(QUANTITY_UNITS[quantity])}"


#: Digits more than usual that two values may get so that what is between them can be read.
_MOST_EXTRA_DECIMALS = 3
#: How much of a difference may be lost to rounding of the two values it is read from (share).
_LOST_TO_ROUNDING = 0.25


def format_pair(quantity: str, now: float | None, was: float | None) -> tuple[str, str]:
    """Two values of a quantity with their unit, with digits enough to read the difference off them.

    Both get the usual digits, and up to three more where these would round away a quarter of the difference.

    Raises:
        KeyError: `quantity` is not one of `QUANTITY_UNITS`.
    """
    if now is None or was is None or not (math.isfinite(now) and math.isfinite(was)):
        return format_quantity(quantity, now), format_quantity(quantity, was)
    usual = max(decimals_for(quantity, now), decimals_for(quantity, was))
    decimals = decimals_showing(now, was, usual)
    if decimals == usual:
        return format_quantity(quantity, now), format_quantity(quantity, was)
    unit = unit_symbol(QUANTITY_UNITS[quantity])
    return with_minus(f"{now:.{decimals}f} {unit}"), with_minus(f"{was:.{decimals}f} {unit}")


def decimals_showing(now: float, was: float, usual: int) -> int:
    """Digits after the point, `usual` or up to three more, at which the difference of two values can be read."""
    for decimals in range(usual, usual + _MOST_EXTRA_DECIMALS):
        shown = round(now, decimals) - round(was, decimals)
        if abs(shown - (now - was)) <= _LOST_TO_ROUNDING * abs(now - was):
            return decimals
    return usual + _MOST_EXTRA_DECIMALS


def format_bar(value: float, beside: float | None = None) -> str:
    """A pressure in whole bar, with digits where these would hide it or its difference from `beside`."""
    usual = 0 if abs(value) >= 10.0 else 1 if abs(value) >= 1.0 else 2
    return with_minus(f"{value:.{usual if beside is None else decimals_showing(value, beside, usual)}f} bar")


def format_rate(quantity: str, per_day: float) -> str:
    """How much a quantity moves in a day, without sign, with its unit: two significant digits, never zero."""
    size = abs(per_day)
    decimals = max(0, 1 - math.floor(math.log10(size))) if size > 0.0 else 0
    return f"{size:.{decimals}f} {unit_symbol(QUANTITY_UNITS[quantity])}"


def counted(count: int, noun: str) -> str:
    """A count with its noun: "1 reading", "1,204 readings"."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


#: Nouns and verbs of reasons for which cells are not used, of several and of one; the first that is found counts.
_ONE_OF = (("rows", "row"), ("cells that are", "cell that is"), ("cells", "cell"), ("times", "time"))


def counted_reason(count: int, reason: str) -> str:
    """A count before a reason that is worded for several: "1 cell that is no number", "12 empty cells"."""
    if count == 1:
        several, one = next(((many, one) for many, one in _ONE_OF if many in reason), ("", ""))
        reason = reason.replace(several, one, 1)
    return f"{count:,} {reason}"


def format_uncertainty(value: float | None) -> str:
    """Two significant digits, as uncertainties are stated (JCGM 100, 7.2.6), without unit; en dash where unknown.

    Below a millionth (readings that never moved by a count) it says only that.
    """
    if value is None or not math.isfinite(value):
        return "–"
    if abs(value) < 1e-6:
        return "<0.000001" if value else "0"
    decimals = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}"


def format_tolerance(tolerance: Tolerance) -> str:
    """Without unit: "±0.12", "−5/+8", or where one side alone is judged "+2 only" and "−2.4 only"."""
    below, above = tolerance.below, tolerance.above
    if math.isinf(below) and math.isinf(above):
        return "–"
    if math.isinf(below):
        return f"+{above:.3g} only"
    if math.isinf(above):
        return f"−{below:.3g} only"
    if below == above:
        return f"±{above:.3g}"
    return f"−{below:.3g}/+{above:.3g}"


def format_used(percent: float | None) -> str:
    """Tolerance used with its sign, "+43 %", "−6 %", "0 %"; en dash where unknown."""
    if percent is None or not math.isfinite(percent):
        return "–"
    whole = round(percent)
    return with_minus(f"{whole:+d} %") if whole else "0 %"


def plain(word: str) -> str:
    """A code word as people read it: "driver-setting" becomes "driver setting"."""
    return word.replace("-", " ").replace("_", " ")
