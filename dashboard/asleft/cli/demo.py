"""`asleft demo`: everything at work on this machine, on simulated presses."""

from __future__ import annotations

import argparse
from pathlib import Path

from asleft.cli.times import machine_zone

HELP = """\
Starts a broker, four simulated presses with eight valves behind Modbus TCP,
two edge agents, the recorder and the dashboard, all on this machine's loopback,
and prints the dashboard's address. Three weeks of sampled history, with nights,
weekends, stops and set-ups in them, are judged behind the live pages at the
first start and kept in the folder for the next.

The broker is mosquitto where it is installed, else an embedded one.
Ctrl-C ends every process.

examples:
  asleft demo
  asleft demo --port 8090 --fresh       another port, and forget what was kept

exit codes: 0 ended; 1 a part would not start, see the named log; 2 wrong input

The presses are simulated. On a real one: Asleft only reads and is no safety
device; isolate, lock out, support and bleed before anybody reaches in.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--data",
        type=Path,
        default=Path(".demo"),
        metavar="DIR",
        help="folder it keeps everything in (default .demo)",
    )
    parser.add_argument(
        "--port", type=int, default=8050, help="dashboard port (default 8050; if taken the next free)"
    )
    parser.add_argument("--zone", default=machine_zone(), help="the plant's time zone (default this machine's own)")
    parser.add_argument(
        "--broker",
        choices=("auto", "mosquitto", "embedded"),
        default="auto",
        help="which broker (default auto: mosquitto where installed)",
    )
    parser.add_argument("--no-history", action="store_true", help="live only, no weeks of history")
    parser.add_argument("--fresh", action="store_true", help="forget what an earlier start kept in the folder")


def run(args: argparse.Namespace) -> int:
    """Run until interrupted."""
    from asleft.cli.demonstration.run import Options, run_demo

    return run_demo(
        Options(
            folder=args.data.resolve(),
            port=args.port,
            zone=args.zone,
            broker=args.broker,
            history=not args.no_history,
            fresh=args.fresh,
        )
    )
