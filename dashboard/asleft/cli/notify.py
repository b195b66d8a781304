"""`asleft notify`: tells people of alarms, by mail, web hook and whatever else apprise knows."""

from __future__ import annotations

import argparse
import logging
import signal
import threading
import time
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.cli.files import read_text
from asleft.cli.records_option import add_records_argument, opened, records_of
from asleft.cli.samples_option import add_samples_argument, reader_of
from asleft.monitoring.logs import add_level_argument, configure
from asleft.monitoring.service_manager import ServiceManager

EVERY_S = 5.0

HELP = """\
what it does
  Looks every few seconds for alarms that somebody should be told of, and tells
  them: "now" at once, "this shift" after two minutes, the morning digest once
  a day. One fault on twenty valves is one message. What is acknowledged,
  shelved or gone by then is not told. What moved goes along as a line, in mails
  also as a picture. With overview_at, the change of shift is told what happened
  since the one before, on one time axis. Runs beside the recorder and never keeps
  it waiting. What could not be sent is tried again, each time later; a message
  may arrive twice if this is stopped in the middle of sending, never be lost.

settings
  A small file; --sample prints one. Addresses are secrets: they are named by
  environment variables, and never shown, logged or stored.

examples
  asleft notify --sample > notify.toml
  asleft notify --settings notify.toml --check
  asleft notify --settings notify.toml --test
  asleft notify --settings notify.toml --data asleft-data

exit codes
  0  stopped, or all is well
  1  --test: somebody could not be reached
  2  wrong input; the message names file, key and value

cautions
  A message that does not come is no sign that all is well, and no message
  makes a press safe: isolate, lock out, support and bleed first.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="who is told of what")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    add_level_argument(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--sample", action="store_true", help="print settings to begin with")
    what.add_argument("--check", action="store_true", help="say what is wrong with the settings, if anything")
    what.add_argument("--test", action="store_true", help="send everybody a message that says it is a test")
    what.add_argument("--once", action="store_true", help="one round instead of one every few seconds")


def run(args: argparse.Namespace) -> int:
    """Tells until interrupted. Raises `UserError` for wrong input."""
    from asleft.web.notices.sending import send_by_apprise
    from asleft.web.notices.settings import SAMPLE, read_settings
    from asleft.wire.settings_faults import SettingsError

    if args.sample:
        print(SAMPLE, end="")
        return 0
    if args.settings is None:
        raise UserError("--settings is missing; asleft notify --sample prints some to begin with")
    try:
        settings = read_settings(read_text(args.settings), source=str(args.settings))
    except SettingsError as error:
        raise UserError(str(error)) from error
    if args.check:
        for to in settings.to:
            print(f"{to.name}: {', '.join(sorted(one.value for one in to.classes))}")
        return 0
    if args.test:
        reached = True
        for to in settings.to:
            taken = send_by_apprise(to, "Asleft: a test", f"This is a test. No alarm. {settings.base}/alarms")
            print(f"{to.name}: {'sent' if taken else 'NOT reached'}")
            reached &= taken
        return 0 if reached else 1
    if args.data is None:
        raise UserError("--data is missing: the recorder's data folder")
    return _serve(args, settings)


def _serve(args: argparse.Namespace, settings: object) -> int:
    from asleft.store.access import open_access
    from asleft.store.records import open_records
    from asleft.web.notices.sending import Notifier, send_by_apprise
    from asleft.web.notices.settings import NoticeSettings
    from asleft.web.source import Source
    from asleft.web.when import PlantTime
    from sqlalchemy.exc import SQLAlchemyError

    if not isinstance(settings, NoticeSettings):
        raise TypeError("settings are read by read_settings")
    configure(args.log_level)
    where = records_of(args)
    store, records = opened(where, open_access), opened(where, open_records)
    source = Source(reader_of(args, args.data), records, PlantTime(settings.zone), time.time_ns, store.work)
    notifier = Notifier(source, store.desk, store.outbox, settings, send_by_apprise, store.verifications)
    gone = threading.Event()
    if not args.once:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: gone.set())
        print(f"telling {', '.join(to.name for to in settings.to)}", flush=True)
    manager = ServiceManager()
    manager.ready("telling")
    try:
        while True:
            try:
                count = notifier.round()
                if count:
                    logging.getLogger("asleft").info("%d sent", count)
            except SQLAlchemyError as error:
                if args.once:
                    raise
                logging.getLogger("asleft").error("the records cannot be read, trying again: %s", error)
            manager.alive()
            if args.once or gone.wait(EVERY_S):
                manager.stopping()
                return 0
    finally:
        records.close()
        store.close()
