"""`asleft judge`: a logger's file against a settings sheet, with no broker and no store."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

from asleft.cli.errors import UserError
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
    """Judge the file; 1 if a verdict is out or anything was found, else 0."""
    from datetime import UTC

    from asleft.cli.files import read_text
    from asleft.cli.ink import ink_for
    from asleft.cli.logfile import read_log, zone_named
    from asleft.judge.types import Verdict
    from asleft.sheet.faults import SheetError
    from asleft.sheet.logmap import log_map_of_sheet, read_log_map
    from asleft.sheet.reader import read_sheet

    sheet_text = read_text(args.sheet)
    try:
        sheet = read_sheet(sheet_text, source=str(args.sheet))
        if args.map is not None:
            log_map = read_log_map(read_text(args.map), source=str(args.map))
        else:
            log_map = log_map_of_sheet(sheet_text, source=str(args.sheet))
    except SheetError as error:
        raise UserError(str(error)) from error
    zone = zone_named(args.zone) if args.zone else None
    reading = read_log(args.log, log_map, signal_unit=sheet.signal.unit, zone=zone)
    samples = reading.samples
    if args.burst is not None:
        from asleft.cli.logburst import read_bursts

        samples = replace(samples, bursts=read_bursts(args.burst, log_map, zone=zone))

    from asleft.judge.judge import judge_log

    judgement = judge_log(sheet, samples, dropped=reading.dropped)
    if args.json is not None:
        write_json(json.dumps(judgement.as_json(), indent=2, ensure_ascii=False) + "\n", args.json)
    if args.json != "-":
        from asleft.cli.terminal import page

        ink = ink_for(sys.stdout)
        print(
            page(judgement, ink, sheet=sheet, zone=zone or zone_named(log_map.zone) or UTC, notes=reading.notes),
            end="",
        )
    out = any(quantity.verdict is Verdict.OUT for quantity in judgement.quantities)
    return 1 if out or judgement.findings else 0
