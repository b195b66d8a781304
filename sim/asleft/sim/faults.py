"""What may go wrong with a simulated valve, when it begins and how it grows.

| kind | meaning of `amount` | unit |
|---|---|---|
| ramp-up, ramp-down | change of the driver's ramp time over the full span | s |
| current-at-zero, current-at-full | change of the driver's current at 0 % / 100 % command | A |
| pressure-drift | change of pressure at full command, in proportion to the spring's share (none at 0 %) | bar |
| seat-drift | change of pressure at every command alike | bar |
| current-gain | relative change of every current of the driver (its own measurement has moved) | 1 |
| driver-limited | how far below the full current, as left, the driver's own limit lies | A |
| response-slow | added time constant of the current loop | s |
| dither-lost | share of the dither that is gone, 0 to 1 | 1 |
| dither-frequency | change of the dither's frequency | Hz |
| coil-hot | rise of the air round the coil | K |
| coil-shorted | share of the turns that are short-circuited; from 0.9 on the driver lets no current flow | 1 |
| coil-contact | share of the half seconds in which a loose contact lets no current flow | 1 |
| cable-resistance | rise of the resistance between driver and coil | ohm |
| supply-sag | fall of the supply voltage | V |
| friction-grown | rise of the friction play's half width, dither or not (dirt, wear) | % of I1 - I0 |
| stick-slip | extra current, at most, that breaks a resting spool loose | % of I1 - I0 |
| relief-lowered | fall of the relief valve's setting | bar |
| source-weak | share of its flow and pressure that the pump no longer gives | 1 |
| command-wire-broken | from 0.5 on, the command wire is open | 1 |
| command-offset | shift of the signal on its way to the driver (leakage) | share of its span |
| command-gain | relative change of the signal on its way to the driver (a shunt) | 1 |
| controller-gain | relative change of what the controller asks for | 1 |
| coil-unplugged | from 0.5 on, no current can flow | 1 |
| current-sensor-gain | relative change of the current reading | 1 |
| current-sensor-offset | shift of the current reading | A |
| pressure-sensor-gain | relative change of the pressure reading | 1 |
| pressure-sensor-offset | shift of the pressure reading | bar |
| unwanted-current | current the driver lets flow unasked, at least | A |
| reading-stuck | from 0.5 on, the reading of `channel` stays at its last count | 1 |
| reading-late | by how much the reading of `channel` comes later than the others, at most 2 s | s |
| reading-noisy | relative rise of the noise of `channel` | 1 |

Where the command is read decides what a fault of its wire looks like: at the driver the reading shows it, as
"controller's value" (`Sensor.where` of the command's chain) it does not. A short in the coil takes resistance and
force in proportion, inductance with the square.

That these are the ways in which such a chain fails is common practice of the trade.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

DAY_S = 86_400.0

Shape = Literal["step", "drift", "ramp"]


class FaultKind(StrEnum):
    """Which property departs (see the table above)."""

    RAMP_UP = "ramp-up"
    RAMP_DOWN = "ramp-down"
    CURRENT_AT_ZERO = "current-at-zero"
    CURRENT_AT_FULL = "current-at-full"
    PRESSURE_DRIFT = "pressure-drift"
    SEAT_DRIFT = "seat-drift"
    CURRENT_GAIN = "current-gain"
    DRIVER_LIMITED = "driver-limited"
    RESPONSE_SLOW = "response-slow"
    DITHER_LOST = "dither-lost"
    DITHER_FREQUENCY = "dither-frequency"
    COIL_HOT = "coil-hot"
    COIL_SHORTED = "coil-shorted"
    COIL_CONTACT = "coil-contact"
    CABLE_RESISTANCE = "cable-resistance"
    SUPPLY_SAG = "supply-sag"
    FRICTION_GROWN = "friction-grown"
    STICK_SLIP = "stick-slip"
    RELIEF_LOWERED = "relief-lowered"
    SOURCE_WEAK = "source-weak"
    COMMAND_WIRE_BROKEN = "command-wire-broken"
    COMMAND_OFFSET = "command-offset"
    COMMAND_GAIN = "command-gain"
    CONTROLLER_GAIN = "controller-gain"
    COIL_UNPLUGGED = "coil-unplugged"
    CURRENT_SENSOR_GAIN = "current-sensor-gain"
    CURRENT_SENSOR_OFFSET = "current-sensor-offset"
    PRESSURE_SENSOR_GAIN = "pressure-sensor-gain"
    PRESSURE_SENSOR_OFFSET = "pressure-sensor-offset"
    UNWANTED_CURRENT = "unwanted-current"
    READING_STUCK = "reading-stuck"
    READING_LATE = "reading-late"
    READING_NOISY = "reading-noisy"


#: Faults of one reading, which need the name of its channel.
OF_A_READING = frozenset({FaultKind.READING_STUCK, FaultKind.READING_LATE, FaultKind.READING_NOISY})
#: The longest a reading comes late (s).
LATEST_S = 2.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One departure from as left.

    `onset_s` is unix seconds. Shape "step": `amount` from the onset on. "drift": `amount` per day, without end.
    "ramp": grows linearly to `amount` within `duration_s` and stays there.
    """

    kind: FaultKind
    onset_s: float
    amount: float = 1.0
    shape: Shape = "step"
    duration_s: float = 0.0
    channel: str = ""  # of a stuck, late or noisy reading

    def __post_init__(self) -> None:
        if self.shape not in ("step", "drift", "ramp"):
            raise ValueError(f"shape of a fault must be 'step', 'drift' or 'ramp', not {self.shape!r}")
        if self.shape == "ramp" and self.duration_s <= 0:
            raise ValueError(f"duration_s of a fault that ramps must be above 0 s, not {self.duration_s}")
        if self.kind in OF_A_READING and not self.channel:
            raise ValueError(f"a fault of kind {self.kind.value} needs the name of its channel")
        if self.kind is FaultKind.READING_LATE and not 0.0 <= self.amount <= LATEST_S:
            raise ValueError(f"a reading can come 0 to {LATEST_S:g} s late, not {self.amount}")

    def size(self, time_s: float) -> float:
        """Amount in force at `time_s` (unix seconds); 0 before the onset."""
        since_s = time_s - self.onset_s
        if since_s < 0:
            return 0.0
        if self.shape == "drift":
            return self.amount * since_s / DAY_S
        if self.shape == "ramp":
            return self.amount * min(1.0, since_s / self.duration_s)
        return self.amount

    def constant_over(self, from_s: float, to_s: float) -> bool:
        """Whether `size` is the same at every instant of `from_s`..`to_s`."""
        if to_s < self.onset_s:
            return True
        if self.shape == "step":
            return from_s >= self.onset_s
        return self.shape == "ramp" and from_s >= self.onset_s + self.duration_s


def total(faults: Iterable[Fault], kind: FaultKind, time_s: float) -> float:
    """Sum of the amounts of all faults of `kind` in force at `time_s`."""
    return sum(fault.size(time_s) for fault in faults if fault.kind is kind)
