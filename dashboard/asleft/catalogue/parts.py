"""The parts of a machine that may have moved: how a sentence names each, and what to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Part(StrEnum):
    """What may have moved."""

    COMMAND_WIRING = "command-wiring"
    DRIVER_SETTING = "driver-setting"
    DRIVER = "driver"
    SUPPLY = "supply"
    COIL = "coil"
    COIL_WIRING = "coil-wiring"
    VALVE = "valve"
    PRESSURE_SOURCE = "pressure-source"
    CURRENT_SENSOR = "current-sensor"
    PRESSURE_SENSOR = "pressure-sensor"
    CONTROLLER = "controller"
    DATA = "data"


#: Parts as every sentence and page names them.
PART_WORDS: Mapping[str, str] = {
    Part.COMMAND_WIRING: "the command wiring",
    Part.DRIVER_SETTING: "the driver's setting",
    Part.DRIVER: "the driver",
    Part.SUPPLY: "the supply",
    Part.COIL: "the coil",
    Part.COIL_WIRING: "the coil wiring",
    Part.VALVE: "the valve",
    Part.PRESSURE_SOURCE: "the pressure source",
    Part.CURRENT_SENSOR: "the current sensor",
    Part.PRESSURE_SENSOR: "the pressure sensor",
    Part.CONTROLLER: "the controller",
    Part.DATA: "the data path",
}

#: What to look at first; for all but the data path after "With the press made safe, ".
LOOK_FIRST: Mapping[str, str] = {
    Part.COMMAND_WIRING: (
        "check the command pair from the controller's output to the driver: terminals, shield, polarity, and the "
        "signal at the driver's own input."
    ),
    Part.DRIVER_SETTING: (
        "compare what is dialled at the driver with the sheet. If it was changed on purpose, enter a new revision of "
        "the sheet."
    ),
    Part.DRIVER: (
        "measure command in and coil current out at the driver's terminals, and look for a fault lamp and for heat."
    ),
    Part.SUPPLY: (
        "measure the supply at the driver's terminals under load, then the fuse, the terminals and the load shared "
        "with other drivers."
    ),
    Part.COIL: (
        "measure the coil's resistance cold, against the sheet; look for oil in the connector and a hot winding."
    ),
    Part.COIL_WIRING: (
        "check plug, crimp and cable between driver and coil, moving the cable while measuring resistance."
    ),
    Part.VALVE: "look at the oil's cleanliness and temperature, then the valve: silt, worn seat, tired spring.",
    Part.PRESSURE_SOURCE: (
        "check pump, relief valve and filter: is the pressure asked for there at the inlet at all?"
    ),
    Part.CURRENT_SENSOR: "compare the recorded current with a clamp meter at zero and at full command.",
    Part.PRESSURE_SENSOR: ("read the sensor with the line vented, where it must show zero, and against a gauge."),
    Part.CONTROLLER: "look at what the controller's programme commands in this phase, and whether it was changed.",
    Part.DATA: "check agent, network and clock on the health page before touching the press.",
}
