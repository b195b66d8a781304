"""Tolerances of a sheet: what it gives, and a documented starting point for what it does not.

| quantity | default | sides judged |
|---|---|---|
| currents | 2 % of the span, at least 10 mA | both |
| ramps | 10 %, at least 0.05 s | both |
| dither frequency | 10 % | both |
| dither amplitude | 25 % | both |
| pressures | 2 % of pressure at full | both |
| hysteresis | 2 points | rise only: less hysteresis is no fault |
| coil resistance | 10 % | both |
| supply voltage | 10 % | low only: the driver regulates a higher one away |
| headroom | at least 10 % | low only, and absolute, see `headroom` below |

A side that is not judged is infinite. Two numbers `[-a, b]` in the file give both sides, `inf` among them where one
is not to be judged. `headroom` has no as-left value: its `below` is the least headroom to be had, in %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from asleft.catalogue.quantities import QUANTITIES, Share, Side
from asleft.sheet.model import Characteristic, Tolerance

#: The least for a pressure of a sheet that does not give the one at full.
PRESSURE_FLOOR_BAR = 0.5

_BASIS: Mapping[Share, str] = {
    Share.OWN: "{:.0%}",
    Share.SPAN: "{:.0%} of the span",
    Share.FULL_PRESSURE: "{:.0%} of pressure at full",
    Share.ABSOLUTE: "{:g}",
}


def default_words(quantity: str) -> str:
    """The default tolerance in words, for pages: "10 %, at least 0.05 s".

    Raises:
        KeyError: no such quantity.
    """
    row = QUANTITIES[quantity]
    usual = row.tolerance
    if row.limits is None:
        return f"at least {usual.size:g} {row.unit}"
    words = _BASIS[usual.of].format(usual.size).replace("%", " %", 1)
    if usual.of is Share.ABSOLUTE:
        words += " points" if row.unit == "%" else f" {row.unit}"
    if usual.floor:
        words += f", at least {usual.floor:g} {row.unit}"
    return words + {Side.BOTH: "", Side.RISE: " more", Side.FALL: " less"}[usual.side]


def one_number(quantity: str, size: float) -> Tolerance:
    """The tolerance a single number stands for: both sides, or the one side that matters for this quantity."""
    side = QUANTITIES[quantity].tolerance.side
    return Tolerance(
        below=math.inf if side is Side.RISE else size,
        above=math.inf if side is Side.FALL else size,
    )


def default_tolerances(
    as_left: Mapping[str, float], characteristic: Characteristic | None = None
) -> dict[str, Tolerance]:
    """One for every quantity in `as_left` (stored units) and for headroom, from the table above.

    Where the span needs a current the sheet does not give, the one it gives stands for the span; where pressure at
    full is not given, the highest pressure the sheet knows stands for it, and at least 0.5 bar is then allowed.
    """
    found = {quantity: one_number(quantity, _size(quantity, as_left, characteristic)) for quantity in as_left}
    for quantity, row in QUANTITIES.items():
        if row.limits is None:
            found[quantity] = one_number(quantity, row.tolerance.size)
    return found


def _size(quantity: str, as_left: Mapping[str, float], characteristic: Characteristic | None) -> float:
    usual = QUANTITIES[quantity].tolerance
    if usual.of is Share.ABSOLUTE:
        return usual.size
    return max(usual.size * _share_of(usual.of, quantity, as_left, characteristic), _floor(quantity, as_left))


def _share_of(of: Share, quantity: str, as_left: Mapping[str, float], characteristic: Characteristic | None) -> float:
    if of is Share.SPAN:
        full = as_left.get("current_at_full", as_left.get("current_at_zero", 0.0))
        return full - (as_left.get("current_at_zero", 0.0) if "current_at_full" in as_left else 0.0)
    if of is Share.FULL_PRESSURE:
        if "pressure_at_full" in as_left:
            return as_left["pressure_at_full"]
        curve: Sequence[float] = characteristic.falling_bar if characteristic else ()
        return max(*curve, as_left[quantity], 0.0)
    return abs(as_left[quantity])


def _floor(quantity: str, as_left: Mapping[str, float]) -> float:
    usual = QUANTITIES[quantity].tolerance
    if usual.of is Share.FULL_PRESSURE and "pressure_at_full" not in as_left:
        return PRESSURE_FLOOR_BAR
    return usual.floor
