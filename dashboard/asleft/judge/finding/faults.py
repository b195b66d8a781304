"""The fault table: what each kind of finding means for the valve's status, how urgent it is, and what usually moved.

Data, in one place. Status after NAMUR NE 107; severity 3 now, 2 this shift, 1 digest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.judge.types import Part, Status


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of finding: its status and severity, the likely part, and what else it may be."""

    status: Status
    severity: int
    part: Part
    alternatives: tuple[Part, ...] = ()


_OUT = Status.OUT_OF_SPECIFICATION

FAULTS: Mapping[str, Fault] = {
    "current-unwanted": Fault(Status.FAILURE, 3, Part.DRIVER, (Part.CURRENT_SENSOR,)),
    "pressure-unwanted": Fault(Status.FAILURE, 3, Part.VALVE, (Part.PRESSURE_SENSOR,)),
    "current-lost": Fault(Status.FAILURE, 3, Part.COIL_WIRING, (Part.COIL, Part.DRIVER, Part.CURRENT_SENSOR)),
    "command-failed": Fault(Status.FAILURE, 3, Part.COMMAND_WIRING, (Part.CONTROLLER,)),
    "reading-pinned": Fault(Status.FAILURE, 2, Part.DATA),
    "current-clipped": Fault(_OUT, 2, Part.COIL, (Part.SUPPLY, Part.DRIVER)),
    "command-clipped": Fault(_OUT, 2, Part.CONTROLLER, (Part.COMMAND_WIRING,)),
    "pressure-clipped": Fault(_OUT, 2, Part.PRESSURE_SOURCE, (Part.VALVE,)),
    "ramp-up-changed": Fault(_OUT, 2, Part.DRIVER_SETTING),
    "ramp-down-changed": Fault(_OUT, 2, Part.DRIVER_SETTING),
    "current-zero-changed": Fault(_OUT, 2, Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,)),
    "current-full-changed": Fault(_OUT, 2, Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,)),
    "dither-lost": Fault(_OUT, 2, Part.DRIVER_SETTING, (Part.DRIVER,)),
    "dither-changed": Fault(_OUT, 2, Part.DRIVER_SETTING, (Part.DRIVER,)),
    "pressure-changed": Fault(_OUT, 2, Part.VALVE, (Part.PRESSURE_SOURCE, Part.PRESSURE_SENSOR)),
    "hysteresis-changed": Fault(_OUT, 2, Part.VALVE),
    "response-changed": Fault(Status.MAINTENANCE_REQUIRED, 1, Part.COIL, (Part.DRIVER,)),
    "coil-changed": Fault(_OUT, 2, Part.COIL, (Part.COIL_WIRING,)),
    "supply-low": Fault(_OUT, 2, Part.SUPPLY),
    "headroom-low": Fault(Status.MAINTENANCE_REQUIRED, 1, Part.COIL, (Part.SUPPLY,)),
    "model-misfit": Fault(Status.MAINTENANCE_REQUIRED, 1, Part.DRIVER, (Part.DATA,)),
    "data-missing": Fault(Status.MAINTENANCE_REQUIRED, 1, Part.DATA),
    "clock-wrong": Fault(Status.MAINTENANCE_REQUIRED, 1, Part.DATA),
}

#: Which finding a quantity leads to when it is out or drifts.
KIND_OF: Mapping[str, str] = {
    "current_at_zero": "current-zero-changed",
    "current_at_full": "current-full-changed",
    "ramp_up": "ramp-up-changed",
    "ramp_down": "ramp-down-changed",
    "dither_frequency": "dither-changed",
    "dither_amplitude": "dither-changed",
    "pressure_at_zero": "pressure-changed",
    "pressure_at_full": "pressure-changed",
    "hysteresis": "hysteresis-changed",
    "coil_resistance": "coil-changed",
    "supply_voltage": "supply-low",
}

_RANK: Mapping[Status, int] = {
    Status.GOOD: 0,
    Status.NOT_JUDGED: 1,
    Status.FUNCTION_CHECK: 2,  # a set-up hides no finding
    Status.MAINTENANCE_REQUIRED: 3,
    Status.OUT_OF_SPECIFICATION: 4,
    Status.FAILURE: 5,
}


def worst(statuses: list[Status]) -> Status:
    """The most serious of some; good for none."""
    return max(statuses, key=lambda s: _RANK[s], default=Status.GOOD)
