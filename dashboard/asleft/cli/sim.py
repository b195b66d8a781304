"""`asleft sim`: the simulated presses, as a process of their own."""

from __future__ import annotations

import argparse
import os
import sys

HELP = """\
Runs simulated presses behind Modbus TCP: four presses, eight valves, one port
per press and one unit identifier per valve. They work round the clock; each
hour brings a set-up, an emergency stop and a break. Try an agent on them
before you connect it to a machine.

examples:
  asleft sim
  asleft sim --ports 15021,15022,15023,15024 --host 127.0.0.1
  asleft sim --now 2026-03-02T08:00:00Z     the stories' days count back from there

The simulator answers reading only (function codes 2 and 4) and refuses every
other request. The register map is sim/REGISTERS.md. It stops on Ctrl-C.

exit codes: 0 stopped, 2 a port cannot be had or an argument is wrong
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments; the simulator itself checks them."""
    parser.add_argument(
        "--ports",
        default="15021,15022,15023,15024",
        metavar="P1,P2,P3,P4",
        help="one TCP port per press, 0 for any free one (default 15021,15022,15023,15024)",
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default 127.0.0.1)")
    parser.add_argument("--now", metavar="ISO", help="instant from which the stories' days count back (default: now)")
    parser.add_argument("--seed", type=int, default=1, help="of all chance in it (default 1)")


def command_line(args: argparse.Namespace) -> list[str]:
    """The process to start, for parsed arguments."""
    command = [sys.executable, "-m", "asleft.sim", "--ports", args.ports, "--host", args.host]
    if args.now is not None:
        command += ["--now", args.now]
    return [*command, "--seed", str(args.seed)]


def run(args: argparse.Namespace) -> int:
    """Become the simulator: signals, output and exit code are its own from here on."""
    command = command_line(args)
    sys.stdout.flush()
    sys.stderr.flush()
    os.execv(command[0], command)
