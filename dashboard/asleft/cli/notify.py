"""`asleft notify`: tells people of alarms, by mail, web hook and whatever else apprise knows."""

from __future__ import annotations

import argparse
import logging
import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.records_option import opened, records_of
from asleft.cli.rounds import add_round_arguments, data_of, every_round, settings_of
from asleft.cli.samples_option import reader_of
from asleft.monitoring.logs import configure

if TYPE_CHECKING:
    from asleft.web.notices.settings import NoticeSettings

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
    """Declare the arguments of `asleft notify`."""
    also = {
        "--test": "send everybody a message that says it is a test",
        "--once": "one round instead of one every few seconds",
    }
    add_round_arguments(parser, "who is told of what", also)


def run(args: argparse.Namespace) -> int:
    """Tell until interrupted. Raises `UserError` for wrong input."""
    from asleft.web.notices.sending import send_by_apprise
    from asleft.web.notices.settings import SAMPLE, read_settings

    if args.sample:
        print(SAMPLE, end="")
        return 0
    settings = settings_of(args, "notify", read_settings)
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
    return _serve(args, data_of(args), settings)


def _serve(args: argparse.Namespace, data: Path, settings: NoticeSettings) -> int:
    from asleft.store.access import open_access
    from asleft.store.records import open_records
    from asleft.web.notices.sending import Notifier, send_by_apprise
    from asleft.web.source import Source
    from asleft.web.when import PlantTime

    configure(args.log_level)
    where = records_of(args)
    store, records = opened(where, open_access), opened(where, open_records)
    source = Source(reader_of(args, data), records, PlantTime(settings.zone), time.time_ns, store.work)
    notifier = Notifier(source, store.operator_actions, store.outbox, settings, send_by_apprise, store.verifications)

    def work() -> None:
        count = notifier.round()
        if count:
            logging.getLogger("asleft").info("%d sent", count)
        source.samples.check()  # people are told without the readings, and somebody that these cannot be read

    try:
        if args.once:
            notifier.round()
            return 0
        print(f"telling {', '.join(to.name for to in settings.to)}", flush=True)
        return every_round(work, "telling")
    finally:
        records.close()
        store.close()
