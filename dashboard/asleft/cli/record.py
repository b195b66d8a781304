"""`asleft record`: the recorder of a plant, over one data folder."""

from __future__ import annotations

import argparse
import os
import signal
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.metrics_option import ABOUT as ABOUT_METRICS
from asleft.cli.metrics_option import add_metrics_argument, watched
from asleft.cli.records_option import ABOUT as ABOUT_RECORDS
from asleft.cli.records_option import add_records_argument, opened, place_of, records_of
from asleft.cli.samples_option import ABOUT, add_keep_arguments, add_samples_argument, retention_of, samples_of
from asleft.monitoring.logs import add_level_argument, configure
from asleft.recorder.agent_limits import Limits
from asleft.wire.transport import WEBSOCKET_PATH_WANTED, is_websocket_path

if TYPE_CHECKING:
    from asleft.recorder.broker_link import BrokerAccess
    from asleft.recorder.expected_boxes import ExpectedBoxes

_LIMITS = Limits()
HELP = f"""\
Takes the blocks of all agents from the broker, stores them durably in DIR,
acknowledges them to the agents only then, and has them judged by the settings
sheets on record (asleft sheet put). A valve without a sheet is stored, not
judged. The dashboard (asleft web --data DIR) reads the same folder.

One recorder works on a data folder; a second one is refused. Stop it with
Ctrl-C or SIGTERM: nothing is lost, the agents keep what is not acknowledged.
A samples.db that is damaged is set aside under a name of its own and a fresh
one is used; asleft restore --help says how to bring back what can be read.

several recorders
  With both --samples influx://... and --records postgresql://... any number of
  recorders share the agents of a plant, on one machine or on many: start each
  with the same --broker, --samples and --records, and with a --data and a
  --client-id of its own. There is nothing else to set. Each agent has one
  recorder at a time, which judges its valves too; when a recorder is stopped,
  dies or loses the broker, the others have taken its agents over within 10 s,
  and a further one takes its share. Nothing is lost meanwhile and nothing is
  stored or judged twice. The health page says which recorder has which agent.
  On a broker that knows us by certificates each recorder needs its own, and its
  lines in the access list.

The broker may be down or come later; the recorder tries until it answers. It
uses MQTT 5, or MQTT 3.1.1 where the broker knows no other.

what an agent may send
  Only readings of valves that are bound to it (asleft agents --help says how);
  with --first-come also those that nobody has bound, up to {_LIMITS.most_valves} for an agent.
  {_LIMITS.most_streams} streams (spool files) each, {_LIMITS.new_streams} in a row and then one an hour.
  {_LIMITS.blocks_per_s:,.0f} messages or {_LIMITS.bytes_per_s / 1e6:.0f} MB a second in the long run.
  No readings older than --oldest-days or dated more than a day ahead, after the
  agent's clock was corrected.
  What is over stays with the agent or is put aside; the health page says what,
  whose, and what to do.

whether edge boxes run what they should
  --boxes DIR: the folder where the plant keeps its boxes' settings (a template
  and a small file of values for each, agent/README.md). What differs is said
  on the health page, by agent; the folder is read again when a file changes.

A broker that other machines can reach needs TLS and an access list in which
only the recorder may write acknowledgements: compose/broker has both, and
compose/certificates.sh makes the certificates.

{ABOUT}
{ABOUT_RECORDS}
how long samples are kept (--keep-raw-days, --keep-overview-days)
  For ever, unless it is said. What is judged, alarms and sheets stay. InfluxDB
  1 is told by the recorder; InfluxDB 2 and 3 by you, when you make the buckets.

{ABOUT_METRICS}
examples:
  asleft record --data /var/lib/asleft --broker 127.0.0.1:1883
  asleft record --data /var/lib/asleft --broker broker.plant:8883 \\
      --broker-ca ca.crt --broker-certificate RECORDER.crt --broker-key RECORDER.key
  asleft record --data /var/lib/asleft --keep-raw-days 90 --keep-overview-days 1000
  asleft record --data /var/lib/asleft --samples influx://10.0.0.7:8086/asleft \\
      --records postgresql://asleft@10.0.0.8/asleft

exit codes: 0 stopped; 1 failed, see the log; 2 wrong input, or the folder is
in use by another recorder.

The recorder only listens. It is no safety device and never writes to a machine.
"""

