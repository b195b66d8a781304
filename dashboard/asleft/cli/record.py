"""`asleft record`: the recorder of a plant, over one data folder."""

from __future__ import annotations

import argparse
import logging
import signal
from pathlib import Path

from asleft.cli.errors import UserError

HELP = """\
Takes the blocks of all agents from the broker, stores them durably in DIR,
acknowledges them to the agents only then, and has them judged by the settings
sheets on record (asleft sheet put). A valve without a sheet is stored, not
judged. The dashboard (asleft web --data DIR) reads the same folder.

One recorder works on a data folder; a second one is refused. Stop it with
Ctrl-C or SIGTERM: nothing is lost, the agents keep what is not acknowledged.

The broker may be down or come later; the recorder tries until it answers. It
uses MQTT 5, or MQTT 3.1.1 where the broker knows no other.

example:
  asleft record --data /var/lib/asleft --broker 127.0.0.1:1883

exit codes: 0 stopped; 1 failed, see the log; 2 wrong input, or the folder is
in use by another recorder.

The recorder only listens. It is no safety device and never writes to a machine.
"""

DEFAULT_PORT = 1883


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="data folder; made if need be")
    parser.add_argument(
        "--broker",
        default=f"127.0.0.1:{DEFAULT_PORT}",
        metavar="HOST:PORT",
        help=f"the MQTT broker (default 127.0.0.1:{DEFAULT_PORT})",
    )
    parser.add_argument(
        "--client-id",
        default="asleft-recorder",
        metavar="NAME",
        help="name of the session at the broker (default asleft-recorder); two recorders need two names",
    )
    parser.add_argument("--verbose", action="store_true", help="log more")


def run(args: argparse.Namespace) -> int:
    """Record until SIGTERM or SIGINT. 0 when stopped, 1 after a failure; raises `UserError` for bad arguments."""
    host, port = broker_address(args.broker)
    data: Path = args.data
    if data.exists() and not data.is_dir():
        raise UserError(f"--data {data}: not a folder")
    if not args.client_id:
        raise UserError("--client-id is empty: the broker keeps our session under this name")
    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    logging.getLogger("alembic").setLevel(logging.WARNING)

    from asleft.recorder.service import Recorder
    from asleft.store.lock import FolderInUse
    from asleft.store.migrate import MigrationError
    from asleft.store.schema import SchemaError

    try:
        recorder = Recorder(data, host, port, client_id=args.client_id)
    except (FolderInUse, SchemaError, MigrationError) as error:
        raise UserError(f"asleft record: {error}") from error
    except OSError as error:
        raise UserError(f"asleft record: --data {data}: cannot be used: {error.strerror}") from error
    for stop in (signal.SIGTERM, signal.SIGINT):
        signal.signal(stop, lambda _signal, _frame: recorder.stop())
    print(f"recording into {data} from the broker at {host}:{port}", flush=True)
    return recorder.run()


def broker_address(text: str) -> tuple[str, int]:
    """Host and port of HOST:PORT, HOST or [IPv6]:PORT. Raises `UserError`."""
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port = text, str(DEFAULT_PORT)
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65_535:
        raise UserError(f"--broker {text}: HOST:PORT is expected, with a port between 1 and 65535")
    return host, int(port)
