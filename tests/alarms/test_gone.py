from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from asleft.alarms.gone import gone_words
from asleft.sheet.reader import read_sheet

TOML = """
[valve]
id = "v"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.2
current_at_full = 0.9
ramp_up = 1.6
[tolerance]
ramp_up = 0.16
[revision]
number = 3
at = 2026-03-02T08:10:00Z
by = "kl"
why = "set up"
"""


@dataclass(frozen=True)
class Quantity:
    id: str = "ramp_up"
    as_left: float | None = 1.6
    as_found: float | None = 1.62
    verdict: str = "in"


def sheet(*changes: tuple[str, str], number: int = 3):
    text = TOML.replace("number = 3", f"number = {number}")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return read_sheet(text, source="")


def test_what_is_gone_says_what_was_measured():
    assert gone_words("ramp-up-changed", [Quantity()], sheet(), sheet()) == (
        "Measured then: ramp up 1.62 s, left at 1.60 s (in)."
    )


def test_what_no_quantity_tells_was_not_seen_any_more():
    assert gone_words("current-lost", [Quantity()], sheet(), sheet()) == (
        "Nothing of it was seen any more in the readings."
    )
    assert gone_words("of-an-older-release", [], None, sheet()).startswith("Nothing of it was seen")


def test_a_sheet_that_was_changed_to_meet_it_is_said_first():
    after = sheet(("ramp_up = 1.6\n", "ramp_up = 2.1\n"), number=4)
    measured = [Quantity(as_left=2.1, as_found=2.08)]
    assert gone_words("ramp-up-changed", measured, sheet(), after) == (
        "Sheet 4 was changed to meet it: ramp up from 1.60 s to 2.10 s. That repaired nothing by itself. "
        "Measured then: ramp up 2.08 s, left at 2.10 s (in)."
    )


def test_a_wider_tolerance_meets_it_too():
    after = sheet(("ramp_up = 0.16", "ramp_up = 0.6"), number=4)
    unseen = [Quantity(as_found=None, verdict="not-observed")]
    assert gone_words("ramp-up-changed", unseen, sheet(), after) == (
        "Sheet 4 was changed to meet it: the tolerance of ramp up from ±0.16 to ±0.6 s. "
        "That repaired nothing by itself. Measured then: ramp up not observed."
    )


@pytest.mark.parametrize("before", [None, sheet()])
def test_a_revision_of_something_else_only_began_anew(before):
    after = sheet(("current_at_full = 0.9", "current_at_full = 0.95"), number=4)
    unseen = [Quantity(as_found=None, verdict="not-observed")]
    said = gone_words("ramp-up-changed", unseen, before, after)
    if before is None:
        assert said == "Measured then: ramp up not observed."
    else:
        assert said == "Judging began anew with sheet 4; it has not been measured again yet."
    seen = gone_words("ramp-up-changed", [replace(unseen[0], as_found=1.61, verdict="in")], before, after)
    assert seen == "Measured then: ramp up 1.61 s, left at 1.60 s (in)."
