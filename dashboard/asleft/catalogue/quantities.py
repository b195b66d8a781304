"""The quantities of a sheet: one row each, from which every other table of quantities is made.

A new quantity is a row here, a row in `finding_kinds` for what it leads to when it is out (unless a kind that exists
says it), and its estimate in `asleft.judge.estimates`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Side(StrEnum):
    """Which departures one tolerance number judges."""

    BOTH = "both"
    RISE = "rise"  # less is no fault
    FALL = "fall"  # more is no fault


class Share(StrEnum):
    """What the default tolerance is a share of."""

    OWN = "own"  # the value as left
    SPAN = "span"  # current at full minus current at zero
    FULL_PRESSURE = "pressure at full"
    ABSOLUTE = "absolute"  # the number itself, in the quantity's unit


@dataclass(frozen=True, slots=True)
class DefaultTolerance:
    """Tolerance of a sheet that gives none: `size` times what it is a share of, and not less than `floor`."""

    size: float
    of: Share = Share.OWN
    floor: float = 0.0
    side: Side = Side.BOTH


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number a valve is left at, or one computed from such numbers.

    `limits`: lowest and highest value taken, in `unit`; `above_low`: the lowest itself is not taken. None: never
    entered, always computed. `finding`: the kind it leads to when it is out or drifts, None: none of its own.
    """

    id: str
    unit: str  # stored; the same in files, messages, stores and screens
    label: str  # in tables and sentences ("Ramp up takes 2.1 s")
    short_label: str  # at most two short words, for the deviation strip
    explanation: str  # one line, for help texts and tool tips
    tolerance: DefaultTolerance
    limits: tuple[float, float] | None
    finding: str | None
    example: float = 0.0  # in the template of a new sheet
    above_low: bool = False


#: Highest values taken: no driver of a proportional valve gives more (common practice).
CURRENT_LIMIT_A = 5.0
PRESSURE_LIMIT_BAR = 1000.0
#: 12, 24 and 48 V are in use (common practice); 48 V with 20 % above it, as batteries are charged, still counts.
SUPPLY_LIMITS_V = (9.0, 60.0)

_CURRENT = DefaultTolerance(0.02, Share.SPAN, floor=0.010)
_RAMP = DefaultTolerance(0.10, floor=0.05)
_PRESSURE = DefaultTolerance(0.02, Share.FULL_PRESSURE)

_ROWS = (
    Quantity("current_at_zero", "A", "current at zero", "zero current", "coil current at 0 % command",
             _CURRENT, (0.0, CURRENT_LIMIT_A), "current-zero-changed", 0.18),
    Quantity("current_at_full", "A", "current at full", "full current", "coil current at 100 % command",
             _CURRENT, (0.0, CURRENT_LIMIT_A), "current-full-changed", 0.92, above_low=True),
    Quantity("ramp_up", "s", "ramp up", "ramp up", "time the driver takes from 0 to 100 % command",
             _RAMP, (0.0, 600.0), "ramp-up-changed", 1.2),  # 0 means none
    Quantity("ramp_down", "s", "ramp down", "ramp down", "time the driver takes from 100 to 0 % command",
             _RAMP, (0.0, 600.0), "ramp-down-changed", 2.0),
    Quantity("dither_frequency", "Hz", "dither frequency", "dither rate",
             "frequency of the ripple that keeps the spool from sticking",
             DefaultTolerance(0.10), (20.0, 500.0), "dither-changed", 150.0),
    Quantity("dither_amplitude", "A", "dither amplitude", "dither size", "size of that ripple, peak to peak",
             DefaultTolerance(0.25), (0.0, CURRENT_LIMIT_A), "dither-changed", 0.12, above_low=True),
    Quantity("pressure_at_zero", "bar", "pressure at zero", "zero pressure",
             "gauge pressure at 0 % command, arriving from above",
             _PRESSURE, (0.0, PRESSURE_LIMIT_BAR), "pressure-changed", 12.0),
    Quantity("pressure_at_full", "bar", "pressure at full", "full pressure",
             "gauge pressure at 100 % command, arriving from below",
             _PRESSURE, (0.0, PRESSURE_LIMIT_BAR), "pressure-changed", 210.0, above_low=True),
    Quantity("hysteresis", "%", "hysteresis", "hysteresis",
             "largest difference of current at equal pressure, rising against falling, in % of the current span",
             DefaultTolerance(2.0, Share.ABSOLUTE, side=Side.RISE), (0.0, 50.0), "hysteresis-changed", 3.0),
    Quantity("coil_resistance", "ohm", "coil resistance", "coil ohms", "of the winding at 20 °C",
             DefaultTolerance(0.10), (0.0, 1000.0), "coil-changed", 11.0, above_low=True),
    # a higher supply the driver regulates away
    Quantity("supply_voltage", "V", "supply voltage", "supply volts", "at the driver's supply terminals",
             DefaultTolerance(0.10, side=Side.FALL), SUPPLY_LIMITS_V, "supply-low", 24.0),
    Quantity("headroom", "%", "headroom", "headroom",
             "current still to be had above the full-command current before supply and coil run out",
             DefaultTolerance(10.0, Share.ABSOLUTE, side=Side.FALL), None, None),  # told by a rule of its own
)  # fmt: skip

#: In the order every screen shows them.
QUANTITIES: Mapping[str, Quantity] = {quantity.id: quantity for quantity in _ROWS}
