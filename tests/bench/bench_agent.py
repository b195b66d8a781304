"""Processor time of agents that read eight simulated valves at 100 Hz over Modbus TCP on loopback.

    python tests/bench/bench_agent.py [--seconds 20]

The demo plant's simulator and its two edge boxes, four valves each; no broker, so the blocks wait in the spool. Ends
by itself. Processor time counts from five seconds after the start, as a share of one core.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from importlib import resources
from pathlib import Path

import plant
from asleft.wire.block import Block
from asleft.wire.codec import decode_upload

WARM_S = 5.0


def used_s(pid: int) -> float:
    """User and system time of a process so far (s)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def settings_of(name: str, ports: dict[str, str], folder: Path) -> Path:
    """The demo's settings of an edge box with these ports; the broker's port is one where nobody listens."""
    text = (resources.files("asleft.cli") / "demo_plant" / "agents" / f"{name}.toml").read_text("utf-8")
    values = {"BROKER_PORT": "1", "SPOOL": str(folder / f"{name}.db")}
    values |= {f"{press.upper().replace('-', '_')}_PORT": port for press, port in ports.items()}
    for key, value in values.items():
        text = text.replace(f"@{key}@", value)
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def readings_in(spool: Path) -> tuple[int, Counter[str]]:
    """Sample times in a spool, and how many readings failed for which reason."""
    with closing(sqlite3.connect(spool)) as open_spool:
        blocks = [decode_upload(payload) for (payload,) in open_spool.execute("SELECT payload FROM block")]
    whole = [block for block in blocks if isinstance(block, Block)]
    failed: Counter[str] = Counter()
    for block in whole:
        for channel in block.channels:
            for mark in channel.marks:
                failed[mark.reason.value] += mark.count
    return sum(block.size for block in whole), failed


def end(process: subprocess.Popen[str]) -> None:
    """Stop a process of ours; kill it if it does not listen."""
    process.send_signal(signal.SIGTERM)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="how long it counts (default 20)")
    seconds = parser.parse_args().seconds
    running: list[subprocess.Popen[str]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            sim = [sys.executable, "-m", "asleft.sim", "--ports", "0,0,0,0"]
            running.append(subprocess.Popen(sim, stdout=subprocess.PIPE, text=True))
            assert running[0].stdout is not None
            ports = dict(re.findall(r"(press-\d) on [\d.]+:(\d+)", running[0].stdout.readline()))
            for box in ("edge-1", "edge-2"):
                command = [sys.executable, "-m", "asleft.edge.main", str(settings_of(box, ports, folder))]
                running.append(subprocess.Popen(command, stderr=subprocess.DEVNULL, text=True))
            time.sleep(WARM_S)
            before, begin = [used_s(p.pid) for p in running], time.perf_counter()
            time.sleep(seconds)
            took = time.perf_counter() - begin
            shares = [(used_s(p.pid) - b) / took for p, b in zip(running, before, strict=True)]
        finally:
            for process in reversed(running):
                end(process)
        counts = [readings_in(folder / f"{box}.db") for box in ("edge-1", "edge-2")]
        failed = counts[0][1] + counts[1][1]
        plant.table(
            [
                ("simulator, 8 valves", f"{100 * shares[0]:.1f} %"),
                ("edge-1, 4 valves", f"{100 * shares[1]:.1f} %"),
                ("edge-2, 4 valves", f"{100 * shares[2]:.1f} %"),
                ("sample times read", f"{sum(times for times, _ in counts)}"),
                *((f"readings failed, {reason}", f"{count}") for reason, count in failed.items()),
            ]
        )


if __name__ == "__main__":
    main()
