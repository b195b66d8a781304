"""What `asleft report --record` and `--retune` write: a verification as filed, and before and after a retune."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence

from asleft.cli.errors import UserError
from asleft.cli.records_option import opened, records_of
from asleft.cli.samples_option import reader_of


def record_text(args: argparse.Namespace) -> str:
    """Verification record `--record` of the valve: HTML, or with .json the very bytes whose SHA-256 is on file.

    Raises:
        UserError: there is no such record, or its sheet cannot be read.
    """
    from asleft.cli.times import machine_zone
    from asleft.sheet.faults import SheetError
    from asleft.sheet.reader import read_sheet
    from asleft.store.access import open_access
    from asleft.store.records import open_records
    from asleft.web.verification.record import record_report
    from asleft.web.when import PlantTime

    time_of = PlantTime.named(args.zone or machine_zone())
    store, records = opened(records_of(args), open_access), opened(records_of(args), open_records)
    try:
        record = store.verifications.one(args.valve, args.record)
        if record is None:
            filed = [one.number for one in store.verifications.of(args.valve)]
            raise UserError(f"--record {args.record}: {args.valve} has no such record; {_known(filed)}")
        if args.out.suffix == ".json":
            return str(record.body)  # no newline more: the file has the SHA-256 that the paper names
        texts = [one.toml for one in records.sheets(args.valve) if one.number == record.sheet_number]
        if not texts:
            raise UserError(
                f"--record {args.record}: sheet revision {record.sheet_number}, by which it was judged, is not in "
                "these records; --out with .json gives the record itself"
            )
        try:
            sheet = read_sheet(texts[-1], source=f"revision {record.sheet_number} of {args.valve}")
        except SheetError as error:
            raise UserError(str(error)) from error
        return record_report(record, sheet, time_of, size=args.paper)
    finally:
        records.close()
        store.close()


def retune_text(args: argparse.Namespace) -> str:
    """Before and after a revision came in force, a day each, as HTML. Raises `UserError`."""
    from asleft.cli.times import machine_zone
    from asleft.store.records import open_records
    from asleft.web.app import installed_version
    from asleft.web.retune.routes import retune_report
    from asleft.web.retune.view import proposed, retune_view
    from asleft.web.source import Source
    from asleft.web.when import PlantTime

    time_of = PlantTime.named(args.zone or machine_zone())
    records = opened(records_of(args), open_records)
    try:
        source = Source(reader_of(args, args.data), records, time_of, time.time_ns)
        if args.valve not in source.valves():
            known = ", ".join(source.valves()) or "none yet"
            raise UserError(f"{args.valve}: there is no such valve here; known are: {known}")
        both = proposed(source, args.valve, args.revision)
        if both is None:
            in_force = [one.number for one in records.sheets(args.valve) if one.at_ns < source.now_ns()]
            if not in_force:
                raise UserError(f"--retune: {args.valve} has no sheet in force: there is nothing to compare round")
            raise UserError(f"--revision {args.revision}: not in force yet or not on file; {_known(in_force)}")
        view = retune_view(source, args.valve, *both)
        if view is None:
            raise UserError(f"--retune: no sheet of {args.valve} was in force at the end of these stretches")
        return retune_report(source, view, installed_version(), size=args.paper)
    finally:
        records.close()


def _known(numbers: Sequence[int]) -> str:
    return f"there are: {', '.join(map(str, numbers))}" if numbers else "none is filed yet"
