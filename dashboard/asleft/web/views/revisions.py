"""Which revision of the sheet was in force when, over a stretch of time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from asleft.sheet.model import Sheet
from asleft.web.source import Source


@dataclass(frozen=True, slots=True)
class InForce:
    """One revision while it was in force within a stretch; `sheet` is None where there was none."""

    from_ns: int
    to_ns: int
    sheet: Sheet | None


@dataclass(frozen=True, slots=True)
class RevisionMark:
    """A revision that came into force."""

    at_ns: int
    words: str


def sheets_in(source: Source, valve: str, from_ns: int, to_ns: int) -> list[InForce]:
    """The stretch cut where another revision came into force, oldest first, without gaps."""
    cuts = sorted({record.at_ns for record in source.records.sheets(valve) if from_ns < record.at_ns < to_ns})
    edges = [from_ns, *cuts, to_ns]
    return [InForce(a, b, source.sheet(valve, a)) for a, b in pairwise(edges)]


def revision_marks(source: Source, valve: str, from_ns: int, to_ns: int) -> list[RevisionMark]:
    """The revisions that came into force within the stretch."""
    return [
        RevisionMark(record.at_ns, f"sheet {record.number}")
        for record in source.records.sheets(valve)
        if from_ns < record.at_ns < to_ns
    ]
