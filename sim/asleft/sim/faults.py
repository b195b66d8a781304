"""What may go wrong with a simulated valve, when it begins and how it grows.

| kind | meaning of `amount` | unit |
|---|---|---|
| ramp-up, ramp-down | change of the driver's ramp time over the full span | s |
| current-at-zero, current-at-full | change of the driver's current at 0 % / 100 % command | A |
| pressure-drift | change of pressure at full command, in proportion to the spring's share (none at 0 %) | bar |
| seat-drift | change of pressure at every command alike | bar |
| dither-lost | share of the dither that is gone, 0 to 1 | 1 |
| coil-hot | rise of the air round the coil | K |
| supply-sag | fall of the supply voltage | V |
| relief-lowered | fall of the relief valve's setting | bar |
| command-wire-broken | from 0.5 on, the command wire is open | 1 |
| coil-unplugged | from 0.5 on, no current can flow | 1 |
| current-sensor-gain | relative change of the current reading | 1 |
| pressure-sensor-offset | shift of the pressure reading | bar |
| unwanted-current | current the driver lets flow unasked, at least | A |
| reading-stuck | from 0.5 on, the reading of `channel` stays at its last count | 1 |

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
    DITHER_LOST = "dither-lost"
    COIL_HOT = "coil-hot"
    SUPPLY_SAG = "supply-sag"
    RELIEF_LOWERED = "relief-lowered"
    COMMAND_WIRE_BROKEN = "command-wire-broken"
    COIL_UNPLUGGED = "coil-unplugged"
    CURRENT_SENSOR_GAIN = "current-sensor-gain"
    PRESSURE_SENSOR_OFFSET = "pressure-sensor-offset"
    UNWANTED_CURRENT = "unwanted-current"
    READING_STUCK = "reading-stuck"


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
    channel: str = ""  # of a stuck reading

    def __post_init__(self) -> None:
        if self.shape not in ("step", "drift", "ramp"):
            raise ValueError(f"shape of a fault must be 'step', 'drift' or 'ramp', not {self.shape!r}")
        if self.shape == "ramp" and self.duration_s <= 0:
            raise ValueError(f"duration_s of a fault that ramps must be above 0 s, not {self.duration_s}")
        if self.kind is FaultKind.READING_STUCK and not self.channel:
            raise ValueError("a stuck reading needs the name of its channel")

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
