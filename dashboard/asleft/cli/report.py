"""`asleft report`: state of a valve, a filed verification, a retune or a logger's file, as a document to print."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.files import add_paper_option, write_out
from asleft.cli.log_options import add_log_options, with_answers
from asleft.cli.records_option import add_records_argument, opened, records_of
from asleft.cli.samples_option import add_samples_argument, reader_of

if TYPE_CHECKING:
    from asleft.cli.judged_file import JudgedFile
    from asleft.web.report.from_files import Recording

HELP = """\
what it does
  Writes what is known of a valve: as left and as found with uncertainty and
  verdict, findings with evidence and likely part, what was not observed and
  why, characteristic, ramps and history as pictures, data coverage, decision
  rule, sheet revision with the hash of its file, and cautions. One HTML file
  that needs nothing else, or a PDF, by the ending of the name; with .csv the
  table of settings alone.

from the store
  asleft report VALVE --data DIR --out FILE. All as of now; --days is of the
  coverage.

a verification as it was filed
  asleft report VALVE --data DIR --record N --out FILE. Record N of the valve, as
  it was filed in the dashboard; with .json the record itself, whose SHA-256
  the report names; its form is published in the package as
  asleft/web/report/verification_record.schema.json (JSON schema).

before and after a retune
  asleft report VALVE --data DIR --retune --out FILE. Production of a day before
  the newest revision of the sheet came in force and of a day after, compared
  setting by setting; --revision N is round that one instead.

from a logger's file, without a store
  asleft report --log LOG.csv --sheet SHEET.toml --out FILE. The file is read
  and judged as by asleft judge, with the same --map and --burst; --zone is
  also of times that carry none (UTC if neither it nor the map says).
  With --after LOG2.csv both recordings, before and after a retune, and what
  changed between them; --after-sheet is the sheet of the second, where it is
  another. A record to sign: asleft verify.

examples
  asleft report press-4.platen --data asleft-data --out platen.html
  asleft report press-4.platen --data asleft-data --out platen.pdf --days 30
  asleft report press-4.platen --data asleft-data --record 2 --out record-2.pdf
  asleft report press-4.platen --data asleft-data --retune --out retune.html
  asleft report --log logger.csv --sheet press-4.toml --out found.pdf
  asleft report --log logger.csv --sheet press-4.toml --out found.pdf \\
    --paper letter --zone America/Chicago

exit codes
  0  written
  2  wrong input, or no PDF can be made here; the message says what to do

cautions
  A report says what was measured. It is no safety validation and releases no
  machine.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    parser.add_argument("valve", metavar="VALVE", nargs="?", help="the valve's id, as press-4.platen")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="to write: .html, .pdf, .csv; .json too of a record"
    )
    parser.add_argument("--days", type=float, metavar="N", help="that the coverage is of (default 7)")
    add_paper_option(parser)
    parser.add_argument("--zone", metavar="ZONE", help="the plant's time zone (default this machine's own)")
    filed = parser.add_argument_group("a verification, or a retune")
    filed.add_argument("--record", type=int, metavar="N", help="write verification record N of the valve")
    filed.add_argument("--retune", action="store_true", help="compare production before and after a revision")
    filed.add_argument("--revision", type=int, metavar="N", help="round which (default: the newest in force)")
    log = parser.add_argument_group("from a logger's file")
    log.add_argument("--log", type=Path, metavar="LOG.csv", help="the logger's file")
    log.add_argument("--sheet", type=Path, metavar="SHEET.toml", help="the valve's settings sheet")
    log.add_argument("--after", type=Path, metavar="LOG.csv", help="a second one, after a retune")
    log.add_argument("--after-sheet", type=Path, metavar="SHEET.toml", help="the sheet of --after, if it is another")
    log.add_argument("--burst", type=Path, metavar="FILE", help="file of time and current at a high rate, for dither")
    add_log_options(parser, zone=False)


def run(args: argparse.Namespace) -> int:
    """Writes the file. Raises `UserError` for wrong input."""
    from asleft.web.when import UnknownZoneError

    endings = _endings(args)
    if args.out.suffix not in endings:
        raise UserError(f"--out {args.out}: the name must end in {', '.join(endings[:-1])} or {endings[-1]}")
    _check(args)
    try:
        text = _text(args)
    except UnknownZoneError as error:
        raise UserError(str(error)) from error
    write_out(args.out, text)
    print(f"{args.out}: written.")
    return 0


def _endings(args: argparse.Namespace) -> tuple[str, ...]:
    if args.record is not None:
        return (".html", ".pdf", ".json")
    return (".html", ".pdf") if args.retune else (".html", ".pdf", ".csv")


def _text(args: argparse.Namespace) -> str:
    from asleft.cli.report_filed import record_text, retune_text

    if args.log is not None:
        return _of_file(args)
    if args.record is not None:
        return record_text(args)
    return retune_text(args) if args.retune else _of_store(args)


def _check(args: argparse.Namespace) -> None:
    """Raises `UserError` unless the options are of one of the ways, and complete."""
    _check_filed(args)
    if args.log is not None:
        _check_log(args)
    else:
        _check_store(args)


