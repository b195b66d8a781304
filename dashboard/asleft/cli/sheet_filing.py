"""What `asleft sheet put` does: a checked sheet goes on record, once, never to be changed."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from asleft.cli.actor import command_line
from asleft.cli.errors import UserError
from asleft.cli.files import read_text
from asleft.cli.ink import ink_for
from asleft.cli.records_option import make_folder, opened
from asleft.cli.sheet_actions import load_sheet
from asleft.sheet.diff import compare, lines
from asleft.sheet.faults import SheetError
from asleft.sheet.model import Revision, Sheet
from asleft.sheet.reader import read_sheet
from asleft.sheet.revisions import faults_of_first, faults_of_next
from asleft.store.protocols import RecordStore, SheetExists, SheetRecord
from asleft.store.records import open_records

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def put(path: Path, where: Path | str, by: str | None, why: str | None) -> int:
    """File the sheet in the records store `where` it is, checking it as the next revision of its valve."""
    sheet, toml = load_sheet(path), read_text(path)
    faults = faults_of_first(sheet, source=str(path))
    if faults or sheet.revision.at is None:
        raise UserError(str(SheetError(faults)))
    record = SheetRecord(
        valve=sheet.valve,
        number=sheet.revision.number,
        at_ns=(sheet.revision.at - _EPOCH) // timedelta(microseconds=1) * 1000,
        by=_named("--by", by, sheet.revision.by, "who set the valve"),
        why=_named("--why", why, sheet.revision.why, "why the valve was set"),
        toml=toml,
        entered_at_ns=time.time_ns(),
    )
    if isinstance(where, Path):
        make_folder(where.parent)
    store = opened(where, open_records)
    try:
        _file(store, record, sheet, path)
    finally:
        store.close()
    return 0


def _file(store: RecordStore, record: SheetRecord, sheet: Sheet, path: Path) -> None:
    filed = store.sheets(record.valve)
    latest = filed[-1] if filed else None
    if latest is not None and all(entry.number != record.number for entry in filed):
        before = Revision(latest.number, _EPOCH + timedelta(microseconds=latest.at_ns // 1000), latest.by, latest.why)
        faults = faults_of_next(record.valve, before, sheet, source=str(path))
        if faults:
            raise UserError(str(SheetError(faults)))
    try:
        added = store.put_sheet(record, command_line())
    except SheetExists as error:
        raise UserError(f"{path}: {error}") from error
    name = f"{record.valve}, revision {record.number}"
    if not added:
        print(f"{name}: on record already, word for word; nothing changed.")
        return
    print(f"{name}: filed, in force from {sheet.revision.at:%Y-%m-%d %H:%M:%S} UTC.")
    if latest is not None:
        _tell_changes(latest, sheet)


def _tell_changes(latest: SheetRecord, sheet: Sheet) -> None:
    try:
        before = read_sheet(latest.toml, source=f"revision {latest.number}")
    except SheetError as error:
        print(f"Revision {latest.number} can no longer be read, so there is no comparison: {error}")
        return
    print(f"Against revision {latest.number}:")
    for line in lines(compare(before, sheet)):
        print(f"  {ink_for(sys.stdout).spell(line)}")


def _named(option: str, given: str | None, in_sheet: str, what: str) -> str:
    named = (given if given is not None else in_sheet).strip()
    if not named:
        raise UserError(f"{option} is missing, and the sheet does not say either: {what}")
    return named
