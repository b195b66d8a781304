"""The dashboard's words beside those of the catalogue: states, verdicts, cautions, numbers."""

from __future__ import annotations

from collections.abc import Mapping

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

SEVERITY_WORDS: Mapping[int, str] = {1: "can wait for the morning", 2: "this shift", 3: "now"}

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
    return FINDING_KINDS[kind].words if kind in FINDING_KINDS else kind.replace("-", " ")


def part_words(part: str) -> str:
    """A part as people read it."""
    return PART_WORDS.get(part, part.replace("-", " "))


def sentence_case(text: str) -> str:
    """First letter upper case, the rest untouched."""
    return text[:1].upper() + text[1:]
