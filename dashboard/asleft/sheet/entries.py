"""Every key of a sheet that a form offers: where it stands, how it is written, between which limits.

A name is the key with its table, joined by two underscores ("coil__hot_temperature"); a setting of `[as_left]` is
named by itself. A pair of numbers is two entries, `low` and `high`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from asleft.catalogue.quantities import CURRENT_LIMIT_A, PRESSURE_LIMIT_BAR
from asleft.sheet.as_left import LIMITS, limits_of
from asleft.sheet.conditions import CONDITION_LIMITS, MODE_LIMIT
from asleft.sheet.equipment import COIL_LIMITS, INSTRUMENT_CHANNELS, LOW_PASS, uncertainty_limits
from asleft.sheet.limits import Limits
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, Where
from asleft.sheet.names import EXPLANATIONS, LABELS
from asleft.sheet.signal import ENDS, OFF_BELOW, SIGNAL_LIMITS
from asleft.sheet.units import stored_unit

_SIGNAL_ENDS = Limits(-SIGNAL_LIMITS["mA"], SIGNAL_LIMITS["mA"])


NO_LIMITS = Limits(0.0, 0.0)


class Form(StrEnum):
    """How a value is written."""

    TEXT = "text"
    NUMBER = "number"
    CHOICE = "choice"
    TOLERANCE = "tolerance"  # one number, or two as -a / b
    NUMBERS = "numbers"
    INTEGERS = "integers"


@dataclass(frozen=True, slots=True)
class Entry:
    """One field. `table` is dotted, empty for none; `end` is 0 or 1 for the ends of a pair."""

    table: str
    key: str
    label: str
    form: Form
    limits: Limits = NO_LIMITS
    hint: str = ""
    choices: tuple[str, ...] = ()
    end: int | None = None

    @property
    def name(self) -> str:
        """Of the field."""
        if self.table == "as_left":
            return self.key
        path = [*self.table.split("."), self.key, *([] if self.end is None else ["low" if self.end == 0 else "high"])]
        return "__".join(path)

    @property
    def in_signal_unit(self) -> bool:
        """Whether it is a reading of the command, in mA or V as the signal is."""
        return self.table == "instrument.command" and self.key in ("expanded_uncertainty", "range")

    @property
    def path(self) -> str:
        """The key with its table, as faults name it."""
        return f"{self.table}.{self.key}"


@dataclass(frozen=True, slots=True)
class Group:
    """Entries that stand together. `fold`: on a page it is opened only where something is in it."""

    key: str
    title: str
    note: str
    entries: tuple[Entry, ...]
    fold: bool = False


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _pair(table: str, key: str, label: str, limits: Limits, hint: str = "") -> tuple[Entry, Entry]:
    return (
        Entry(table, key, f"{label}, from", Form.NUMBER, limits, hint, end=0),
        Entry(table, key, f"{label}, to", Form.NUMBER, limits, end=1),
    )


VALVE = Group(
    "valve",
    "Which valve",
    "Labels for people; the id is never changed.",
    (
        Entry("valve", "press", "Press", Form.TEXT, hint="where it is, at most 80 characters"),
        Entry("valve", "name", "Valve", Form.TEXT, hint="which valve on that press, at most 80 characters"),
        Entry("valve", "controls", "Controls", Form.CHOICE, choices=("pressure", "flow")),
    ),
)
SIGNAL = Group(
    "signal",
    "Command signal",
    "What the driver receives. Ends only for a part of a range, an inverted one, or another signal.",
    (
        Entry("signal", "kind", "Kind", Form.CHOICE, choices=("", *(kind.value for kind in ENDS)),
              hint="none: give unit and both ends"),
        Entry("signal", "unit", "Unit", Form.CHOICE, choices=("", "mA", "V"), hint="of the ends, without a kind"),
        Entry("signal", "at_zero", "Signal at 0 %", Form.NUMBER, _SIGNAL_ENDS, "mA or V, at most 24 mA or 12 V"),
        Entry("signal", "at_full", "Signal at 100 %", Form.NUMBER, _SIGNAL_ENDS, "may be the lower of the two"),
        Entry("signal", "off_below", "Switches off below", Form.NUMBER, OFF_BELOW, "command; 0: never"),
        Entry("signal", "made_by", "Made by", Form.CHOICE, choices=tuple(made.value for made in MadeBy)),
    ),
)  # fmt: skip
AS_LEFT = Group(
    "as_left",
    "As left",
    "What the driver is set to and the valve gives. An empty field: not judged.",
    tuple(
        Entry(
            "as_left", quantity, _capital(LABELS[quantity]), Form.NUMBER, limits_of(quantity), EXPLANATIONS[quantity]
        )
        for quantity in LIMITS
    ),
)
TOLERANCE = Group(
    "tolerance",
    "Tolerances",
    "How far a value may be from as left: one number, or two as -0.1 / 0.2. An empty field: the default.",
    tuple(
        Entry(
            "tolerance", quantity, f"{_capital(LABELS[quantity])}, tolerance", Form.TOLERANCE, Limits(0.0, 0.0, unit)
        )
        for quantity, unit in QUANTITY_UNITS.items()
    ),
    fold=True,
)
COIL = Group(
    "coil",
    "Coil and driver",
    "For headroom: what is left when the coil is hot and the supply low.",
    tuple(
        Entry("coil", key, label, Form.NUMBER, COIL_LIMITS[key], hint)
        for key, label, hint in (
            ("hot_temperature", "Hot winding", "the hottest it gets"),
            ("supply_minimum", "Lowest supply", "not above the supply voltage as left"),
            ("cable_resistance", "Cable resistance", "both leads"),
            ("driver_drop", "Lost in the driver", "at full output"),
            ("duty_max", "Largest share passed on", "of the supply, by the driver"),
            ("driver_limit", "Driver's highest current", "its own limit"),
        )
    ),
    fold=True,
)
CONDITIONS = Group(
    "conditions",
    "Conditions",
    "In which the valve was left, and outside which pressure is not judged. Mode numbers only with a mode channel.",
    (
        *_pair("conditions", "oil_temperature", "Oil", CONDITION_LIMITS["oil_temperature"]),
        *_pair("conditions", "ambient_temperature", "Air round the valve", CONDITION_LIMITS["ambient_temperature"],
               "what a coil has that stood for hours"),
        *_pair("conditions", "in_control_command", "In control, command", CONDITION_LIMITS["in_control_command"],
               "where the valve, and not the load, makes the pressure"),
        *(
            Entry("mode", key, label, Form.INTEGERS, Limits(0, MODE_LIMIT), f"{hint}; whole numbers, as 1 4")
            for key, label, hint in (
                ("producing", "Modes of production", "1 where not given"),
                ("set_up", "Modes of set-up", "2 where not given"),
                ("in_control", "Modes in control", "in which the valve makes the pressure"),
            )
        ),
    ),
    fold=True,
)  # fmt: skip
CHARACTERISTIC = Group(
    "characteristic",
    "Characteristic",
    "A slow sweep up and down, recorded when the valve was left: as many pressures either way as currents.",
    tuple(
        Entry(
            "characteristic", key, label, Form.NUMBERS, Limits(0.0, high, unit), "numbers with a space between them"
        )
        for key, label, high, unit in (
            ("current", "Currents, ascending", CURRENT_LIMIT_A, "A"),
            ("rising", "Pressures on the way up", PRESSURE_LIMIT_BAR, "bar"),
            ("falling", "Pressures on the way down", PRESSURE_LIMIT_BAR, "bar"),
        )
    ),
    fold=True,
)

_CHANNEL_WORDS: Mapping[str, str] = {
    "command": "command reading",
    "current": "current reading",
    "pressure": "pressure reading",
    "supply": "supply reading",
    "coil_voltage": "coil voltage reading",
    "oil_temperature": "oil temperature reading",
}


def channel_unit(channel: str) -> str:
    """What a channel's readings are stored in; empty for the command, which is in the signal's unit."""
    dimension = INSTRUMENT_CHANNELS[channel]
    return stored_unit(dimension).symbol if dimension else "" if channel == "command" else "V"


def _instrument(channel: str) -> Group:
    table, unit = f"instrument.{channel}", channel_unit(channel)
    ends = Limits(-1e5, 1e5, unit)
    return Group(
        f"instrument__{channel}",
        f"Instrument: {_CHANNEL_WORDS[channel]}",
        "Where its number comes from decides which parts can be told apart; without an uncertainty every verdict is "
        "repeatability only.",
        (
            Entry(table, "where", "Where", Form.CHOICE, choices=("", *(where.value for where in Where))),
            Entry(table, "expanded_uncertainty", "Expanded uncertainty", Form.NUMBER, uncertainty_limits(unit),
                  "for 95 %, from the calibration"),
            Entry(table, "low_pass_hz", "Low-pass", Form.NUMBER, LOW_PASS, "of the filter before the converter"),
            *_pair(table, "range", "Range", ends, "readings the instrument can show"),
        ),
        fold=True,
    )  # fmt: skip


INSTRUMENTS = tuple(_instrument(channel) for channel in INSTRUMENT_CHANNELS)
GROUPS: tuple[Group, ...] = (VALVE, SIGNAL, AS_LEFT, TOLERANCE, COIL, CONDITIONS, CHARACTERISTIC, *INSTRUMENTS)
ENTRIES: tuple[Entry, ...] = tuple(entry for group in GROUPS for entry in group.entries)
