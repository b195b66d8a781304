"""`asleft web`: the dashboard over a data folder."""

from __future__ import annotations

import argparse
import signal
import socket
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.audit_syslog import ABOUT as SYSLOG
from asleft.cli.demonstration.account import refuse_stated_password
from asleft.cli.errors import UserError
from asleft.cli.metrics_option import ABOUT as ABOUT_METRICS
from asleft.cli.metrics_option import add_metrics_argument, watched
from asleft.cli.records_option import add_records_argument, opened, place_of, records_of
from asleft.cli.samples_option import add_samples_argument, reader_of
from asleft.cli.times import machine_zone
from asleft.monitoring.logs import add_level_argument, configure

if TYPE_CHECKING:
    from asleft.web.access.visitor import Access, Rules

HELP = f"""\
what it does
  Serves the dashboard over DIR, the recorder's data folder, until Ctrl-C.

where samples and records are
  In DIR, or where --samples and --records say: as the recorder has them
  (asleft record --help).

who may see it
  As long as there is no account, everybody on this machine, and nobody from
  another: only the machine's own addresses are served. From the first account
  on (asleft users add) everybody signs in, at once, without a restart; and
  then --host may name an address that others reach.

  Passwords must not cross a network in the clear. Put a reverse proxy with TLS
  before it, on the same machine or in the same compose file, let it pass the
  Host header on, and name its address with --behind-proxy.

how long one stays signed in
  Technicians and administrators: until nothing was done for --idle-minutes,
  at most --session-hours. Viewers, who change nothing and whose pages may hang
  on a wall: as long as a page of theirs is open, at most 30 days.

{ABOUT_METRICS}  /healthz and /readyz are at the dashboard's own address too.

what serves an exposed port
  waitress, in this process: it speaks HTTP without TLS, holds 500 connections,
  64 of one address, closes what does not arrive in time, and lets costly
  answers (documents, graded stretches, tables) take turns, so that a page is
  never behind them. Where others reach it, let a proxy stand before it:
  compose/proxy/nginx.conf has TLS and limits for each address.

the audit trail
  Every sign-in and change, for ever, unless --keep-audit-days or
  --keep-audit-lines say how much is kept; that lines went is a line itself.

{SYSLOG}
examples
  asleft web --data asleft-data
  asleft web --data asleft-data --host 10.20.0.5 --name presses.plant.example
  asleft web --data asleft-data --behind-proxy 127.0.0.1 \\
    --name presses.plant.example

exit codes
  0  stopped
  2  wrong input, or not allowed; the message says what to do

cautions
  What is shown makes no machine safe: isolate, lock out, support and bleed
  before anybody reaches in. The dashboard only reads.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    parser.add_argument("--host", default="127.0.0.1", help="address to serve (default 127.0.0.1)")
    parser.add_argument("--port", type=int, default=8050, help="port (default 8050; the next free one if taken)")
    parser.add_argument(
        "--zone", default=machine_zone(), metavar="ZONE", help="the plant's time zone (default this machine's own)"
    )
    add_metrics_argument(parser)
    add_level_argument(parser)
    door = parser.add_argument_group("with accounts")
    door.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="HOST",
        help="host name it is called by; others are then refused; may be repeated",
    )
    door.add_argument(
        "--behind-proxy",
        metavar="ADDRESS",
        help="address of the reverse proxy that speaks TLS; * for whoever connects, where nobody else can",
    )
    door.add_argument("--idle-minutes", type=float, default=30.0, metavar="N", help="default 30")
    door.add_argument("--session-hours", type=float, default=12.0, metavar="N", help="default 12")
    door.add_argument(
        "--require-second-factor",
        action="store_true",
        help="administrators may only look until they have set one up (on their account's page)",
    )
    door.add_argument(
        "--keep-audit-days", type=int, default=0, metavar="N", help="let older lines of the audit trail go"
    )
    door.add_argument(
        "--keep-audit-lines", type=int, default=0, metavar="N", help="keep at most so many; by default all are kept"
    )
    door.add_argument("--notice", default="", metavar="TEXT", help="words to show where people sign in")


def run(args: argparse.Namespace) -> int:
    """Serves until interrupted. 0 when stopped, 2 for bad arguments."""
    configure(args.log_level)
    try:
        rules = _rules(args)
    except UserError as error:
        return _refuse(str(error))
    data: Path = args.data
    if data.exists() and not data.is_dir():
        return _refuse(f"--data {data}: not a folder")
    if not 0 <= args.port <= 65_535:
        return _refuse(f"--port {args.port}: must lie between 0 and 65535")
    try:
        return _open_and_serve(args, data, rules)
    except UserError as error:
        return _refuse(str(error))


def _open_and_serve(args: argparse.Namespace, data: Path, rules: Rules) -> int:
    from asleft.store.access import open_access
    from asleft.store.disk_space import left_on_disk
    from asleft.store.opening import kind_of
    from asleft.store.records import open_records
    from asleft.web.access.passwords import Passwords
    from asleft.web.access.visitor import Access
    from asleft.web.app import create_app, installed_version
    from asleft.web.serve import NoFreePortError, NotLoopbackError, address, bind, serve
    from asleft.web.watched import DashboardCollector, SelfWatch, ready
    from asleft.web.when import UnknownZoneError

    data.mkdir(parents=True, exist_ok=True)
    where = records_of(args)
    store, records, listener = opened(where, open_access), opened(where, open_records), None
    try:
        access = Access(store, Passwords(), time.time_ns, rules)
        _check_exposure(args, access)
        listener = _listen(args, bind)
        ours = isinstance(where, Path) or kind_of(args.samples).in_folder
        free = partial(left_on_disk, data) if ours else (lambda: None)
        app = create_app(reader_of(args, data), records, access, zone=args.zone, free_bytes=free)
        availability = app.server.extensions["asleft.availability"]
        with watched(
            args.metrics,
            lambda: DashboardCollector(app.server, availability, installed_version()),
            lambda: True,
            lambda: ready(store, availability),
        ):
            print(f"dashboard: {address(listener)}", flush=True)
            _tell(args, access)
            signal.signal(signal.SIGTERM, _interrupt)
            watching = availability.watch()
            SelfWatch(listener).start()
            try:
                serve(app, listener, args.behind_proxy)
            finally:
                watching.set()
    except (NotLoopbackError, NoFreePortError, UnknownZoneError, UserError) as error:
        return _refuse(str(error))
    except KeyboardInterrupt:
        return 0
    finally:
        records.close()
        store.close()
        if listener is not None:
            listener.close()
    return 0


def _rules(args: argparse.Namespace) -> Rules:
    from asleft.store.audit import LEAST_LINES, AuditBound
    from asleft.web.access.visitor import Rules
    from asleft.web.serve import is_loopback

    for option, value, most in (
        ("idle-minutes", args.idle_minutes, 1440.0),
        ("session-hours", args.session_hours, 720.0),
    ):
        if not 1.0 <= value <= most:
            raise UserError(f"--{option} {value:g}: must lie between 1 and {most:g}")
    for option, count, least in (
        ("keep-audit-days", args.keep_audit_days, 1),
        ("keep-audit-lines", args.keep_audit_lines, LEAST_LINES),
    ):
        if count and count < least:
            raise UserError(f"--{option} {count}: at least {least}, or leave it out to keep all")
    bound = AuditBound(args.keep_audit_days, args.keep_audit_lines)
    reachable = not is_loopback(args.host) or args.behind_proxy is not None
    return Rules(
        idle_s=args.idle_minutes * 60.0,
        longest_s=args.session_hours * 3600.0,
        names=frozenset(args.name),
        any_name=reachable and not args.name,
        proxied=args.behind_proxy is not None,
        notice=args.notice,
        second_factor=args.require_second_factor,
        audit=bound if bound != AuditBound() else None,
    )


def _check_exposure(args: argparse.Namespace, access: Access) -> None:
    """Raises unless whoever can reach us has to sign in, with a password that is not common knowledge."""
    from asleft.web.serve import check_loopback, is_loopback

    proxied = args.behind_proxy is not None
    if not access.closed:
        check_loopback(args.host, place_of(args))
        if proxied:
            raise UserError(
                "--behind-proxy: the proxy's visitors would see everything, as there are no accounts yet. Make one "
                f"first:\n  asleft users add NAME --role administrator {place_of(args)}"
            )
    if not is_loopback(args.host) or proxied:
        refuse_stated_password(access, place_of(args))


def _listen(
    args: argparse.Namespace, bind: Callable[[str, int, Callable[[int, int], None]], socket.socket]
) -> socket.socket:
    try:
        return bind(args.host, args.port, _tell_taken)
    except socket.gaierror as error:
        raise UserError(f"--host {args.host}: there is no such address: {error.strerror}") from error
    except OSError as error:
        if error.errno is None:
            raise
        raise UserError(f"--host {args.host}: cannot be served: {error.strerror}") from error


def _tell(args: argparse.Namespace, access: Access) -> None:
    from asleft.web.serve import is_loopback

    if not access.closed:
        print("no accounts: open to everybody on this machine; asleft users --help", flush=True)
    elif args.behind_proxy is None and not is_loopback(args.host):
        print(
            "asleft web: passwords and readings cross the network in the clear; put a proxy with TLS before it "
            "(asleft web --help)",
            file=sys.stderr,
            flush=True,
        )


def _interrupt(_signal: int, _frame: object) -> None:
    raise KeyboardInterrupt


def _tell_taken(port: int, following: int) -> None:
    print(f"asleft web: port {port} is taken, trying {following}", file=sys.stderr, flush=True)


def _refuse(why: str) -> int:
    print(f"asleft web: {why}", file=sys.stderr)
    return 2
