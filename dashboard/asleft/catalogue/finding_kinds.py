"""The kinds of findings: one row each, from which every other table of kinds is made.

Status after NAMUR NE 107. Severity 3 now, 2 this shift, 1 digest. The rows stand in the order in which findings are
told, what may be the cause before what may be its doing: the first one without a cause makes the headline.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.catalogue.parts import Part
from asleft.catalogue.quantities import QUANTITIES
from asleft.catalogue.statuses import Status


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of judged departure.

    `part`, `alternatives`: what usually moved, where nothing tells more. `quantities`: of which it speaks, for marks
    in their history. `from_quantity`: the headline gives the quantity as left and as found, not the evidence.
    `at_once`: its alarm waits for nobody. `danger`: told in every state of the machine. `of_readings`: it speaks of
    the readings and not of the machine, so it stands beside the verdict on a valve. `symptoms`: of the fault
    table, in which a cause must show itself to lead to this kind; `sign`: only values of this sign;
    `own_symptoms`: what tells the cause where several faults are there at once (none: all symptoms). `hangs_under`:
    kinds of which it may be a consequence, most telling first.
    """

    id: str
    words: str  # as lists and letters write it
    status: Status
    severity: int
    part: Part
    alternatives: tuple[Part, ...] = ()
    quantities: tuple[str, ...] = ()
    from_quantity: bool = False
    at_once: bool = False
    danger: bool = False
    of_readings: bool = False
    symptoms: tuple[str, ...] = ()
    sign: str | None = None
    own_symptoms: tuple[str, ...] = ()
    hangs_under: tuple[str, ...] = ()


_OUT, _MAINTAIN, _FAILURE = Status.OUT_OF_SPECIFICATION, Status.MAINTENANCE_REQUIRED, Status.FAILURE

#: What upsets a ramp, a current, a pressure.
_UPSETS_RAMP = ("current-lost", "reading-pinned", "current-unwanted")
_UPSETS_CURRENT = ("command-failed", "current-lost", "reading-pinned", "current-unwanted")
CURRENT_MOVED = ("current-clipped", "current-full-changed", "current-zero-changed")
_UPSETS_PRESSURE = (
    "reading-pinned", "command-failed", "current-lost", "current-unwanted", *CURRENT_MOVED, "coil-changed",
    "dither-lost",  # the spool sticks: lower on the way up, higher on the way down
)  # fmt: skip

_OF_CURRENT = ("command", "currents", "flow", "top", "limit", "following", "idle", "supply", "resistance", "pinned")
_OF_PRESSURE = ("command", "flow", "pressure", "loop", "scatter", "vented", "dither", "pinned")
_OF_RAMP = ("command", "ramps", "flow", "pinned")