DEFAULT_PORT = 1883
TLS_PORT = 8883
MOST_JUDGING = 16
MOST_DAYS = 36_500
MAX_NAME = 64
"""Characters of a recorder's name, as of an agent's."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="data folder; made if need be")
    parser.add_argument(
        "--broker",
        default="127.0.0.1",
        metavar="HOST:PORT",
        help=f"the MQTT broker (default 127.0.0.1; port {DEFAULT_PORT}, with TLS {TLS_PORT})",
    )
    secure = parser.add_argument_group("a broker that asks who we are")
    secure.add_argument("--broker-ca", type=Path, metavar="FILE", help="authority that signed the broker's: use TLS")
    secure.add_argument("--broker-certificate", type=Path, metavar="FILE", help="the recorder's certificate (PEM)")
    secure.add_argument("--broker-key", type=Path, metavar="FILE", help="the private key of that certificate")
    secure.add_argument("--broker-user", default="", metavar="NAME", help="name, where the broker asks for one")
    secure.add_argument(
        "--broker-password-file", type=Path, metavar="FILE", help="file whose first line is the password"
    )
    parser.add_argument(
        "--broker-websocket",
        default="",
        metavar="PATH",
        help='reach the broker by WebSockets under this path, as "/mqtt"; --broker then needs a port (default: plain '
        "MQTT)",
    )
    parser.add_argument(
        "--client-id",
        default="asleft-recorder",
        metavar="NAME",
        help="name of the recorder, and of its session at the broker (default asleft-recorder); two recorders need "
        "two names",
    )
    add_samples_argument(parser)
    add_records_argument(parser)
    add_keep_arguments(parser)
    parser.add_argument(
        "--judging-processes",
        type=int,
        default=min(os.cpu_count() or 1, MOST_JUDGING),
        metavar="N",
        help="processes that judge; all but the first only help with what is far behind (default: one a core, at "
        f"most {MOST_JUDGING})",
    )
    parser.add_argument(
        "--first-come",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="let a valve that nobody has bound belong to the first agent that sends it (default: only where the "
        "broker asks nobody who he is, that is without --broker-certificate and --broker-user)",
    )
    parser.add_argument(
        "--oldest-days",
        type=int,
        default=_LIMITS.oldest_days,
        metavar="N",
        help=f"refuse readings older than this (default {_LIMITS.oldest_days})",
    )
    parser.add_argument(
        "--boxes",
        type=Path,
        metavar="DIR",
        help="settings files that the edge boxes should run, kept by the plant: a box that runs others is named",
    )
    add_metrics_argument(parser)
    add_level_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Record until SIGTERM or SIGINT. 0 when stopped, 1 after a failure; raises `UserError` for bad arguments."""
    access = broker_access(args)
    host, port = broker_address(args.broker, DEFAULT_PORT if access.ca_file is None else TLS_PORT)
    data: Path = args.data
    if data.exists() and not data.is_dir():
        raise UserError(f"--data {data}: not a folder")
    if not args.client_id:
        raise UserError("--client-id is empty: the broker keeps our session under this name")
    if len(args.client_id) > MAX_NAME:
        raise UserError(f"--client-id has {len(args.client_id)} characters, at most {MAX_NAME} are allowed")
    if not 1 <= args.judging_processes <= MOST_JUDGING:
        raise UserError(f"--judging-processes {args.judging_processes}: from 1 to {MOST_JUDGING}")
    if not 1 <= args.oldest_days <= MOST_DAYS:
        raise UserError(f"--oldest-days {args.oldest_days}: from 1 to {MOST_DAYS}")
    anybody = access.certificate_file is None and not access.username
    first_come: bool = anybody if args.first_come is None else args.first_come
    samples, retention, records = samples_of(args), retention_of(args), records_of(args)
    configure(args.log_level)
    boxes = expected_boxes(args.boxes)

    from asleft.recorder.metrics import RecorderCollector
    from asleft.recorder.service import Recorder
    from asleft.store.lease_types import NameTaken
    from asleft.store.lock import FolderInUse
    from asleft.store.schema import SchemaError

    try:
        recorder = opened(
            records,
            lambda where: Recorder(
                data,
                host,
                port,
                client_id=args.client_id,
                access=access,
                samples=samples,
                retention=retention,
                records=where,
                judging_processes=args.judging_processes,
                first_come=first_come,
                limits=Limits(oldest_days=args.oldest_days),
                boxes=boxes,
                place=place_of(args),
            ),
        )
    except (FolderInUse, SchemaError) as error:
        raise UserError(f"asleft record: {error}") from error
    except NameTaken as error:
        raise UserError(f"--client-id {args.client_id}: {error}; give this one a name of its own") from error
    for stop in (signal.SIGTERM, signal.SIGINT):
        signal.signal(stop, lambda _signal, _frame: recorder.stop())
    with watched(args.metrics, lambda: RecorderCollector(recorder.figures), recorder.healthy, recorder.ready):
        print(f"recording into {data} from the broker at {host}:{port}", flush=True)
        return recorder.run()


