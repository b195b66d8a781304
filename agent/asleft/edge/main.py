"""The command `asleft-agent`."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from asleft.monitoring.logs import add_level_argument, configure
from asleft.monitoring.service_manager import ServiceManager

# What takes a while to load is loaded by the functions below, when it is already known how to end cleanly.
if TYPE_CHECKING:
    from asleft.edge.config import AgentConfig
    from asleft.edge.service import Agent
    from asleft.monitoring.endpoint import Endpoint

logger = logging.getLogger(__name__)

_WATCH_S = 1.0
_INTERRUPTED = 130

_DESCRIPTION = """\
Reads the instruments of an edge box (command, current, pressure and so on of each valve) at an even pace, keeps the
readings on disk, and sends them to the plant side. It only reads: no Modbus function and no OPC UA service that
writes can be sent. It is no safety device and replaces none.
"""

_EPILOG = """\
first steps with an instrument of your own:
  1. Write a settings file: which registers hold which channel, with scale, offset and unit. Registers count from 0
     as on the wire: a manual's 30001 or 40001 is register 0.
  2. asleft-agent settings.toml --check    finds every fault of the file at once, and tries certificates and the place
                                           of the spool; as the user that the agent will run as
  3. asleft-agent settings.toml --once     reads everything once and shows it in amperes, bar and so on: compare with
                                           the instrument's own display before you go on
  4. asleft-agent settings.toml            runs until Ctrl-C (or SIGTERM)

for an OPC UA server (pip install 'asleft[opcua]'):
  asleft-agent browse opc.tcp://HOST:4840   lists its variables with path, node id, type and value
  asleft-agent certificate FILE             makes our own certificate and key

Fit sensors only with the machine isolated, and never in a safety circuit. "As left" or zero current does not mean
safe: stored pressure and raised parts remain. Isolate, lock out, support and bleed first.

Readings that fail are sent too, marked with the reason. Without a broker or recorder the readings wait in the spool
file; nothing is deleted before the recorder has confirmed it, except when the file reaches its bound, and then the
loss is declared.

exit status: 0 all well, 1 a reading failed (--once) or the agent could not go on, 2 a fault in the settings file or
what it names (--check), 130 interrupted.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the agent; the exit status. Without `argv` the command line's."""
    ending = _Ending()
    given = sys.argv[1:] if argv is None else list(argv)
    try:
        if given and given[0] in ("browse", "certificate"):
            from asleft.edge.opcua_commands import run

            return run(given)
        return _run(_arguments(argv), ending)
    except KeyboardInterrupt:
        return _INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has enough; keep the interpreter from complaining while it shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        "asleft-agent",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "settings", type=Path, metavar="SETTINGS.toml", help="settings of this edge box, or its values for a template"
    )
    group = parser.add_mutually_exclusive_group()
    group.add_argument("--check", action="store_true", help="check the settings file and what it names, and stop")
    group.add_argument("--once", action="store_true", help="read every instrument once, show the readings, and stop")
    add_level_argument(parser)
    return parser.parse_args(argv)


def _run(args: argparse.Namespace, ending: _Ending) -> int:
    configure(args.log_level)
    from asleft.edge.config import load_config
    from asleft.wire.broker_words import DOT_WORDS
    from asleft.wire.settings_faults import SettingsError
    from asleft.wire.topics import has_dot

    try:
        config = load_config(args.settings)
    except (SettingsError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    if has_dot(config.agent) and not config.spool.file.exists():
        sys.stderr.write(f"{args.settings}: agent: {config.agent!r}: {DOT_WORDS}; use '-' instead\n")
        return 2
    if args.check:
        from asleft.edge.spool_place import fault_of_place

        faults = [("broker", _broker_files(config)), ("spool", fault_of_place(config.spool.file, config.agent))]
        faults += [("instrument", said) for one in config.instruments for said in one.check()]
        for table, fault in faults:
            if fault:
                sys.stderr.write(f"{args.settings}: {table}: {fault}\n")
        if any(fault for _, fault in faults):
            return 2
        sys.stdout.write(
            f"{args.settings}: good. Agent {config.agent}, {len(config.instruments)} instruments, "
            f"{len(config.valves)} valves, {config.sampling.rate_hz:g} Hz. Settings {config.digest}.\n"
        )
        sys.stdout.flush()
        return 0
    return _once(config) if args.once else _serve(config, ending)


class _Ending:
    """What SIGTERM and SIGINT do: set `asked` while the agent is `serving`; before, interrupt what is going on."""

    def __init__(self) -> None:
        self.asked = threading.Event()
        self.serving = False
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, self._end)
            signal.signal(signal.SIGINT, self._end)

    def _end(self, _number: int, _frame: FrameType | None) -> None:
        self.asked.set()
        if not self.serving:
            raise KeyboardInterrupt


def _broker_files(config: AgentConfig) -> str:
    """What is wrong with the files of a TLS connection; empty if nothing."""
    if config.broker.ca_file is None:
        return ""
    from asleft.instruments.broker import BrokerFilesError, tls_context

    try:
        tls_context(config.broker)
    except BrokerFilesError as error:
        return str(error)
    return ""


def _once(config: AgentConfig) -> int:
    from asleft.edge.once import read_all_once

    try:
        lines, failed = read_all_once([made for prepared in config.instruments for made in prepared.build()])
    except (OSError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
    if failed:
        sys.stdout.write(f"{failed} readings failed.\n")
    return 1 if failed else 0


def _serve(config: AgentConfig, ending: _Ending) -> int:
    from asleft.edge.service import Agent
    from asleft.edge.spool import SpoolError

    manager = ServiceManager()
    try:
        agent = Agent(config)
    except SpoolError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    try:
        endpoint = _endpoint(config, agent)
    except ValueError as error:
        sys.stderr.write(f"metrics.address: {error}\n")
        return 2
    ending.serving = True  # from here on an end is a clean one
    status = 0
    agent.start()
    manager.ready(agent.status())
    while not ending.asked.wait(_WATCH_S):
        dead = agent.dead_threads()
        if dead:
            # A supervisor starts us afresh; going on half dead would look like health.
            logger.critical("ending, because of threads that have ended: %s", ", ".join(dead))
            status = 1
            break
        if agent.healthy():
            manager.alive(agent.status())
    manager.stopping()
    if endpoint is not None:
        endpoint.close()
    agent.stop()
    return status


def _endpoint(config: AgentConfig, agent: Agent) -> Endpoint | None:
    if not config.metrics.address:
        return None
    from asleft.edge.metrics import AgentCollector
    from asleft.monitoring.endpoint import Endpoint

    return Endpoint(config.metrics.address, AgentCollector(agent.figures), agent.healthy, agent.ready)


if __name__ == "__main__":
    sys.exit(main())