def _check_log(args: argparse.Namespace) -> None:
    """The part of the check that is of a logger's file."""
    for name in ("valve", "data", "days"):
        if getattr(args, name) is not None:
            shown = "VALVE" if name == "valve" else f"--{name}"
            raise UserError(f"{shown}: not with --log, which needs no store; the sheet names the valve")
    if args.sheet is None:
        raise UserError("--sheet is missing: the settings sheet that the file is judged against")
    if args.after_sheet is not None and args.after is None:
        raise UserError("--after-sheet: only with --after, the recording it is the sheet of")
    if args.after is not None and args.out.suffix == ".csv":
        raise UserError(f"--out {args.out}: before and after is written as .html or .pdf")


def _check_store(args: argparse.Namespace) -> None:
    """The part of the check that is of a recorder's data folder."""
    for name in ("sheet", "after", "after_sheet", "map", "burst"):
        if getattr(args, name) is not None:
            option = name.replace("_", "-")
            raise UserError(f"--{option}: only with --log; the store has its own sheets and readings")
    if args.valve is None:
        raise UserError("VALVE is missing: the valve's id; or --log and --sheet for a logger's file")
    if args.data is None:
        raise UserError("--data is missing: the recorder's data folder")
    if not args.data.is_dir():
        raise UserError(f"--data {args.data}: no such folder")
    if args.days is not None and not 0.01 <= args.days <= 3660.0:
        raise UserError(f"--days {args.days:g}: must lie between 0.01 and 3660")


def _check_filed(args: argparse.Namespace) -> None:
    """The part of the check that is of --record and --retune."""
    asked = "--record" if args.record is not None else "--retune" if args.retune else ""
    if args.record is not None and args.retune:
        raise UserError("--retune: not with --record; write one document at a time")
    if args.revision is not None and not args.retune:
        raise UserError("--revision: only with --retune")
    for name in ("log", "days"):
        if asked and getattr(args, name) is not None:
            raise UserError(f"--{name}: not with {asked}")
    for name in ("record", "revision"):
        number = getattr(args, name)
        if number is not None and not 1 <= number <= 10**9:
            raise UserError(f"--{name} {number}: must lie between 1 and 1000000000")


def _of_store(args: argparse.Namespace) -> str:
    from asleft.cli.times import machine_zone
    from asleft.store.records import open_records
    from asleft.store.work_log import open_work
    from asleft.web.app import installed_version
    from asleft.web.csv_text import text_of
    from asleft.web.report.state import state_report
    from asleft.web.source import Source
    from asleft.web.valve.table import quantities
    from asleft.web.when import PlantTime, Stretch

    time_of = PlantTime.named(args.zone or machine_zone())
    records, work = opened(records_of(args), open_records), opened(records_of(args), open_work)
    try:
        source = Source(reader_of(args, args.data), records, time_of, time.time_ns, work)
        now = source.now_ns()
        days = 7.0 if args.days is None else args.days
        stretch = Stretch(now - round(days * 86_400e9), now)
        text = state_report(source, args.valve, stretch, installed_version(), size=args.paper)
        if text is None:
            known = ", ".join(source.valves()) or "none yet"
            raise UserError(f"{args.valve}: there is no such valve here; known are: {known}")
        return "".join(text_of(quantities(source, args.valve))) if args.out.suffix == ".csv" else text
    finally:
        work.close()
        records.close()


def _of_file(args: argparse.Namespace) -> str:
    from asleft.cli.judged_file import judged_file
    from asleft.web.csv_text import text_of
    from asleft.web.report.from_files import file_table
    from asleft.web.when import PlantTime

    file = with_answers(args, lambda now: judged_file(now.log, now.sheet, burst_path=now.burst, options=now))
    if args.after is not None:
        sheet = args.after_sheet or args.sheet
        after = with_answers(args, lambda now: judged_file(now.after, sheet, options=now))
        return _before_after(file, after, args)
    if args.out.suffix == ".csv":
        return "".join(text_of(file_table(_recording(file), PlantTime.nearest(file.zone))))
    return report_of_file(file, args.paper)


def _before_after(before: JudgedFile, after: JudgedFile, args: argparse.Namespace) -> str:
    from asleft.web.app import installed_version
    from asleft.web.report.from_files import before_after_report
    from asleft.web.when import PlantTime

    if after.samples.time_s[0] < before.samples.time_s[-1]:
        raise UserError(f"--after {args.after}: begins before {args.log} ends; are they exchanged?")
    both = _recording(before), _recording(after)
    return before_after_report(
        *both, PlantTime.nearest(after.zone), time.time_ns(), installed_version(), size=args.paper
    )


def report_of_file(file: JudgedFile, size: str) -> str:
    """The document of a judged file, on paper of a size."""
    from asleft.web.app import installed_version
    from asleft.web.report.from_files import file_report
    from asleft.web.when import PlantTime

    return file_report(_recording(file), PlantTime.nearest(file.zone), time.time_ns(), installed_version(), size=size)


def _recording(file: JudgedFile) -> Recording:
    from asleft.web.report.from_files import Recording

    files = file.reading.files
    names, hashes = ", ".join(Path(one.name).name for one in files), ", ".join(one.sha256 for one in files)
    of = "file" if len(files) == 1 else "files"
    rows = f"{file.samples.time_s.size:,} rows"
    about = f"Readings: {names}, {rows} used. SHA-256 of the {of}: {hashes}."
    short = f"{names} ({rows})"
    return Recording(file.sheet, file.sheet_text, file.samples, file.judgement, about, file.notes, short)
