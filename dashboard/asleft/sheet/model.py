"""The settings sheet of one valve in one revision, as values in stored units (A, s, Hz, bar, ohm at 20 degC, V, %).

Reading and checking the TOML file is `asleft.sheet.reader`; this module only holds what a checked sheet says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from asleft.catalogue.quantities import QUANTITIES


class SignalKind(StrEnum):
    """How the command travels (IEC 60381-1 current, IEC 60381-2 voltage)."""

    MA_4_20 = "4-20mA"
    V_0_10 = "0-10V"
    V_0_5 = "0-5V"
    EXPLICIT = "explicit"


class MadeBy(StrEnum):
    """Who shapes the command."""

    FIXED_STEPS = "fixed steps"
    CONTROLLER_RAMPS = "controller ramps"
    CLOSED_LOOP = "closed loop outside"


class Where(StrEnum):
    """Where a channel's number comes from; it decides which parts can be told apart."""

    OWN_SENSOR = "sensor in the coil lead"
    MONITOR = "driver's monitor output"
    TERMINALS = "at the driver's terminals"
    CONTROLLER = "controller's value"


@dataclass(frozen=True, slots=True)
class Signal:
    """The command signal: its ends in signal units (mA or V)."""

    kind: SignalKind
    unit: str  # "mA" or "V"
    at_zero: float
    at_full: float
    off_below_pct: float = 0.0
    made_by: MadeBy = MadeBy.FIXED_STEPS

    def demand(self, reading: float) -> float:
        """Demand (0 at zero command, 1 at full command; not clipped) of one reading in signal units."""
        return (reading - self.at_zero) / (self.at_full - self.at_zero)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Permitted departure from as left: from -`below` to +`above`, both in the quantity's unit, both >= 0.

    An infinite side is not judged (one-sided quantities).
    """

    below: float
    above: float


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is known of the measuring chain of one channel. `expanded_uncertainty` is for 95 %, in stored units."""

    where: Where | None = None
    expanded_uncertainty: float | None = None
    low_pass_hz: float | None = None
    range_low: float | None = None
    range_high: float | None = None


@dataclass(frozen=True, slots=True)
class Coil:
    """What headroom needs to know."""

    hot_temperature_degc: float | None = None
    supply_minimum_v: float | None = None
    cable_resistance_ohm: float | None = None
    driver_drop_v: float | None = None
    duty_max: float | None = None
    driver_limit_a: float | None = None  # the driver's own highest current


@dataclass(frozen=True, slots=True)
class Characteristic:
    """Pressure against coil current, recorded at commissioning; both branches at the same currents (ascending)."""

    current_a: tuple[float, ...]
    rising_bar: tuple[float, ...]
    falling_bar: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Conditions:
    """In which the valve was left, and outside which pressure is not judged."""

    oil_temperature_degc: tuple[float, float] | None = None
    #: Command range (in %) in which the valve is known to be in control of the pressure, if the sheet says so.
    in_control_command_pct: tuple[float, float] | None = None
    #: Meanings of the `mode` channel's small integers.
    producing_modes: tuple[int, ...] = (1,)
    set_up_modes: tuple[int, ...] = (2,)
    in_control_modes: tuple[int, ...] = ()
    #: Of the air round the valve: what a coil that has stood for hours has.
    ambient_temperature_degc: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Revision:
    """Which issue of the sheet this is, and who made it when and why."""

    number: int = 1
    at: datetime | None = None  # aware, UTC
    by: str = ""
    why: str = ""


#: The quantities a sheet may carry, in the order every screen shows them, with their stored units.
QUANTITY_UNITS: Mapping[str, str] = {quantity.id: quantity.unit for quantity in QUANTITIES.values()}


@dataclass(frozen=True, slots=True)
class Sheet:
    """The commissioned settings of one valve, checked, defaults filled in, in stored units."""

    valve: str
    signal: Signal
    as_left: Mapping[str, float]  # quantity -> value in stored units; absent: not judged
    tolerance: Mapping[str, Tolerance]  # one for every quantity in as_left, defaults applied, and for headroom
    press: str = ""
    name: str = ""
    controls: str = "pressure"  # or "flow"
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    coil: Coil = Coil()
    characteristic: Characteristic | None = None
    conditions: Conditions = Conditions()
    revision: Revision = Revision()
    entered_units: Mapping[str, str] = field(default_factory=dict)  # of the file, e.g. {"pressure": "psi"}
    entered_as_left: Mapping[str, float] = field(default_factory=dict)  # the numbers as they were typed

    @property
    def label(self) -> str:
        """Short human name: press and valve name, else the id."""
        return " ".join(part for part in (self.press, self.name) if part) or self.valve
