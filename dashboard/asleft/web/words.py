"""The dashboard's words beside those of the catalogue: states, verdicts, cautions, numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.alarms.classes import AlarmClass
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.parts import LOOK_FIRST, PART_WORDS

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

#: How long an alarm of a class can wait, as every page and message says it.
CLASS_WORDS: Mapping[AlarmClass, str] = {
    AlarmClass.NOW: "see to it at once",
    AlarmClass.SHIFT: "see to it this shift",
    AlarmClass.DIGEST: "can wait for the morning",
}

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def number(count: int, *, first: bool = False) -> str:
    """A count as words up to twelve, "Four" with `first` at the head of a sentence."""
    text = _NUMBERS[count] if 0 <= count < len(_NUMBERS) else str(count)
    return text[:1].upper() + text[1:] if first else text


def plural(count: int, one: str, many: str | None = None) -> str:
    """The noun alone, in the right number."""
    return one if count == 1 else (many if many is not None else f"{one}s")


def likely_words(part: str, alternatives: Sequence[str] = ()) -> str:
    """Which part is likely, in the words of the judge's own sentence; empty where none is named."""
    if not part:
        return ""
    first, others = part_words(part), [part_words(one) for one in alternatives]
    if not others:
        return f"Likely {first}."
    if len(others) == 1:
        return f"Likely {first}, or {others[0]}."
    return f"Likely {first}; else {', '.join(others[:-1])} or {others[-1]}."


def parts_words(part: str, alternatives: Sequence[str] = ()) -> str:
    """`likely_words`, and that no more can be known where several parts are named."""
    words = likely_words(part, alternatives)
    return f"{words} What is recorded cannot tell them apart." if alternatives and words else words


def share_as_left(good: int, total: int, *, judged: int) -> str:
    """How many valves are as they were left, as people say it: none, one, some or all of them."""
    known = "" if judged == total else "known to be "
    if total == 1:
        return "The valve is as it was left." if good else f"The valve is not {known}as it was left."
    if good == total:
        return f"All {number(total)} valves are as they were left."
    if good == 0:
        return f"None of the {number(total)} valves is {known}as it was left."
    if good == 1:
        return f"One of the {number(total)} valves is as it was left."
    return f"{number(good, first=True)} of {number(total)} valves are as they were left."


def look_first(part: str) -> str:
    """What to look at first for a part, as a sentence; empty for a part without advice. Data is not at the press."""
    advice = LOOK_FIRST.get(part, "")
    return sentence_case(advice) if part == "data" or not advice else MADE_SAFE + advice


def kind_words(kind: str) -> str:
    """A finding kind as people read it."""
    return FINDING_KINDS[kind].words if kind in FINDING_KINDS else kind.replace("-", " ")


def part_words(part: str) -> str:
    """A part as people read it."""
    return PART_WORDS.get(part, part.replace("-", " "))


def lower_first(text: str) -> str:
    """First letter lower case, so that a sentence can follow a colon."""
    return text[:1].lower() + text[1:]


def sentence_case(text: str) -> str:
    """First letter upper case, the rest untouched."""
    return text[:1].upper() + text[1:]


# Words of verification, retune and proposals.

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
