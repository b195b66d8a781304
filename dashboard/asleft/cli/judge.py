"""`asleft judge`: a logger's file against a settings sheet, with no broker and no store."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from asleft.cli.json_out import write_json

HELP = """\
what it does
  Re-measures every setting on the sheet that the file can show, with an
  uncertainty, says which it cannot show and why, and prints as left beside
  as found. Nothing is sent anywhere; nothing is written but --json.

the file
  CSV with a header line. Columns: time (ISO 8601, or seconds), command (mA or
  V, as the sheet's signal), current (A), pressure (bar, gauge); of the last
  two one is enough. Optional: supply (V), coil_voltage (V), enable and
  pump_running (0 or 1), mode (a small number), oil_temperature (degC).
  10 to 200 readings a second serve best; at least 10 s are needed.
  Empty, non-numeric and repeated rows are counted and reported.
  Your logger's own headers, units, separators and clock: see below.

a map for your logger (--map FILE, or the same keys under [log] in the sheet)
  separator = ";"
  decimal_comma = true
  header_lines = 2               # lines above the header line
  unit_lines = 1                 # lines between it and the first row
  encoding = "cp1252"
  time_format = "%d.%m.%Y %H:%M:%S.%f"   # or "iso", "seconds", "milliseconds"
  zone = "Europe/Vienna"
  [column]
  time = "Zeit"
  command = "AI 1"
  current = { header = "Strom", unit = "mA" }
  pressure = { header = "p2", unit = "bar", scale = 25.0, offset = -50.0 }
  # value in the unit = offset + scale * number in the file

examples
  asleft judge logger.csv --sheet press-4.toml
  asleft judge logger.csv --sheet press-4.toml --zone Europe/Vienna
  asleft judge logger.csv --sheet press-4.toml --burst fast.csv --json out.json

exit codes
  0  nothing out, nothing found (undecided and not observed do not count)
  1  a setting is out of tolerance, or something was found
  2  sheet, map or file cannot be used; the message names file, line, column
  3  nothing of the sheet could be judged from this file, or the file does not
     fit the sheet (a unit, a range, columns, another valve): the page says
     what to write where, and nothing is claimed of the machine

cautions
  Full command may give full pressure or flow. "As left" or zero current does
  not mean safe: isolate, lock out, support and bleed before you touch
  anything. Fit sensors only with the machine isolated, never in a safety
  circuit. This is no safety device; local code and the plant's procedure rule.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft judge`."""
    parser.add_argument("log", type=Path, metavar="LOG.csv", help="the logger's file")
    parser.add_argument("--sheet", type=Path, required=True, metavar="SHEET.toml", help="the valve's settings sheet")
    parser.add_argument("--json", metavar="FILE", help='also write the judgement as JSON; "-" prints it alone')
    parser.add_argument(
        "--burst",
        type=Path,
        metavar="FILE",
        help="CSV of time and current at a high rate, for dither (a kHz or more)",
    )
    parser.add_argument("--map", type=Path, metavar="FILE", help="how to read this logger's files; see below")
    parser.add_argument(
        "--zone", metavar="ZONE", help='time zone of times that carry none, as "Europe/Vienna"; UTC if not given'
    )


def run(args: argparse.Namespace) -> int:
    """Judge the file; 3 if it does not fit the sheet or shows nothing of it, 1 if anything was found, else 0."""
    from datetime import UTC

    from asleft.cli.ink import ink_for
    from asleft.cli.judged_file import judged_file
    from asleft.cli.logfile import zone_named
    from asleft.judge.types import Status, Verdict

    file = judged_file(args.log, args.sheet, map_path=args.map, burst_path=args.burst, zone=args.zone)
    judgement = file.judgement
    if args.json is not None:
        write_json(json.dumps(judgement.as_json(), indent=2, ensure_ascii=False) + "\n", args.json)
    if args.json != "-":
        from asleft.cli.terminal import page

        zone = zone_named(file.zone) if file.zone else UTC
        print(page(judgement, ink_for(sys.stdout), sheet=file.sheet, zone=zone, notes=file.notes), end="")
    if judgement.fit.fits is False:
        return 3
    out = any(quantity.verdict is Verdict.OUT for quantity in judgement.quantities)
    if out or judgement.findings:
        return 1
    return 3 if judgement.status is Status.NOT_JUDGED else 0