_ROWS = (
    FindingKind(
        "current-unwanted", "current nobody asked for", _FAILURE, 3, Part.DRIVER, (Part.CURRENT_SENSOR,),
        at_once=True, danger=True, symptoms=("flow",), hangs_under=("reading-pinned",),
    ),
    FindingKind(
        "pressure-unwanted", "pressure nobody asked for", _FAILURE, 3, Part.VALVE, (Part.PRESSURE_SENSOR,),
        at_once=True, danger=True, symptoms=("pressure",), sign="+", own_symptoms=_OF_PRESSURE,
        hangs_under=("reading-pinned", "current-unwanted", *CURRENT_MOVED),
    ),
    FindingKind(
        "command-failed", "command signal failed", _FAILURE, 3, Part.COMMAND_WIRING, (Part.CONTROLLER,),
        at_once=True, symptoms=("command",),
    ),
    FindingKind(
        "current-lost", "no current although commanded", _FAILURE, 3, Part.COIL_WIRING,
        (Part.COIL, Part.DRIVER, Part.CURRENT_SENSOR),
        at_once=True, symptoms=("flow",), hangs_under=("command-failed", "reading-pinned"),
    ),
    FindingKind(
        "reading-pinned", "a reading stuck or at the end of its range", _FAILURE, 2, Part.DATA, symptoms=("pinned",)
    ),
    FindingKind(
        "supply-low", "supply low", _OUT, 2, Part.SUPPLY,
        quantities=("supply_voltage",), from_quantity=True, symptoms=("supply",),
    ),
    FindingKind(
        "coil-changed", "coil resistance changed", _OUT, 2, Part.COIL, (Part.COIL_WIRING,),
        quantities=("coil_resistance",), symptoms=("resistance",),
    ),
    FindingKind(
        "current-clipped", "current stops short of what is asked", _OUT, 2, Part.COIL, (Part.SUPPLY, Part.DRIVER),
        quantities=("current_at_full", "headroom"), symptoms=("top",), own_symptoms=_OF_CURRENT,
        hangs_under=("current-lost", "reading-pinned", "supply-low"),
    ),
    FindingKind(
        "command-clipped", "command beyond its range", _OUT, 2, Part.CONTROLLER, (Part.COMMAND_WIRING,),
        symptoms=("command",), own_symptoms=("command",),
    ),
    FindingKind(
        "current-full-changed", "current at full changed", _OUT, 2, Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,),
        quantities=("current_at_full",), from_quantity=True, symptoms=("currents",), own_symptoms=_OF_CURRENT,
        hangs_under=(*_UPSETS_CURRENT, "response-changed", "supply-low"),
    ),
    FindingKind(
        "current-zero-changed", "current at zero changed", _OUT, 2, Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,),
        quantities=("current_at_zero",), from_quantity=True, symptoms=("currents",), own_symptoms=_OF_CURRENT,
        hangs_under=(*_UPSETS_CURRENT, "response-changed", "current-full-changed"),
    ),
    FindingKind(
        "ramp-up-changed", "ramp up changed", _OUT, 2, Part.DRIVER_SETTING,
        quantities=("ramp_up",), from_quantity=True, symptoms=("ramps",), own_symptoms=_OF_RAMP,
        hangs_under=(*_UPSETS_RAMP, "response-changed"),
    ),
    FindingKind(
        "ramp-down-changed", "ramp down changed", _OUT, 2, Part.DRIVER_SETTING,
        quantities=("ramp_down",), from_quantity=True, symptoms=("ramps",), own_symptoms=_OF_RAMP,
        hangs_under=(*_UPSETS_RAMP, "response-changed"),
    ),
    FindingKind(
        "dither-lost", "dither lost", _OUT, 2, Part.DRIVER_SETTING, (Part.DRIVER,),
        quantities=("dither_amplitude", "hysteresis"), symptoms=("dither",), hangs_under=("current-lost",),
    ),
    FindingKind(
        "dither-changed", "dither changed", _OUT, 2, Part.DRIVER_SETTING, (Part.DRIVER,),
        quantities=("dither_frequency", "dither_amplitude"), from_quantity=True, symptoms=("dither",),
        hangs_under=("current-lost", "coil-changed"),
    ),
    FindingKind(
        "pressure-clipped", "pressure no longer follows", _OUT, 2, Part.PRESSURE_SOURCE, (Part.VALVE,),
        quantities=("pressure_at_full",), symptoms=("pressure",), own_symptoms=_OF_PRESSURE,
        hangs_under=("reading-pinned", "dither-lost", *CURRENT_MOVED),
    ),
    FindingKind(
        "hysteresis-changed", "hysteresis changed", _OUT, 2, Part.VALVE,
        quantities=("hysteresis",), symptoms=("loop", "pressure", "scatter", "dither"), own_symptoms=_OF_PRESSURE,
        hangs_under=(*_UPSETS_PRESSURE, "response-changed", "pressure-clipped"),
    ),
    FindingKind(
        "pressure-changed", "pressure changed", _OUT, 2, Part.VALVE, (Part.PRESSURE_SOURCE, Part.PRESSURE_SENSOR),
        quantities=("pressure_at_zero", "pressure_at_full"), from_quantity=True,
        symptoms=("pressure", "currents", "top", "scatter"), own_symptoms=_OF_PRESSURE,
        hangs_under=(*_UPSETS_PRESSURE, "response-changed", "hysteresis-changed", "pressure-clipped"),
    ),
    FindingKind(
        "response-changed", "response changed", _MAINTAIN, 1, Part.COIL, (Part.DRIVER,),
        symptoms=("response", "late"), hangs_under=_UPSETS_RAMP,
    ),
    FindingKind(
        "headroom-low", "headroom low", _MAINTAIN, 1, Part.COIL, (Part.SUPPLY,),
        quantities=("headroom",), symptoms=("resistance", "supply"),
        hangs_under=("current-lost", "reading-pinned", "current-clipped", "supply-low", "coil-changed"),
    ),
    FindingKind(
        "model-misfit", "behaves unlike any setting of the sheet", _MAINTAIN, 1, Part.DRIVER, (Part.DATA,),
        hangs_under=(*_UPSETS_RAMP, "response-changed"),
    ),
    FindingKind(
        "data-missing", "data missing", _MAINTAIN, 1, Part.DATA, of_readings=True, symptoms=("readings",)
    ),
    FindingKind("clock-wrong", "clock wrong", _MAINTAIN, 1, Part.DATA, of_readings=True),
)  # fmt: skip

#: In the order in which findings are told.
FINDING_KINDS: Mapping[str, FindingKind] = {kind.id: kind for kind in _ROWS}

#: Quantity -> the kind it leads to when it is out or drifts.
KIND_OF: Mapping[str, str] = {
    quantity.id: quantity.finding for quantity in QUANTITIES.values() if quantity.finding is not None
}
DANGER_KINDS = frozenset(kind.id for kind in FINDING_KINDS.values() if kind.danger)
#: Kinds that speak of the readings, not of the machine.
READING_KINDS = frozenset(kind.id for kind in FINDING_KINDS.values() if kind.of_readings)


def quantities_of(kind: str) -> tuple[str, ...]:
    """Of which quantities a kind of finding speaks; none for a kind of an older release."""
    return FINDING_KINDS[kind].quantities if kind in FINDING_KINDS else ()
