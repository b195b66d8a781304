"""Statuses of a valve: the four categories of NAMUR NE 107, good, and not judged; worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum


class Status(StrEnum):
    """Of a valve. `not-judged`: too little of the sheet was observed, which is neither good nor a fault."""

    FAILURE = "failure"
    OUT_OF_SPECIFICATION = "out-of-specification"
    MAINTENANCE_REQUIRED = "maintenance-required"
    FUNCTION_CHECK = "function-check"
    NOT_JUDGED = "not-judged"
    GOOD = "good"


#: As pages and reports write them.
STATUS_WORDS: Mapping[str, str] = {
    Status.FAILURE: "failure",
    Status.OUT_OF_SPECIFICATION: "out of specification",
    Status.MAINTENANCE_REQUIRED: "maintenance required",
    Status.FUNCTION_CHECK: "function check",
    Status.NOT_JUDGED: "not judged",
    Status.GOOD: "good",
}

#: Worst first; the order of the list of presses. A set-up (function check) hides no finding.
STATUS_ORDER: tuple[str, ...] = tuple(Status)


def worst(statuses: Iterable[Status]) -> Status:
    """The most serious of some; good for none."""
    return min(statuses, key=STATUS_ORDER.index, default=Status.GOOD)
