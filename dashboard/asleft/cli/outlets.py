"""`asleft outlets`: tells other software what happens, so that it need not ask."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.records_option import opened, records_of
from asleft.cli.rounds import EVERY_S, add_round_arguments, data_of, every_round, settings_of
from asleft.cli.samples_option import reader_of
from asleft.monitoring.logs import configure

if TYPE_CHECKING:
    from asleft.outlets.settings import OutletSettings

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
    add_round_arguments(parser, "where what goes out", {"--schema": "print the JSON Schema of what is sent"})


def run(args: argparse.Namespace) -> int:
    """Send until interrupted. Raises `UserError` for wrong input."""
    from asleft.outlets.settings import SAMPLE, read_settings

    if args.sample:
        print(SAMPLE, end="")
        return 0
    if args.schema:
        import json

        from asleft.outlets.forms import schemas

        print(json.dumps(schemas(), indent=2))
        return 0
    settings = settings_of(args, "outlets", read_settings)
    if args.check:
        for line in settings.lines:
            print(line)
        return 0
    return _serve(args, data_of(args), settings)


def _serve(args: argparse.Namespace, data: Path, settings: OutletSettings) -> int:
    from asleft.outlets.service import Outlets
    from asleft.store.access import open_access
    from asleft.store.records import open_records
    from asleft.web.source import Source
    from asleft.web.when import PlantTime

    configure(args.log_level)
    where = records_of(args)
    store, records = opened(where, open_access), opened(where, open_records)
    source = Source(reader_of(args, data), records, PlantTime.named(settings.zone), time.time_ns, store.work)
    outlets = Outlets.of(settings, source, store.outbox)
    try:
        try:
            outlets.start(EVERY_S)
        except OSError as error:
            raise UserError(f"{args.settings}: a file for the broker cannot be used: {error}") from error
        print("; ".join(settings.lines), flush=True)

        def work() -> None:
            outlets.round()

        return every_round(work, "sending")
    finally:
        outlets.stop()
        records.close()
        store.close()
