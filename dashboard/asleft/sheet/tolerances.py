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

from asleft.sheet.model import Characteristic, Tolerance

CURRENT_FLOOR_A = 0.010
RAMP_FLOOR_S = 0.05
PRESSURE_FLOOR_BAR = 0.5
HEADROOM_LEAST_PCT = 10.0

#: One number in the file means these sides only.
RISE_ONLY = frozenset({"hysteresis"})
FALL_ONLY = frozenset({"supply_voltage", "headroom"})

_SHARE: Mapping[str, float] = {
    "ramp_up": 0.10,
    "ramp_down": 0.10,
    "dither_frequency": 0.10,
    "dither_amplitude": 0.25,
    "coil_resistance": 0.10,
    "supply_voltage": 0.10,
}


#: The table above in words, for pages.
DEFAULT_WORDS: Mapping[str, str] = {
    "current_at_zero": "2 % of the span, at least 0.01 A",
    "current_at_full": "2 % of the span, at least 0.01 A",
    "ramp_up": "10 %, at least 0.05 s",
    "ramp_down": "10 %, at least 0.05 s",
    "dither_frequency": "10 %",
    "dither_amplitude": "25 %",
    "pressure_at_zero": "2 % of pressure at full",
    "pressure_at_full": "2 % of pressure at full",
    "hysteresis": "2 points more",
    "coil_resistance": "10 %",
    "supply_voltage": "10 % less",
    "headroom": "at least 10 %",
}


def one_number(quantity: str, size: float) -> Tolerance:
    """The tolerance a single number stands for: both sides, or the one side that matters for this quantity."""
    if quantity in RISE_ONLY:
        return Tolerance(below=math.inf, above=size)
    if quantity in FALL_ONLY:
        return Tolerance(below=size, above=math.inf)
    return Tolerance(below=size, above=size)


def default_tolerances(
    as_left: Mapping[str, float], characteristic: Characteristic | None = None
) -> dict[str, Tolerance]:
    """One for every quantity in `as_left` (stored units) and for headroom, from the table above.

    Where the span needs a current the sheet does not give, the one it gives stands for the span; where pressure at
    full is not given, the highest pressure the sheet knows stands for it, and at least 0.5 bar is then allowed.
    """
    found = {quantity: one_number(quantity, _size(quantity, as_left, characteristic)) for quantity in as_left}
    found["headroom"] = one_number("headroom", HEADROOM_LEAST_PCT)
    return found


def _size(quantity: str, as_left: Mapping[str, float], characteristic: Characteristic | None) -> float:
    if quantity in ("current_at_zero", "current_at_full"):
        full = as_left.get("current_at_full", as_left.get("current_at_zero", 0.0))
        zero = as_left.get("current_at_zero", 0.0) if "current_at_full" in as_left else 0.0
        return max(0.02 * (full - zero), CURRENT_FLOOR_A)
    if quantity in ("pressure_at_zero", "pressure_at_full"):
        if "pressure_at_full" in as_left:
            return 0.02 * as_left["pressure_at_full"]
        curve: Sequence[float] = characteristic.falling_bar if characteristic else ()
        return max(0.02 * max(*curve, as_left["pressure_at_zero"], 0.0), PRESSURE_FLOOR_BAR)
    if quantity == "hysteresis":
        return 2.0
    size = _SHARE[quantity] * abs(as_left[quantity])
    return max(size, RAMP_FLOOR_S) if quantity in ("ramp_up", "ramp_down") else size
