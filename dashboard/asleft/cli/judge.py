"""`asleft judge`: a logger's file against a settings sheet, with no broker and no store."""

from __future__ import annotations

import argparse
import gc
import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.json_out import write_json
from asleft.cli.log_options import HELP as LOG_HELP
from asleft.cli.log_options import add_log_options, with_answers

if TYPE_CHECKING:
    from asleft.cli.judged_file import JudgedFile
    from asleft.judge.types import Judgement

HELP = f"""\
what it does
  Re-measures every setting on the sheet that the file can show, with an
  uncertainty, says which it cannot show and why, and prints as left beside
  as found. Nothing is sent anywhere; nothing is written but --json.

the file
  What your logger writes: time, command (mA, V, % or counts), coil current,
  pressure; of the last two one is enough. Optional: supply, coil voltage,
  enable, pump running, mode, oil temperature. 10 to 200 readings a second
  serve best; at least 10 s are needed. What cannot be used is counted and
  reported, never guessed. With the headers time, command, current, pressure:
  ISO 8601 or seconds, mA or V as the sheet's signal, A, bar (gauge).

{LOG_HELP}
a map for your logger (--map FILE, or the same keys under [log] in the sheet)
  separator = ";"
  decimal_comma = true
  header_lines = 2               # lines above the header line
  header = true                  # false: none; columns below by number, from 1
  unit_lines = 1                 # lines between it and the first row
  name_column = "Tag"            # both where each row holds one reading: the
  value_column = "Value"         # columns below are then names in the first
  encoding = "cp1252"
  time_format = "%d.%m.%Y %H:%M:%S.%f"   # or "iso", "seconds", "milliseconds",
                                 # "microseconds", "nanoseconds", "minutes",
                                 # "hours", "excel" (days), "clock" (hh:mm:ss),
                                 # "excel1904", "seconds1904", "ticks" (100 ns
                                 # since the year 1), "ticks1601"
  zone = "Europe/Vienna"
  [column]
  time = "Zeit"                  # also date and millisecond, if apart
  command = "AI 1"
  current = {{ header = "Strom", unit = "mA" }}
  pressure = {{ header = "p2", unit = "bar", scale = 25.0, offset = -50.0 }}
  # value in the unit = offset + scale * number in the file

examples
  asleft judge logger.csv --sheet press-4.toml
  asleft judge logger.csv --sheet press-4.toml --zone Europe/Vienna
  asleft judge logger.csv --sheet press-4.toml --burst fast.csv --json out.json

exit codes
  0  nothing out, nothing found (undecided and not observed do not count, as
     long as nothing seen speaks against "as left")
  1  a setting is out of tolerance, or something was found
  2  sheet, map or file cannot be used; the message names file, line, column
  3  too little of the sheet could be judged from this file, or a setting may
     well be out and is not certain: the headline says which; or the file does
     not fit the sheet (a unit, a range, columns, another valve): the page says
     what to write where, and nothing is claimed of the machine

cautions
  Full command may give full pressure or flow. "As left" or zero current does
  not mean safe: isolate, lock out, support and bleed before you touch
  anything. Fit sensors only with the machine isolated, never in a safety
  circuit. This is no safety device; local code and the plant's procedure rule.
"""

SCHEMA = "asleft-judgement-1"
"""Form and version of the JSON; within a version fields are only added."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft judge`."""
    parser.add_argument(
        "log",
        type=Path,
        nargs="+",
        metavar="LOG",
        help="the logger's file; several, a folder or a pattern are judged one by one, with one table of all",
    )
    parser.add_argument(
        "--sheet",
        action="append",
        required=True,
        metavar="SHEET.toml",
        help="the valve's settings sheet; for several valves in one file once for each, as NAME=SHEET.toml",
    )
    parser.add_argument("--json", metavar="FILE", help='also write the judgement as JSON; "-" prints it alone')
    parser.add_argument("--csv", metavar="FILE", help="of several files: the table as CSV")
    parser.add_argument(
        "--join",
        action="store_true",
        help="the files are of one valve, each with some of its channels; they are joined on time",
    )
    parser.add_argument(
        "--burst",
        type=Path,
        metavar="FILE",
        help="file of time and current at a high rate, for dither (a kHz or more)",
    )
    add_log_options(parser)


