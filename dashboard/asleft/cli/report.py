"""`asleft report`: the state of a valve as a document to print and file."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.cli.records_option import add_records_argument, opened, records_of
from asleft.cli.samples_option import add_samples_argument, reader_of

HELP = """\
what it does
  Writes what is known of a valve: as left and as found with uncertainty and
  verdict, findings with evidence and likely part, what was not observed and
  why, history, data coverage, decision rule, sheet revision with the hash of
  its file, and cautions, all as of now; --days is of the coverage. One HTML
  file that needs nothing else, or a PDF, by the ending of the name.

examples
  asleft report press-4.platen --data asleft-data --out platen.html
  asleft report press-4.platen --data asleft-data --out platen.pdf --days 30

exit codes
  0  written
  2  wrong input, or no PDF can be made here; the message says what to do

cautions
  A report says what was measured. It is no safety validation and releases no
  machine.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    parser.add_argument("valve", metavar="VALVE", help="the valve's id, as press-4.platen")
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="to write, .html or .pdf")
    parser.add_argument("--days", type=float, default=7.0, metavar="N", help="that the coverage is of (default 7)")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the pages (default a4)")
    parser.add_argument("--zone", default="Europe/Madrid", metavar="ZONE", help="the plant's (default Europe/Madrid)")


def run(args: argparse.Namespace) -> int:
    """Writes the file. Raises `UserError` for wrong input."""
    from asleft.store.records import open_records
    from asleft.store.work_log import open_work
    from asleft.web.app import installed_version
    from asleft.web.report.paper import PdfUnavailableError, pdf
    from asleft.web.report.state import state_report
    from asleft.web.source import Source
    from asleft.web.stretch import Stretch
    from asleft.web.when import PlantTime, UnknownZoneError

    if args.out.suffix not in (".html", ".pdf"):
        raise UserError(f"--out {args.out}: the name must end in .html or .pdf")
    if not 0.01 <= args.days <= 3660.0:
        raise UserError(f"--days {args.days:g}: must lie between 0.01 and 3660")
    if not args.data.is_dir():
        raise UserError(f"--data {args.data}: no such folder")
    records, work = opened(records_of(args), open_records), opened(records_of(args), open_work)
    try:
        source = Source(reader_of(args, args.data), records, PlantTime.named(args.zone), time.time_ns, work)
        now = source.now_ns()
        stretch = Stretch(now - round(args.days * 86_400e9), now)
        text = state_report(source, args.valve, stretch, installed_version(), size=args.paper)
        if text is None:
            known = ", ".join(source.valves()) or "none yet"
            raise UserError(f"{args.valve}: there is no such valve here; known are: {known}")
        body = pdf(text) if args.out.suffix == ".pdf" else text.encode()
        args.out.write_bytes(body)
    except (UnknownZoneError, PdfUnavailableError) as error:
        raise UserError(str(error)) from error
    except OSError as error:
        raise UserError(f"--out {args.out}: cannot be written: {error.strerror or error}") from error
    finally:
        work.close()
        records.close()
    print(f"{args.out}: written.")
    return 0
