"""`asleft export`: stored readings of one valve as a Parquet or CSV file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from asleft.cli.errors import UserError
from asleft.cli.records_option import ABOUT as ABOUT_RECORDS
from asleft.cli.records_option import add_records_argument
from asleft.cli.samples_option import ABOUT, add_samples_argument, reader_of
from asleft.cli.times import machine_zone

if TYPE_CHECKING:
    from asleft.cli.export_files import Table
    from asleft.store.protocols import SampleReader

HELP = f"""\
what it does
  Writes the readings of one valve, as they are stored, to FILE: a row per time
  of reading, oldest first, a column per channel with its unit in the header.
  It only reads; a recorder at work goes on.

the file
  .csv      "time (UTC)", then "command (mA)" and so on; comma and decimal point;
            an empty cell is a reading that failed or was not taken.
  .parquet  the same columns; times in ns, UTC, readings as 64-bit numbers, null
            where there is none. Needs: pip install 'asleft[export]'
  It appears under its name when it is whole; Ctrl-C leaves nothing behind.

which time (--from, --to)
  As 2026-03-02 or 2026-03-02T06:00, in --zone (this machine's own if not
  given); --to is not included. Without them, all that is stored.

{ABOUT}
{ABOUT_RECORDS}
examples
  asleft export --data asleft-data --valve press-4.platen --output platen.parquet
  asleft export --data asleft-data --valve press-4.platen --from 2026-03-02T06:00 \\
    --to 2026-03-02T14:00 --zone Europe/Vienna --output early-shift.csv

exit codes
  0    written
  2    something given cannot be used; the message says what is wanted
  130  interrupted
"""

WINDOW_NS = 600 * 1_000_000_000
"""So much is held in memory at a time."""


class Chosen(NamedTuple):
    """What is exported."""

    valve: str
    from_ns: int
    to_ns: int
    units: dict[str, str]  # channel -> unit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft export`."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    parser.add_argument("--valve", metavar="ID", help="the valve; may be left out where there is only one")
    parser.add_argument("--from", dest="from_time", metavar="TIME", help="begin there")
    parser.add_argument("--to", dest="to_time", metavar="TIME", help="until then, not included")
    parser.add_argument(
        "--zone", default=machine_zone(), metavar="ZONE", help="of --from and --to (default this machine's own)"
    )
    parser.add_argument("--output", type=Path, required=True, metavar="FILE", help="ends in .csv or .parquet")


def run(args: argparse.Namespace) -> int:
    """Write the file. 0 when it is written; raises `UserError` for what cannot be used."""
    from asleft.cli.export_files import SUFFIXES, open_table

    output: Path = args.output
    if output.suffix.lower() not in SUFFIXES:
        raise UserError(f"--output {output}: a name that ends in {' or '.join(SUFFIXES)} is wanted")
    data: Path = args.data
    if not data.is_dir():
        raise UserError(f"--data {data}: not a folder")
    reader = reader_of(args, data)
    try:
        chosen = _chosen(args, reader)
        part = output.with_name(output.name + ".part")
        try:
            with open_table(part, output.suffix.lower(), chosen.units) as table:
                rows = _copy(reader, chosen, table)
            part.replace(output)
        except OSError as error:
            raise UserError(f"--output {output}: cannot be written: {error.strerror or error}") from error
        finally:
            part.unlink(missing_ok=True)
    finally:
        reader.close()
    print(f"{output}: {rows:,} rows of {len(chosen.units)} channels")
    return 0


def _copy(reader: SampleReader, chosen: Chosen, table: Table) -> int:
    from asleft.cli.progress import Progress

    rows = 0
    with Progress(chosen.valve, chosen.to_ns - chosen.from_ns, sys.stderr) as progress:
        for start in range(chosen.from_ns, chosen.to_ns, WINDOW_NS):
            end = min(start + WINDOW_NS, chosen.to_ns)
            found = reader.samples(chosen.valve, start, end)
            if found.time_ns.size:
                table.write(found.time_ns, found.channels)
                rows += found.time_ns.size
            progress.at(end - chosen.from_ns)
    return rows


def _chosen(args: argparse.Namespace, reader: SampleReader) -> Chosen:
    from asleft.cli.times import time_of, zone_named

    stored = reader.valves()
    if not stored:
        raise UserError(f"--data {args.data}: no readings are stored there")
    valve = args.valve or (stored[0] if len(stored) == 1 else None)
    if valve not in stored:
        asked = "is missing" if valve is None else f"{valve}: no readings of it are stored"
        raise UserError(f"--valve {asked}; there are {', '.join(stored)}")
    span = reader.span(valve)
    if span is None:
        raise UserError(f"{valve}: no readings are stored")
    zone = zone_named(args.zone)
    asked_from, asked_to = time_of("--from", args.from_time, zone), time_of("--to", args.to_time, zone)
    from_ns = span[0] if asked_from is None else max(asked_from, span[0])
    to_ns = span[1] + 1 if asked_to is None else min(asked_to, span[1] + 1)
    units: dict[str, str] = {}
    for channel, unit in reader.channels(valve, from_ns, to_ns) if from_ns < to_ns else ():
        if units.setdefault(channel, unit) != unit:
            raise UserError(
                f"{valve}: {channel} was recorded in {units[channel]} and in {unit}; export the times apart, "
                "with --from and --to"
            )
    if not units:
        raise UserError(f"{valve}: nothing is stored between --from and --to")
    return Chosen(valve, from_ns, to_ns, units)
