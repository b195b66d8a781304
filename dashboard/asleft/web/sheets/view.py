"""Sheets as a technician reads them: which valve has which, what changed from one revision to the next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from asleft.sheet.diff import compare, lines
from asleft.sheet.faults import SheetError
from asleft.sheet.model import QUANTITY_UNITS, Revision, Sheet
from asleft.sheet.names import decimals_for
from asleft.sheet.reader import read_sheet
from asleft.sheet.template import new_sheet_text
from asleft.sheet.units import unit_of_quantity
from asleft.store.protocols import SheetRecord
from asleft.web.availability import Unreachable
from asleft.web.hrefs import sheet_href
from asleft.web.source import Source
from asleft.web.views.valves import ValveName, judged_until_ns, lags, valve_name

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One valve in the list."""

    name: ValveName
    href: str
    revise_href: str
    words: str  # revision, since when, who, why
    record: SheetRecord | None


def sheet_rows(source: Source) -> list[SheetRow]:
    """All valves with a sheet, and those heard last without, which come first."""
    now, fleet = source.now_ns(), source.fleet()
    in_force = source.records.effective_sheets(now)
    rows = []
    for valve in fleet.valves:
        record, sheet = in_force.get(valve), fleet.sheets.get(valve)
        rows.append(
            SheetRow(
                name=valve_name(valve, sheet),
                href=sheet_href(valve),
                revise_href=f"{sheet_href(valve)}/revise",
                words=_no_sheet(source, fleet.spans.get(valve), now)
                if record is None
                else revision_words(source, record, now),
                record=record,
            )
        )
    return sorted(rows, key=lambda row: (row.record is not None, row.name.press, row.name.name, row.name.id))


def headline(rows: list[SheetRow]) -> str:
    """What a colleague would say."""
    if not rows:
        return "No valve yet: nothing has sent data, and no sheet is filed."
    without = sum(row.record is None for row in rows)
    if without == 0:
        return "Every valve has a sheet." if len(rows) > 1 else "The valve has a sheet."
    verb = "valve sends data and has" if without == 1 else "valves send data and have"
    return f"{without} {verb} no sheet: stored, not judged."


def revision_words(source: Source, record: SheetRecord, now_ns: int) -> str:
    """Which revision, since when, by whom and why."""
    return (
        f"sheet {record.number}, in force since {source.time.moment(record.at_ns, now_ns)}, by {record.by}: "
        f"{record.why}"
    )


def differences(old: SheetRecord, new: SheetRecord) -> list[str]:
    """What changed, one readable line each; one that says why where an old one can no longer be read."""
    try:
        before = read_sheet(old.toml, source=f"revision {old.number}")
        after = read_sheet(new.toml, source=f"revision {new.number}")
    except SheetError as error:
        return [f"They cannot be compared: {error}"]
    # Number, time, who and why are those of the revisions themselves, which stand beside.
    return lines(change for change in compare(before, after) if not change.key.startswith("revision."))


def found_values(sheet: Sheet | None, given: Mapping[str, str]) -> dict[str, str]:
    """Values named in an address (stored units), in the units of the sheet; what is no number is left out."""
    out = {}
    for quantity, text in given.items():
        if sheet is None or quantity not in QUANTITY_UNITS or quantity == "headroom":
            continue
        try:
            stored = float(text)
            value = unit_of_quantity(quantity, sheet.entered_units).from_stored(stored)
        except ValueError:
            continue
        if not math.isfinite(value):
            continue
        # With the digits that the value is shown with everywhere; in another unit with as many that matter.
        text = f"{stored:.{decimals_for(quantity, stored)}f}" if value == stored else f"{value:.4g}"
        out[quantity] = text.removeprefix("-") if float(text) == 0.0 else text
    return out


def behind_words(source: Source, valve: str, record: SheetRecord, now_ns: int) -> str:
    """That judging has not caught up with the sheet in force yet; empty where it has, or nothing was recorded.

    Empty too where the readings cannot be reached: the sheet can be read without them.
    """
    judgement = source.records.judgement(valve)
    try:
        span = source.samples.span(valve)
    except Unreachable:
        return ""
    if span is None or span[1] < record.at_ns:
        return ""
    until = judged_until_ns(judgement)
    if judgement is None or until is None or judgement.get("sheet_revision") != record.number:
        return (
            f"Judging catches up with sheet {record.number}: until it has, the other pages say what was judged by an "
            "earlier one. This line goes when it is done."
        )
    if lags(judgement, span):
        return (
            f"Judging catches up: by sheet {record.number} it is judged until {source.time.moment(until, now_ns)}. "
            "This line goes when it is done."
        )
    return ""


def first_text(valve: str, at: datetime, by: str) -> str:
    """A sheet to be filled in, for a valve that has none."""
    return new_sheet_text(valve=valve, at=at.isoformat().replace("+00:00", "Z"), by=by)


def record_of(sheet: Sheet, toml: str, entered_at_ns: int) -> SheetRecord:
    """A checked sheet as it goes on record. Raises `ValueError` if it does not say since when it holds."""
    if sheet.revision.at is None:
        raise ValueError(f"{sheet.valve}: the sheet does not say since when it holds")
    at_ns = (sheet.revision.at - _EPOCH) // timedelta(microseconds=1) * 1000
    return SheetRecord(
        sheet.valve, sheet.revision.number, at_ns, sheet.revision.by, sheet.revision.why, toml, entered_at_ns
    )


def revision_of(record: SheetRecord) -> Revision:
    """What the next revision is held against."""
    return Revision(record.number, _EPOCH + timedelta(microseconds=record.at_ns // 1000), record.by, record.why)


def _no_sheet(source: Source, span: tuple[int, int] | None, now_ns: int) -> str:
    since = f" since {source.time.moment(span[0], now_ns)}" if span is not None else ""
    return f"sends data{since} and has no sheet: make one"
