"""How fast an agent catches up after an outage, and whether live data of others waits for it meanwhile.

    python tests/bench/bench_catch_up.py [--minutes 20]

Real mosquitto, recorder and two agents, eight valves each, blocks of a second with four channels at 100 Hz. The spool
of one holds what an outage of so many minutes leaves; the other is live all the time. Goals: at least 20 times the
live rate, and the age of the live agent's newest stored block stays what it was. Needs mosquitto.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "end_to_end"))

import fault_parts as parts
from asleft.edge.spool import Spool
from asleft.wire.block import Block, Channel
from report import Goal

VALVES, RATE_HZ = 8, 100
CHANNELS = (("command", "mA"), ("current", "A"), ("pressure", "bar"), ("supply", "V"))
LIVE_RATE = VALVES  # blocks a second


def block(valve: int, second: int, boot_id: str) -> Block:
    """A block of the past with noise in it, so that it packs no better than a real one."""
    rng = np.random.default_rng(second * VALVES + valve)
    channels = tuple(
        Channel(name, unit, counts=rng.integers(0, 4096, RATE_HZ).astype(np.int16), scale=0.005)
        for name, unit in CHANNELS
    )
    return Block(
        agent="catching-up",
        valve=f"catching-up.v{valve}",
        stream="",
        seq=0,
        boot_id=boot_id,
        wall_ns=time.time_ns() - (10**6 - second) * 10**9,
        monotonic_ns=second * 10**9 + 1,
        clock_synchronised=None,
        offsets_us=(np.arange(RATE_HZ) * 10_000).astype(np.int32),
        channels=channels,
    )


def agent(folder: Path, name: str, port: int) -> parts.Part:
    """A real agent that replays a log for each of its valves."""
    heads = ",".join(channel for channel, _ in CHANNELS)
    rows = "\n".join(f"{n / RATE_HZ:.2f},{4 + n / 40},{n / 900},{n / 3},{24 - n / 900}" for n in range(400))
    listed = ", ".join(f'{{ name = "{channel}", unit = "{unit}" }}' for channel, unit in CHANNELS)
    (folder / "log.csv").write_text(f"time,{heads}\n{rows}\n")
    text = (
        f'agent = "{name}"\n[broker]\nport = {port}\n[spool]\nfile = "{name}.db"\n[sampling]\nrate_hz = {RATE_HZ}.0\n'
    )
    for valve in range(VALVES):
        text += f'[[instrument]]\nfamily = "csv-replay"\nname = "v{valve}"\nfile = "log.csv"\n'
        text += f'valve = "{name}.v{valve}"\nloop = true\nchannel = [{listed}]\n'
    settings = folder / f"{name}.toml"
    settings.write_text(text)
    return parts.Part(name, [sys.executable, "-m", "asleft.edge.main", str(settings)], folder / f"{name}.log")


class Watch:
    """Looks into the sample file from outside."""

    def __init__(self, data: Path) -> None:
        self._file = data / "samples.db"

    def mark(self, agent_name: str) -> int:
        """The agent's mark; 0 while there is none."""
        return self._number("SELECT mark FROM stream WHERE agent = ?", agent_name)

    def age_s(self, agent_name: str) -> float:
        """Since the end of the newest stored block of an agent on this machine."""
        newest_ns = self._number(
            "SELECT MAX(monotonic_ns) FROM block JOIN stream ON stream.id = stream WHERE agent = ? AND seq <= mark",
            agent_name,
        )
        return (time.monotonic_ns() - newest_ns) / 1e9 - 1.0

    def _number(self, query: str, agent_name: str) -> int:
        try:
            with closing(sqlite3.connect(f"file:{self._file}?mode=ro", uri=True, timeout=10.0)) as db:
                row = db.execute(query, (agent_name,)).fetchone()
        except sqlite3.Error:
            return 0
        return int(row[0] or 0) if row else 0


def ages(watch: Watch, seconds: float, until_mark: int | None = None) -> list[float]:
    """The live agent's ages, looked at every 50 ms, for so long or until the other's mark is there."""
    found, end_s = [], time.monotonic() + seconds
    while time.monotonic() < end_s and (until_mark is None or watch.mark("catching-up") < until_mark):
        found.append(watch.age_s("live"))
        time.sleep(0.05)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=20.0, help="length of the outage (default 20)")
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        port = parts.free_port()
        running = [parts.mosquitto(folder, port, persistent=True)]
        waiting = VALVES * round(minutes * 60)
        spool = Spool(folder / "catching-up.db", "catching-up", 512 * 1024 * 1024)
        for second in range(round(minutes * 60)):
            spool.append([block(valve, second, "before") for valve in range(VALVES)])
        spool.close()
        watch = Watch(folder / "data")
        try:
            running[0].start()
            parts.wait_for_port(port)
            running += [parts.recorder(folder, port, folder / "data"), agent(folder, "live", port)]
            running[1].start()
            running[2].start()
            while watch.mark("live") < 3 * LIVE_RATE:
                time.sleep(0.1)
            before = ages(watch, 15.0)
            running.append(agent(folder, "catching-up", port))
            running[3].start()
            while watch.mark("catching-up") == 0:
                time.sleep(0.01)
            first, began_s = watch.mark("catching-up"), time.monotonic()
            during = ages(watch, 600.0, waiting)
            took_s = time.monotonic() - began_s
        finally:
            for part in reversed(running):
                part.end()
    rate = (waiting - first) / took_s
    print(f"{waiting} blocks waited, {minutes:g} minutes of {VALVES} valves")
    print(f"drained in {took_s:.1f} s: {rate:.0f} a second")
    for what, found in (("before", before), ("while the other catches up", during)):
        tenth = statistics.quantiles(found, n=20)[-1]
        print(f"age of the live agent's newest stored block {what}: median {statistics.median(found):.2f} s, "
              f"95 of 100 within {tenth:.2f} s, longest {max(found):.2f} s")  # fmt: skip
    goals = [
        Goal("catch-up over the live rate", rate / LIVE_RATE, at_least=20.0),
        Goal("live age while the other catches up, 95 of 100", statistics.quantiles(during, n=20)[-1],
             at_most=statistics.quantiles(before, n=20)[-1] + 1.0, unit="s"),
    ]  # fmt: skip
    print("\n".join(goal.line() for goal in goals))
    return 0


if __name__ == "__main__":
    sys.exit(main())
