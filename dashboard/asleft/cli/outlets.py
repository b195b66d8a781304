"""`asleft outlets`: tells other software what happens, so that it need not ask."""

from __future__ import annotations

import argparse
import logging
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.files import read_text
from asleft.cli.records_option import add_records_argument, opened, records_of
from asleft.cli.samples_option import add_samples_argument, reader_of
from asleft.monitoring.logs import add_level_argument, configure
from asleft.monitoring.service_manager import ServiceManager

if TYPE_CHECKING:
    from asleft.outlets.settings import OutletSettings

EVERY_S = 5.0

HELP = """\
what it does
  Looks every few seconds for what has changed and sends it on: to web hooks
  (signed JSON, tried again until taken), to an MQTT broker (a retained status
  for each valve), and as an edge node of Sparkplug B. Runs beside the recorder
  and never keeps it waiting. It only sends: nothing that comes back changes
  anything here; commands are refused and counted.

settings
  A small file; --sample prints one. Addresses and secrets are named by
  environment variables, and never shown, logged or stored.

examples
  asleft outlets --sample > outlets.toml
  asleft outlets --settings outlets.toml --check
  asleft outlets --settings outlets.toml --data asleft-data

exit codes
  0  stopped, or all is well
  2  wrong input; the message names file, key and value

cautions
  A message that does not come is no sign that all is well. A status holds no
  longer than it says. Nothing of this makes a press safe.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft outlets`."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="where what goes out")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    add_level_argument(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--sample", action="store_true", help="print settings to begin with")
    what.add_argument("--schema", action="store_true", help="print the JSON Schema of what is sent")
    what.add_argument("--check", action="store_true", help="say what is wrong with the settings, if anything")


def run(args: argparse.Namespace) -> int:
    """Send until interrupted. Raises `UserError` for wrong input."""
    from asleft.outlets.settings import SAMPLE, read_settings
    from asleft.wire.settings_faults import SettingsError

    if args.sample:
        print(SAMPLE, end="")
        return 0
    if args.schema:
        import json

        from asleft.outlets.forms import schemas

        print(json.dumps(schemas(), indent=2))
        return 0
    if args.settings is None:
        raise UserError("--settings is missing; asleft outlets --sample prints some to begin with")
    try:
        settings = read_settings(read_text(args.settings), source=str(args.settings))
    except SettingsError as error:
        raise UserError(str(error)) from error
    if args.check:
        for line in settings.lines:
            print(line)
        return 0
    if args.data is None:
        raise UserError("--data is missing: the recorder's data folder")
    return _serve(args, settings)


def _serve(args: argparse.Namespace, settings: OutletSettings) -> int:
    from asleft.outlets.service import Outlets
    from asleft.store.access import open_access
    from asleft.store.records import open_records
    from asleft.store.trouble import TROUBLE, is_away, plain
    from asleft.web.source import Source
    from asleft.web.when import PlantTime

    configure(args.log_level)
    where = records_of(args)
    store, records = opened(where, open_access), opened(where, open_records)
    source = Source(reader_of(args, args.data), records, PlantTime.named(settings.zone), time.time_ns, store.work)
    outlets = Outlets.of(settings, source, store.outbox)
    gone = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: gone.set())
    manager = ServiceManager()
    try:
        try:
            outlets.start(EVERY_S)
        except OSError as error:
            raise UserError(f"{args.settings}: a file for the broker cannot be used: {error}") from error
        print("; ".join(settings.lines), flush=True)
        manager.ready("sending")
        while True:
            try:
                outlets.round()
            except TROUBLE as error:
                if not is_away(error):
                    raise
                logging.getLogger("asleft").error("a store cannot be read, trying again: %s", plain(error))
            manager.alive()
            if gone.wait(EVERY_S):
                manager.stopping()
                return 0
    finally:
        outlets.stop()
        records.close()
        store.close()