def run(args: argparse.Namespace) -> int:
    """Judge the files; of several the gravest exit code: 3 if one does not fit its sheet, 1 if anything was found."""
    from asleft.cli.judge_many import files_of, judge_many, sheets_of

    files = files_of(args.log)
    sheets = sheets_of(args.sheet)
    with _rarely_collected():
        if args.join or (len(files) == 1 and len(sheets) == 1 and None in sheets):
            return _judge_one(args, files, sheets[None] if None in sheets else next(iter(sheets.values())))
        return judge_many(args, files, sheets)


@contextmanager
def _rarely_collected() -> Iterator[None]:
    """Have the collector look for cycles a hundredth as often: loading and judging make many objects and few cycles.

    At its usual pace it takes a twentieth of the time of judging ten minutes.
    """
    usual = gc.get_threshold()
    gc.set_threshold(100 * usual[0], *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)


def _judge_one(args: argparse.Namespace, files: Sequence[Path], sheet_path: Path) -> int:
    from datetime import UTC

    from asleft.cli.ink import ink_for
    from asleft.cli.judged_file import judged_file
    from asleft.cli.times import zone_named

    args.sheet = sheet_path
    file = with_answers(args, lambda now: judged_file(files, sheet_path, burst_path=now.burst, options=now))
    judgement = file.judgement
    if args.json is not None:
        write_json(json.dumps(judgement_json(file), indent=2, ensure_ascii=False) + "\n", args.json)
    if args.json != "-":
        from asleft.cli.terminal import page

        zone = zone_named(file.zone) if file.zone else UTC
        ink = ink_for(sys.stdout)
        shown = page(
            judgement,
            ink,
            sheet=file.sheet,
            zone=zone,
            notes=file.notes,
            pictures=_pictures(file, blocks=ink.unicode),
        )
        print(shown, end="")
    return exit_code(judgement)


def judgement_json(file: JudgedFile) -> dict[str, object]:
    """A judgement as JSON, with what it rests on. States are in hours."""
    import hashlib
    from importlib.metadata import version

    from asleft.judge.published import judgement_json as plain

    return {
        "schema": SCHEMA,
        "software": f"asleft {version('asleft')}",
        "sheet_sha256": hashlib.sha256(file.sheet_text.encode()).hexdigest(),
        "log": file.reading.as_json(),
        "states_unit": "h",
        **plain(file.judgement),
    }


def exit_code(judgement: Judgement) -> int:
    """3 if the log does not fit the sheet or shows too little of it, 1 if anything was found, else 0."""
    from asleft.catalogue.statuses import Status
    from asleft.judge.types import Verdict

    if judgement.fit.fits is False:
        return 3
    out = any(quantity.verdict is Verdict.OUT for quantity in judgement.quantities)
    if out or judgement.findings:
        return 1
    return 3 if judgement.status in {Status.NOT_JUDGED, Status.MAINTENANCE_REQUIRED} else 0


def _pictures(file: JudgedFile, *, blocks: bool) -> dict[str, str]:
    """What moved as a line, by kind of finding; what draws it is loaded only where something was found."""
    if not file.judgement.findings or file.judgement.fit.fits is False:
        return {}
    from asleft.judge.published import judgement_json as plain
    from asleft.web.evidence.picture import Picture
    from asleft.web.evidence.scene import line_of
    from asleft.web.evidence.subject import of_finding
    from asleft.web.evidence.view import evidence
    from asleft.web.report.from_files import Recording
    from asleft.web.when import PlantTime

    recording = Recording(file.sheet, file.sheet_text, file.samples, file.judgement, "")
    source = recording.source(PlantTime.nearest(file.zone))
    body = plain(file.judgement)
    made = {one["kind"]: evidence(source, of_finding(file.sheet.valve, one), body) for one in body["findings"]}
    return {kind: line_of(one, blocks=blocks) for kind, one in made.items() if isinstance(one, Picture)}
