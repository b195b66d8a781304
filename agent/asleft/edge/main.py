"""The command `asleft-agent`."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from asleft.edge.config import AgentConfig, load_config
from asleft.instruments.faults import SettingsError

logger = logging.getLogger(__name__)

_WATCH_S = 5.0

_DESCRIPTION = """\
Reads the instruments of an edge box (command, current, pressure and so on of each valve) at an even pace, keeps the
readings on disk, and sends them to the plant side. It only reads: no Modbus function that writes can be sent. It is
no safety device and replaces none.
"""

_EPILOG = """\
first steps with an instrument of your own:
  1. Write a settings file: which registers hold which channel, with scale, offset and unit. Registers count from 0
     as on the wire: a manual's 30001 or 40001 is register 0.
  2. asleft-agent settings.toml --check    finds every fault of the file at once
  3. asleft-agent settings.toml --once     reads everything once and shows it in amperes, bar and so on: compare with
                                           the instrument's own display before you go on
  4. asleft-agent settings.toml            runs until Ctrl-C (or SIGTERM)

Fit sensors only with the machine isolated, and never in a safety circuit. "As left" or zero current does not mean
safe: stored pressure and raised parts remain. Isolate, lock out, support and bleed first.

Readings that fail are sent too, marked with the reason. Without a broker or recorder the readings wait in the spool
file; nothing is deleted before the recorder has confirmed it, except when the file reaches its bound, and then the
loss is declared.

exit status: 0 all well, 1 a reading failed (--once) or the agent could not go on, 2 a fault in the settings file.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the agent; the exit status. Without `argv` the command line's."""
    parser = argparse.ArgumentParser(
        "asleft-agent",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("settings", type=Path, metavar="SETTINGS.toml", help="settings file of this edge box")
    group = parser.add_mutually_exclusive_group()
    group.add_argument("--check", action="store_true", help="check the settings file and stop")
    group.add_argument("--once", action="store_true", help="read every instrument once, show the readings, and stop")
    parser.add_argument("-v", "--verbose", action="store_true", help="say more about what is going on")
    args = parser.parse_args(argv)
    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    # The Modbus library reports every failed try; our own log reports losses and returns once each.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    try:
        config = load_config(args.settings)
    except (SettingsError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    if args.check:
        fault = _broker_files(config)
        if fault:
            sys.stderr.write(f"{args.settings}: broker: {fault}\n")
            return 2
        sys.stdout.write(
            f"{args.settings}: good. Agent {config.agent}, {len(config.instruments)} instruments, "
            f"{len(config.valves)} valves, {config.sampling.rate_hz:g} Hz.\n"
        )
        return 0
    return _once(config) if args.once else _serve(config)


def _broker_files(config: AgentConfig) -> str:
    """What is wrong with the files of a TLS connection; empty if nothing."""
    if config.broker.ca_file is None:
        return ""
    from asleft.edge.uplink import SessionLost, tls_context

    try:
        tls_context(config.broker)
    except SessionLost as error:
        return str(error)
    return ""


def _once(config: AgentConfig) -> int:
    from asleft.edge.once import read_all_once

    try:
        lines, failed = read_all_once([prepared.build() for prepared in config.instruments])
    except (OSError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write("\n".join(lines) + "\n")
    if failed:
        sys.stdout.write(f"{failed} readings failed.\n")
    return 1 if failed else 0


def _serve(config: AgentConfig) -> int:
    from asleft.edge.service import Agent
    from asleft.edge.spool import SpoolError

    ended = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        ended.set()

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    try:
        agent = Agent(config)
    except SpoolError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    agent.start()
    status = 0
    while not ended.wait(_WATCH_S):
        dead = agent.dead_threads()
        if dead:
            # A supervisor starts us afresh; going on half dead would look like health.
            logger.critical("ending, because of threads that have ended: %s", ", ".join(dead))
            status = 1
            break
    agent.stop()
    return status


if __name__ == "__main__":
    sys.exit(main())
