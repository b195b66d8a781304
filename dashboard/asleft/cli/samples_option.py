"""The options that say where samples are and how long they are kept, the same for every command."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.records_option import records_of

if TYPE_CHECKING:
    from asleft.store.protocols import SampleReader
    from asleft.store.retention import Retention

ABOUT = """\
where samples are (--samples)
  Without it, in a file of the data folder. influx://HOST:PORT/BUCKET names an
  InfluxDB 1.8, 2 or 3 instead (influxs:// with TLS), further:
    ?org=NAME        the organisation (InfluxDB 2)
    &overview=BUCKET bucket of the overviews (default: BUCKET-overview)
    &ca=FILE         certificate of the authority that signed the server's
  Its token is read from the file that ASLEFT_INFLUX_TOKEN_FILE names, or from
  ASLEFT_INFLUX_TOKEN; never from the command line, which others can read.
  recorder, dashboard, rejudge and export need the same --samples.
"""


def add_samples_argument(parser: argparse.ArgumentParser) -> None:
    """Declare `--samples`."""
    parser.add_argument(
        "--samples",
        default="embedded",
        metavar="URL",
        help="influx://HOST:PORT/BUCKET; without it, samples are in the data folder",
    )


def add_keep_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare how long samples are kept."""
    for name, what in (("raw", "raw readings"), ("overview", "minimum, mean and maximum for overviews")):
        parser.add_argument(
            f"--keep-{name}-days", type=float, metavar="N", help=f"keep {what} so long (default: for ever)"
        )


def samples_of(args: argparse.Namespace) -> str:
    """The checked `--samples`. Raises `UserError`."""
    from asleft.store.opening import BadPlace, check_samples

    try:
        check_samples(args.samples)
    except BadPlace as error:
        raise UserError(str(error)) from error
    return str(args.samples)


def retention_of(args: argparse.Namespace) -> Retention:
    """How long samples are kept. Raises `UserError`."""
    from asleft.store.retention import Retention

    try:
        return Retention(args.keep_raw_days, args.keep_overview_days)
    except ValueError as error:
        raise UserError(f"--keep-raw-days, --keep-overview-days: {error}") from error


def reader_of(args: argparse.Namespace, data: Path) -> SampleReader:
    """The sample store for reading. Raises `UserError`."""
    from asleft.store.opening import open_chosen_reader

    return open_chosen_reader(samples_of(args), data, records_of(args))
