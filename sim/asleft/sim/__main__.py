"""`python -m asleft.sim`: serves the demo plant's presses over Modbus TCP until it is told to stop."""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
import sys
import threading
import time
from collections.abc import Sequence
from datetime import datetime

from asleft.sim.live import LivePlant
from asleft.sim.plant import PRESSES, valves
from asleft.sim.server import PortTakenError, PressServers

DESCRIPTION = """\
Serves four simulated presses with eight valves over Modbus TCP, one port per press, one unit per valve.
They work round the clock, with a set-up, an emergency stop and a break in each hour. Reading only:
every function code that writes is refused. Register map: sim/REGISTERS.md.
"""


def port_list(text: str) -> tuple[int, ...]:
    """Ports from "15021,15022,15023,15024"; 0 lets the system choose one."""
    try:
        ports = tuple(int(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"ports must be numbers with commas between, not {text!r}") from None
    if len(ports) != len(PRESSES):
        raise argparse.ArgumentTypeError(f"needs {len(PRESSES)} ports, one per press, not {len(ports)}")
    for port in ports:
        if not 0 <= port <= 65535:
            raise argparse.ArgumentTypeError(f"a port must lie in 0..65535, not {port}")
    taken = [port for port in ports if port]
    if len(set(taken)) != len(taken):
        raise argparse.ArgumentTypeError(f"each press needs a port of its own, not {text}")
    return ports


def instant(text: str) -> float:
    """Unix seconds of an ISO 8601 instant with a zone."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"not an ISO 8601 instant: {text!r}") from None
    if at.tzinfo is None:
        raise argparse.ArgumentTypeError(f"an instant needs a zone, as in 2026-03-02T08:10:00Z, not {text!r}")
    return at.timestamp()


def parser() -> argparse.ArgumentParser:
    """The command's arguments."""
    out = argparse.ArgumentParser(
        prog="asleft sim", description=DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    out.add_argument(
        "--ports",
        type=port_list,
        default=(15021, 15022, 15023, 15024),
        metavar="P1,P2,P3,P4",
        help="one TCP port per press, 0 for any free one (default 15021,15022,15023,15024)",
    )
    out.add_argument("--host", default="127.0.0.1", help="address to listen on (default 127.0.0.1)")
    out.add_argument(
        "--now",
        type=instant,
        metavar="ISO",
        help="instant from which the story's days count back, with a zone (default: the present)",
    )
    out.add_argument("--seed", type=int, default=1, help="of all chance in it (default 1)")
    return out


async def serve(host: str, ports: Sequence[int], now_s: float, seed: int) -> int:
    """Serve until SIGTERM or SIGINT; returns the exit code, 2 if a port cannot be had."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, stop.set)
    plant = LivePlant(valves(now_s), time.time(), seed=seed)
    servers = PressServers(plant, PRESSES, host, ports)
    try:
        await servers.start()
    except PortTakenError as error:
        sys.stderr.write(f"asleft sim: {error}\n")
        return 2
    worker = threading.Thread(target=plant.run, name="plant", daemon=True)
    worker.start()
    places = ", ".join(f"{press} on {host}:{port}" for press, port in servers.ports.items())
    sys.stdout.write(f"asleft sim: listening: {places}\n")
    sys.stdout.flush()
    await stop.wait()
    await servers.stop()
    plant.stop()
    worker.join(timeout=5.0)
    return 0


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code."""
    arguments = parser().parse_args(argv)
    logging.basicConfig(level=logging.WARNING, format="asleft sim: %(name)s: %(message)s")
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # a refused request is no event here
    now_s = time.time() if arguments.now is None else arguments.now
    return asyncio.run(serve(arguments.host, arguments.ports, now_s, arguments.seed))


if __name__ == "__main__":
    sys.exit(main())
