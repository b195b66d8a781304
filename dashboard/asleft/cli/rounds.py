"""What commands share that run beside the recorder and look every few seconds: their options, settings and rounds."""

from __future__ import annotations

import argparse
import logging
import signal
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from asleft.cli.errors import UserError
from asleft.cli.files import read_text
from asleft.cli.records_option import add_records_argument
from asleft.cli.samples_option import add_samples_argument
from asleft.monitoring.logs import add_level_argument
from asleft.monitoring.service_manager import ServiceManager

EVERY_S = 5.0

T = TypeVar("T")


def add_round_arguments(parser: argparse.ArgumentParser, settings: str, also: Mapping[str, str]) -> None:
    """Declare the options. `settings` says what the file is for; `also`: what else may be asked for, with its help.

    Of those, --sample and --check only one at a time.
    """
    parser.add_argument("--settings", type=Path, metavar="FILE", help=settings)
    parser.add_argument("--data", type=Path, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    add_level_argument(parser)
    what = parser.add_mutually_exclusive_group()
    choices = {
        "--sample": "print settings to begin with",
        "--check": "say what is wrong with the settings, if anything",
        **also,
    }
    for option, words in choices.items():
        what.add_argument(option, action="store_true", help=words)


def settings_of(args: argparse.Namespace, command: str, read: Callable[..., T]) -> T:
    """The settings from the file. Raises `UserError`."""
    from asleft.wire.settings_faults import SettingsError

    if args.settings is None:
        raise UserError(f"--settings is missing; asleft {command} --sample prints some to begin with")
    try:
        return read(read_text(args.settings), source=str(args.settings))
    except SettingsError as error:
        raise UserError(str(error)) from error


def data_of(args: argparse.Namespace) -> Path:
    """The data folder. Raises `UserError`."""
    data: Path | None = args.data
    if data is None:
        raise UserError("--data is missing: the recorder's data folder")
    return data


def every_round(work: Callable[[], None], ready: str) -> int:
    """Work every few seconds until SIGTERM or SIGINT; 0 then.

    While a store cannot be read it goes on trying, and says so once, then once a minute. `ready` is told to the
    service manager.
    """
    from asleft.recorder.outage import Outage
    from asleft.store.trouble import TROUBLE, is_away, plain

    gone = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: gone.set())
    manager = ServiceManager()
    manager.ready(ready)
    outage = Outage(logging.getLogger("asleft"), "a store cannot be read", time.monotonic)
    while True:
        try:
            work()
            outage.over()
        except TROUBLE as error:
            if not is_away(error):
                raise
            outage.failed(plain(error))
        manager.alive()
        if gone.wait(EVERY_S):
            manager.stopping()
            return 0
