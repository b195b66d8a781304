"""`asleft backup`: a copy of what a plant has, made while everything runs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.records_option import add_records_argument, records_of
from asleft.cli.samples_option import add_samples_argument, samples_of

if TYPE_CHECKING:
    from collections.abc import Sequence

HELP = """\
what it does
  Copies the files of a data folder (records.db, samples.db, quarantine.db) into
  the new folder TO, each as it stands at one moment, while recorder, judging
  and dashboard go on. Each copy is checked; backup.json, written last, holds
  their SHA-256 and versions. Where it is missing, the backup is not whole.
  TO holds password hashes: it is made for its owner alone.

where records or samples are on other servers
  Those are copied by their servers' own programs. Given --records or --samples,
  the commands are printed, in the order in which they must run: records first,
  so that they never speak of readings that the copy of the samples lacks.

what is not in it
  Configuration: settings files of agents, certificates, units, broker. The
  agents' spools: never copy one back (see below).

putting it back
  asleft restore TO --data DIR    Agents then send again what came after the
  backup, as far as their spools still have it; the rest is declared lost.
  A spool is no part of a backup: an older one that is put back would number new
  readings as others were numbered before. The agent finds that out and begins
  a new stream; better is to begin with no spool at all.

examples
  asleft backup --data /var/lib/asleft /backup/asleft-2026-03-02
  asleft backup --data /var/lib/asleft --records postgresql://asleft@db/asleft \\
      --samples influx://10.0.0.7:8086/asleft /backup/asleft-2026-03-02

exit codes
  0    made, or the commands printed
  2    not made; the message says why
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("to", type=Path, metavar="TO", help="folder for the backup; made, must be new or empty")
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Make it. 0; raises `UserError`."""
    from asleft.recorder.health import program_version
    from asleft.store.backup import FILES, BackupError, back_up
    from asleft.store.opening import kind_of

    to: Path = args.to
    records, samples = records_of(args), samples_of(args)
    elsewhere = commands(to, records if isinstance(records, str) else None, samples)
    here = isinstance(records, Path) or kind_of(samples).in_folder or any((args.data / n).exists() for n in FILES)
    try:
        made = back_up(args.data, to, program_version()) if here else None
    except BackupError as error:
        raise UserError(f"asleft backup: {error}") from error
    if made is not None:
        print(f"{to}: {', '.join(made.files)}")
    if elsewhere:
        print("Now run, as this user and in this order:")
        print("\n".join(elsewhere))
    return 0


def commands(to: Path, records: str | None, samples: str) -> list[str]:
    """What to run for stores on other servers, in this order."""
    import os
    import shlex

    from asleft.store.influx.place import is_influx, place_from
    from sqlalchemy import make_url

    out: list[str] = []
    if records is not None:
        url = make_url(records).set(drivername="postgresql").render_as_string()
        out.append(shlex.join(["pg_dump", "--format=custom", f"--file={to / 'records.dump'}", url]))
    if is_influx(samples):
        place = place_from(samples, os.environ)
        out += [_influx(place.url, bucket, to) for bucket in (place.bucket, place.overview_bucket)]
    return out


def _influx(url: str, bucket: str, to: Path) -> str:
    import shlex

    folder = str(to / f"influx-{bucket}")
    host = url.partition("://")[2].rpartition(":")[0]
    one = shlex.join(["influxd", "backup", "-portable", "-host", f"{host}:8088", "-database", bucket, folder])
    two: Sequence[str] = ["influx", "backup", "--host", url, "--bucket", bucket, folder]
    return f"{one}   # InfluxDB 1; for InfluxDB 2: {shlex.join(two)}"
