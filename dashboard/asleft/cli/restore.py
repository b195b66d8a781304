"""`asleft restore`: a backup put back, or readings brought back out of a file that was set aside."""

from __future__ import annotations

import argparse
from pathlib import Path

from asleft.cli.errors import UserError

HELP = """\
asleft restore FROM --data DIR
  Puts a backup (asleft backup) in place of what is in DIR. Everything is checked
  first; what was in DIR is kept in a folder before-restore-... inside it. Stop
  the recorder before; the dashboard may run, or be started again afterwards.
  Then start the recorder. Agents are told what it has and send again what came
  after the backup, as far as their spools still have it (they keep what is
  acknowledged too, until they need the room); the rest is declared lost, and
  the health page counts it. Judging goes on from where the backup stood.

asleft restore --readings FILE --data DIR
  Adds to the readings in DIR every block of FILE that can be read: of a
  samples.db.damaged-... that the recorder set aside, or of the samples.db of an
  older backup. What is there already is left alone, so it may be run again.
  Stop the recorder before. Move FILE away when it has said what it brought.
  Readings that come back are shown and exported; what was judged stays.

records in PostgreSQL, samples in InfluxDB
  Are put back by their own programs, with all of ours stopped:
    dropdb asleft; createdb --owner=asleft asleft
    pg_restore --no-owner --dbname=postgresql://asleft@HOST/asleft TO/records.dump
    influx -execute 'DROP DATABASE "BUCKET"'                       (InfluxDB 1)
    influxd restore -portable -db BUCKET TO/influx-BUCKET
    influx bucket delete --name BUCKET --org ORG                  (InfluxDB 2)
    influx restore --bucket BUCKET TO/influx-BUCKET
  The copy of the samples must not be older than that of the records: readings
  that the records count as stored would be missing.

examples
  asleft restore /backup/asleft-2026-03-02 --data /var/lib/asleft
  asleft restore --readings /var/lib/asleft/samples.db.damaged-20260302T060000Z \\
      --data /var/lib/asleft

exit codes
  0    restored
  1    restored, and some of FILE cannot be read
  2    nothing is changed; the message says why
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("backup", type=Path, nargs="?", metavar="FROM", help="folder of a backup")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="a sample file to take readings out of")
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")


def run(args: argparse.Namespace) -> int:
    """Restore. 0 or 1; raises `UserError`."""
    if (args.backup is None) == (args.readings is None):
        raise UserError("asleft restore: name either the folder of a backup, or --readings FILE")
    return _readings(args.readings, args.data) if args.backup is None else _backup(args.backup, args.data)


def _backup(folder: Path, data: Path) -> int:
    from asleft.store.backup import BackupError, read_backup, restore
    from asleft.store.lock import FolderInUse

    try:
        backup = read_backup(folder)
        kept = restore(backup, data)
    except (BackupError, FolderInUse) as error:
        raise UserError(f"asleft restore: {error}") from error
    print(f"{data}: {', '.join(backup.files)} as of {backup.at:%Y-%m-%d %H:%M} UTC; what was there is in {kept}")
    print("Now start the recorder. Agents send again what came after that, as far as their spools have it.")
    return 0


def _readings(file: Path, data: Path) -> int:
    import sqlite3
    import time

    from asleft.store.damage import StoreReplaced
    from asleft.store.lock import FolderInUse
    from asleft.store.salvage import add_readings
    from asleft.store.samples import open_samples
    from asleft.store.schema import SAMPLES_FILE, SchemaError

    if not file.is_file():
        raise UserError(f"asleft restore: {file}: there is no such file")
    if file.resolve() == (data / SAMPLES_FILE).resolve():
        raise UserError(f"asleft restore: {file} is the file that is in use")
    try:
        store = open_samples(data)
    except (FolderInUse, SchemaError, OSError, sqlite3.Error) as error:
        raise UserError(f"asleft restore: {error}") from error
    try:
        done = add_readings(file, store, time.time_ns())
    except (StoreReplaced, OSError, sqlite3.Error) as error:
        raise UserError(f"asleft restore: {file}: {error}") from error
    finally:
        store.close()
    lost = f", {done.spoilt:,} rows cannot be read" if done.spoilt else ""
    print(f"{file}: {done.added:,} blocks brought back, {done.known:,} were there already{lost}")
    return 1 if done.spoilt else 0
