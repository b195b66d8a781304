"""Words of verification, retune and proposals."""

from __future__ import annotations

from collections.abc import Mapping

OUTCOME_WORDS: Mapping[str, str] = {
    "as-left": "Everything that was observed is as left.",
    "not-as-left": "Not as left.",
    "undecided": "Nothing is out, but not all can be decided: an uncertainty reaches over its tolerance.",
    "incomplete": "Not complete yet.",
}

#: Stands on each page from which somebody may go and command a valve.
BEFORE_COMMAND: tuple[str, ...] = (
    (
        "At 100 % command full pressure or full flow may result. Do not proceed if that is unsafe: with "
        "people in reach, "
        "a tool or part that cannot take it, or a raised platen that is not supported."
    ),
    (
        "Zero command and zero current do not mean safe: pressure may be stored in lines and accumulators. "
        "Isolate, lock "
        "out, support and bleed before anyone reaches in."
    ),
    (
        "Only whoever is licensed and instructed for this machine may command it. Local code and the plant's "
        "procedure "
        "rule (ISO 4413, ISO 16092-3). Asleft only reads; it commands nothing and is no safety device."
    ),
)

HOW_TO: tuple[str, ...] = (
    (
        "Bring the oil to the temperature of the sheet, and the valve into the load state in which it controls the "
        "pressure (cylinder against its stop, or the line blocked)."
    ),
    (
        "Two full strokes 0-100-0 % in one step each way, resting at both ends until the ramp is through and "
        "two seconds "
        "more: they condition the valve and show both ramps."
    ),
    "A sweep 0-100-0 % in ten steps each way, three seconds or more on each, without turning back.",
)

#: Load states a record may state.
LOAD_STATES: Mapping[str, str] = {
    "stop": "cylinder against its stop, valve in control",
    "blocked": "line blocked at the valve",
    "work": "against the work, valve in control",
    "none": "no pressure: electrical part only",
}

REPORT_NO_VALIDATION = "This report says what was measured. It is no safety validation and releases no machine."
NO_VALIDATION = "This record says what was measured. It is not a safety validation and releases no machine."

DECISION_RULE = (
    "A value is “in” if its deviation and the whole of its expanded uncertainty (95 %) lie within the tolerance, "
    "“out” if all of it lies beyond, else “undecided”: guard band of one expanded uncertainty on "
    "either side of the limit (JCGM 106:2012, guarded acceptance and rejection). The coverage factor follows from "
    "the effective degrees of freedom (JCGM 100:2008, G.4)."
)

CHANNEL_WORDS: Mapping[str, str] = {
    "oil_temperature": "oil temperature",
    "supply": "supply",
    "pressure": "pressure",
    "current": "coil current",
    "coil_voltage": "coil voltage",
}
