"""The dashboard's words in one place: statuses, states, verdicts, what to look at first."""

from __future__ import annotations

from collections.abc import Mapping

#: Worst first; the order of the list of presses.
STATUS_ORDER: tuple[str, ...] = (
    "failure",
    "out-of-specification",
    "maintenance-required",
    "function-check",
    "not-judged",
    "good",
)

STATUS_WORDS: Mapping[str, str] = {
    "failure": "failure",
    "out-of-specification": "out of specification",
    "maintenance-required": "maintenance required",
    "function-check": "function check",
    "not-judged": "not judged",
    "good": "good",
}

STATE_WORDS: Mapping[str, str] = {
    "producing": "producing",
    "stopped": "stopped",
    "not-enabled": "not enabled",
    "set-up": "set-up",
    "work-in-progress": "work in progress",
    "unknown": "state unknown",
}

VERDICT_WORDS: Mapping[str, str] = {
    "in": "in",
    "out": "out",
    "undecided": "undecided",
    "not-observed": "not observed",
}

PART_WORDS: Mapping[str, str] = {
    "command-wiring": "the command wiring",
    "driver-setting": "the driver's setting",
    "driver": "the driver",
    "supply": "the supply",
    "coil": "the coil",
    "coil-wiring": "the coil wiring",
    "valve": "the valve",
    "pressure-source": "the pressure source",
    "current-sensor": "the current sensor",
    "pressure-sensor": "the pressure sensor",
    "controller": "the controller",
    "data": "the data path",
}

#: What to look at first, after "With the press made safe, ".
LOOK_FIRST: Mapping[str, str] = {
    "command-wiring": (
        "check the command pair from the controller's output to the driver: terminals, shield, polarity, and the "
        "signal at the driver's own input."
    ),
    "driver-setting": (
        "compare what is dialled at the driver with the sheet. If it was changed on purpose, enter a new revision of "
        "the sheet."
    ),
    "driver": (
        "measure command in and coil current out at the driver's terminals, and look for a fault lamp and for heat."
    ),
    "supply": (
        "measure the supply at the driver's terminals under load, then the fuse, the terminals and the load shared "
        "with other drivers."
    ),
    "coil": "measure the coil's resistance cold, against the sheet; look for oil in the connector and a hot winding.",
    "coil-wiring": (
        "check plug, crimp and cable between driver and coil, moving the cable while measuring resistance."
    ),
    "valve": "look at the oil's cleanliness and temperature, then the valve: silt, worn seat, tired spring.",
    "pressure-source": "check pump, relief valve and filter: is the pressure asked for there at the inlet at all?",
    "current-sensor": "compare the recorded current with a clamp meter at zero and at full command.",
    "pressure-sensor": "read the sensor with the line vented, where it must show zero, and against a gauge.",
    "controller": "look at what the controller's programme commands in this phase, and whether it was changed.",
    "data": "check agent, network and clock on the health page before touching the press.",
}

MADE_SAFE = "With the press made safe, "

#: Stands wherever a reader might go and act.
CAUTIONS: tuple[str, ...] = (
    "Full command may give full pressure or flow.",
    (
        "“As left” or zero current does not mean safe: pressure may be stored in lines and accumulators, and a "
        "raised platen can fall. Isolate, lock out, support and bleed first."
    ),
    (
        "Fit sensors only with the machine isolated, and never in a safety circuit. Protection against over-pressure "
        "is the relief valve's."
    ),
    (
        "Local code and the plant's own procedure rule (ISO 4413, ISO 16092-3). Asleft only reads; it is no safety "
        "device."
    ),
)

KIND_WORDS: Mapping[str, str] = {
    "current-clipped": "current stops short of what is asked",
    "command-clipped": "command beyond its range",
    "pressure-clipped": "pressure no longer follows",
    "reading-pinned": "a reading stuck at the end of its range",
    "command-failed": "command signal failed",
    "current-lost": "no current although commanded",
    "current-unwanted": "current nobody asked for",
    "pressure-unwanted": "pressure nobody asked for",
    "ramp-up-changed": "ramp up changed",
    "ramp-down-changed": "ramp down changed",
    "current-zero-changed": "current at zero changed",
    "current-full-changed": "current at full changed",
    "dither-changed": "dither changed",
    "dither-lost": "dither lost",
    "pressure-changed": "pressure changed",
    "hysteresis-changed": "hysteresis changed",
    "response-changed": "response changed",
    "coil-changed": "coil resistance changed",
    "supply-low": "supply low",
    "headroom-low": "headroom low",
    "model-misfit": "behaves unlike any setting of the sheet",
    "data-missing": "data missing",
    "clock-wrong": "clock wrong",
}

SEVERITY_WORDS: Mapping[int, str] = {1: "can wait for the morning", 2: "this shift", 3: "now"}

#: Which findings speak of which quantity, for the onset marks of its history.
KIND_QUANTITIES: Mapping[str, tuple[str, ...]] = {
    "ramp-up-changed": ("ramp_up",),
    "ramp-down-changed": ("ramp_down",),
    "current-zero-changed": ("current_at_zero",),
    "current-full-changed": ("current_at_full",),
    "current-clipped": ("current_at_full", "headroom"),
    "dither-changed": ("dither_frequency", "dither_amplitude"),
    "dither-lost": ("dither_amplitude", "hysteresis"),
    "pressure-changed": ("pressure_at_zero", "pressure_at_full"),
    "pressure-clipped": ("pressure_at_full",),
    "hysteresis-changed": ("hysteresis",),
    "coil-changed": ("coil_resistance",),
    "supply-low": ("supply_voltage",),
    "headroom-low": ("headroom",),
}

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def number(count: int, *, first: bool = False) -> str:
    """A count as words up to twelve, "Four" with `first` at the head of a sentence."""
    text = _NUMBERS[count] if 0 <= count < len(_NUMBERS) else str(count)
    return text[:1].upper() + text[1:] if first else text


def plural(count: int, one: str, many: str | None = None) -> str:
    """The noun alone, in the right number."""
    return one if count == 1 else (many if many is not None else f"{one}s")


def look_first(part: str) -> str:
    """What to look at first for a part, as a sentence; empty for a part without advice. Data is not at the press."""
    advice = LOOK_FIRST.get(part, "")
    return sentence_case(advice) if part == "data" or not advice else MADE_SAFE + advice


def kind_words(kind: str) -> str:
    """A finding kind as people read it."""
    return KIND_WORDS.get(kind, kind.replace("-", " "))


def part_words(part: str) -> str:
    """A part as people read it."""
    return PART_WORDS.get(part, part.replace("-", " "))


def sentence_case(text: str) -> str:
    """First letter upper case, the rest untouched."""
    return text[:1].upper() + text[1:]