def expected_boxes(folder: Path | None) -> ExpectedBoxes | None:
    """The settings that edge boxes should run. Raises `UserError` for a folder or a file that will not do."""
    from asleft.recorder.expected_boxes import ExpectedBoxes
    from asleft.wire.settings_faults import SettingsError

    if folder is None:
        return None
    if not folder.is_dir():
        raise UserError(f"--boxes {folder}: not a folder")
    try:
        return ExpectedBoxes(folder)
    except (SettingsError, OSError) as error:
        raise UserError(f"--boxes {folder}:\n{error}") from error


def broker_access(args: argparse.Namespace) -> BrokerAccess:
    """Files and name for the broker. Raises `UserError` for what does not fit together or cannot be read."""
    from asleft.recorder.broker_link import BrokerAccess

    ca: Path | None = args.broker_ca
    certificate: Path | None = args.broker_certificate
    key: Path | None = args.broker_key
    if (certificate is None) != (key is None):
        raise UserError("--broker-certificate and --broker-key: each is of no use without the other")
    if certificate is not None and ca is None:
        raise UserError("--broker-ca is missing: without it the broker's own certificate cannot be checked")
    if args.broker_password_file is not None and not args.broker_user:
        raise UserError("--broker-password-file is given without --broker-user")
    path: str = args.broker_websocket
    if path and not is_websocket_path(path):
        raise UserError(f"--broker-websocket {path}: {WEBSOCKET_PATH_WANTED}")
    if path and broker_address(args.broker, 1) != broker_address(args.broker, 2):
        raise UserError(f"--broker {args.broker}: a port is missing; brokers have no usual one for WebSockets")
    access = BrokerAccess(ca, certificate, key, args.broker_user, args.broker_password_file, path)
    try:
        access.context()
    except OSError as error:
        names = ", ".join(str(file) for file in (ca, certificate, key) if file is not None)
        raise UserError(f"the files for TLS ({names}) cannot be used: {error}") from error
    try:
        access.password()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"--broker-password-file {args.broker_password_file}: cannot be read: {error}") from error
    return access


def broker_address(text: str, default_port: int = DEFAULT_PORT) -> tuple[str, int]:
    """Host and port of HOST:PORT, HOST or [IPv6]:PORT. Raises `UserError`."""
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port = text, str(default_port)
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65_535:
        raise UserError(f"--broker {text}: HOST:PORT is expected, with a port between 1 and 65535")
    return host, int(port)
