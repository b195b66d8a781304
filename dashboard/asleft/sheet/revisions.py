"""Rules a next revision of a sheet has to keep. Pure: what is on record comes as an argument."""

from __future__ import annotations

from asleft.sheet.faults import Fault
from asleft.sheet.model import Revision, Sheet


def faults_of_first(sheet: Sheet, *, source: str = "sheet") -> list[Fault]:
    """What keeps a sheet from being filed at all: it has to say since when it holds."""
    at = sheet.revision.at
    if at is None:
        limit = "missing: since when the valve is set so, as at = 2026-03-02T08:10:00Z under [revision]"
        return [Fault(source, "revision.at", None, limit)]
    if at.tzinfo is None:
        return [Fault(source, "revision.at", at.isoformat(), "has no zone")]
    return []


def faults_of_next(valve: str, previous: Revision, following: Sheet, *, source: str = "sheet") -> list[Fault]:
    """What is wrong with `following` as the revision after `previous` of `valve`; empty if nothing is.

    Same valve, a higher number, since when with its zone, and in force not before the previous one.
    """
    faults = faults_of_first(following, source=source)
    if following.valve != valve:
        faults.append(Fault(source, "valve.id", following.valve, f'must be that of the sheet before, "{valve}"'))
    number, at = following.revision.number, following.revision.at
    if number <= previous.number:
        faults.append(Fault(source, "revision.number", number, f"must be above the one before, {previous.number}"))
    if not faults and at is not None and previous.at is not None and at < previous.at:
        limit = f"must not be before that of revision {previous.number}, {_written(previous)}"
        faults.append(Fault(source, "revision.at", _written(following.revision), limit))
    return faults


def _written(revision: Revision) -> str:
    return revision.at.isoformat().replace("+00:00", "Z") if revision.at else ""
