"""Processor time and memory of one agent that reads sixteen simulated valves at 100 Hz over Modbus TCP on loopback.

    python tests/bench/bench_agent.py [--valves 16] [--seconds 20]

The demo plant's simulator, as often as it takes, and one edge box with the settings of the demo's two, bursts and
all; no broker, so the blocks wait in the spool. Ends by itself. Counts from five seconds after the start.

On a machine that is busy with other things an agent misses ticks. So what is measured is its processor time for each
reading that it did take, and what that comes to at full pace; how many ticks it missed is shown beside.
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
from contextlib import closing
from importlib import resources
from pathlib import Path

import numpy as np
import plant
from asleft.wire.block import Block, Reason
from asleft.wire.codec import decode_upload
from report import Goal

WARM_S = 5.0
PER_SIMULATOR = 8
RATE_HZ = 100.0


def used_s(pid: int) -> float:
    """User and system time of a process so far (s)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def most_memory_mb(pid: int) -> float:
    """Most memory a process has had in the machine so far (MB)."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    (kilobytes,) = re.findall(r"VmHWM:\s+(\d+) kB", status)
    return int(kilobytes) / 1024


def instruments_of(ports: dict[str, str], number: int) -> list[str]:
    """The demo's instruments, one valve each, on the ports of one simulator; its presses are `number`00 and on."""
    tables: list[str] = []
    for box in ("edge-1", "edge-2"):
        text = (resources.files("asleft.cli") / "demo_plant" / "agents" / f"{box}.toml").read_text("utf-8")
        for press, port in ports.items():
            text = text.replace(f"@{press.upper().replace('-', '_')}_PORT@", port)
        tables += ["[[instrument]]" + part for part in text.split("[[instrument]]")[1:]]
    return [re.sub(r'id = "press-', f'id = "press-{number}0', table) for table in tables]


def readings_in(spool: Path, from_ns: int, to_ns: int) -> tuple[int, int]:
    """Readings in an ended agent's spool that were taken between two monotonic times, and ticks that were missed."""
    with closing(sqlite3.connect(spool)) as open_spool:
        blocks = [decode_upload(payload) for (payload,) in open_spool.execute("SELECT payload FROM block")]
    taken = missed = 0
    for block in blocks:
        if not isinstance(block, Block):
            continue
        at_ns = block.monotonic_ns + 1000 * block.offsets_us.astype(np.int64)
        read = np.ones(block.size, bool)
        for mark in block.channels[0].marks:
            if mark.reason is Reason.MISSED_TICK:
                read[mark.first : mark.first + mark.count] = False
        counted = (at_ns >= from_ns) & (at_ns < to_ns)
        taken += int((counted & read).sum())
        missed += int((counted & ~read).sum())
    return taken, missed


def end(process: subprocess.Popen[str]) -> None:
    """Stop a process of ours; kill it if it does not listen."""
    process.send_signal(signal.SIGTERM)
    try:
        process.wait(30)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--valves", type=int, default=16, help="valves of the agent (default 16)")
    parser.add_argument("--seconds", type=float, default=20.0, help="how long it counts (default 20)")
    arguments = parser.parse_args()
    valves, seconds = arguments.valves, arguments.seconds
    running: list[subprocess.Popen[str]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        spool, settings = folder / "spool.db", folder / "agent.toml"
        head = f'agent = "bench"\n[broker]\nport = 1\n[spool]\nfile = "{spool}"\n[sampling]\nrate_hz = {RATE_HZ}\n'
        try:
            tables: list[str] = []
            for number in range(1, -(-valves // PER_SIMULATOR) + 1):
                sim = [sys.executable, "-m", "asleft.sim", "--ports", "0,0,0,0"]
                running.append(subprocess.Popen(sim, stdout=subprocess.PIPE, text=True))
                said = running[-1].stdout
                assert said is not None
                tables += instruments_of(dict(re.findall(r"(press-\d) on [\d.]+:(\d+)", said.readline())), number)
            settings.write_text("\n".join([head, *tables[:valves]]), encoding="utf-8")
            command = [sys.executable, "-m", "asleft.edge.main", str(settings)]
            agent = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
            running.append(agent)
            assert agent.stderr is not None
            next(line for line in agent.stderr if "agent bench" in line)
            time.sleep(WARM_S)
            before_s, from_ns = used_s(agent.pid), time.monotonic_ns()
            time.sleep(seconds)
            spent_s, to_ns = used_s(agent.pid) - before_s, time.monotonic_ns()
            memory_mb = most_memory_mb(agent.pid)
        finally:
            for process in reversed(running):
                end(process)
        taken, missed = readings_in(spool, from_ns, to_ns)
    took = (to_ns - from_ns) / 1e9
    each_s = spent_s / max(taken, 1)
    share = 100 * each_s * valves * RATE_HZ
    plant.table(
        [
            (f"readings of {valves} valves taken, ticks missed, in {took:.0f} s", f"{taken}, {missed}"),
            ("processor time for a reading", f"{1e6 * each_s:.0f} us"),
            ("of a core, as it ran; at full pace", f"{100 * spent_s / took:.1f} %; {share:.1f} %"),
            ("most memory", f"{memory_mb:.0f} MB"),
        ]
    )
    print(Goal(f"{valves} valves at 100 Hz: of a core", share, at_most=10.0, unit="%", timed=True).line())
    print(Goal("most memory", memory_mb, at_most=80.0, unit="MB").line())


if __name__ == "__main__":
    main()
