"""`asleft web`: the dashboard over a data folder."""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path

HELP = "serve the dashboard over a data folder, on this machine"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    parser.add_argument("--host", default="127.0.0.1", help="a loopback address (default 127.0.0.1)")
    parser.add_argument("--port", type=int, default=8050, help="port (default 8050; the next free one if taken)")
    parser.add_argument(
        "--zone", default="Europe/Madrid", metavar="ZONE", help="the plant's time zone (default Europe/Madrid)"
    )


def run(args: argparse.Namespace) -> int:
    """Serves until interrupted. 0 when stopped, 2 for bad arguments."""
    from asleft.store.records import open_records
    from asleft.store.samples import open_samples_reader
    from asleft.web.app import create_app
    from asleft.web.serve import NoFreePortError, NotLoopbackError, address, bind, serve
    from asleft.web.when import UnknownZoneError

    data: Path = args.data
    if data.exists() and not data.is_dir():
        return _refuse(f"--data {data}: not a folder")
    if not 0 <= args.port <= 65_535:
        return _refuse(f"--port {args.port}: must lie between 0 and 65535")
    try:
        listener = bind(args.host, args.port, _tell_taken)
    except (NotLoopbackError, NoFreePortError) as error:
        return _refuse(str(error))
    data.mkdir(parents=True, exist_ok=True)
    records = open_records(data / "records.db")
    try:
        app = create_app(open_samples_reader(data), records, zone=args.zone)
        print(f"dashboard: {address(listener)}", flush=True)
        signal.signal(signal.SIGTERM, _interrupt)
        serve(app, listener)
    except UnknownZoneError as error:
        return _refuse(str(error))
    except KeyboardInterrupt:
        return 0
    finally:
        records.close()
        listener.close()
    return 0


def _interrupt(_signal: int, _frame: object) -> None:
    raise KeyboardInterrupt


def _tell_taken(port: int, following: int) -> None:
    print(f"asleft web: port {port} is taken, trying {following}", file=sys.stderr, flush=True)


def _refuse(why: str) -> int:
    print(f"asleft web: {why}", file=sys.stderr)
    return 2
