"""Several recorders over one InfluxDB and one PostgreSQL: what they store together, and one of them killed.

    python tests/bench/bench_scale_out.py [--recorders 2 4] [--agents 8] [--blocks 300] [--folder DIR] [--curve]
                                          [--influxdb-2]

Everything real and on loopback: mosquitto, InfluxDB 1.6 behind the rewrite of `compose/` (or 2), PostgreSQL,
recorders with their judging processes; agents that send as fast as they are acknowledged. Each run starts the
recorders, has the agents send, has them send again, kills one recorder (`kill -9`) in the midst, and counts what
became of all blocks.
On a machine with as many processors as recorders and databases the rate grows with the recorders; where all of them
share two, as here, it shows what sharing costs. With `--curve` nothing is killed: what a valve
costs each kind of process, and how many valves that is (see `scale_curve`).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "recorder"))
import conftest as recorder_tests
import scale_curve
from asleft.recorder.lease_core import LEASE_S
from influx2_server import server_of
from postgres_server import PostgresServer
from report import Goal
from shared_plant import SharedPlant

TOOLS = SimpleNamespace(
    agent=recorder_tests.MiniAgent,
    sheet_record=recorder_tests.sheet_record,
    until=recorder_tests.until,
    t0=recorder_tests.T0,
)
PATIENCE_S = 300.0


@dataclass(frozen=True, slots=True)
class Row:
    """One run."""

    recorders: int
    share_s: float  # from their start until every agent has its recorder
    blocks_per_s: float
    taken_over_s: float  # from the kill until every agent of the killed one had another recorder
    generated: int
    stored: int
    lost: int
    twice: int
    drained_s: float  # from the kill until everything was stored and acknowledged


def run(folder: Path, recorders: int, agents: int, blocks: int, *, influxdb_2: bool) -> Row:
    """Share, store, kill, count."""
    folder.mkdir()
    names = [f"recorder-{number}" for number in range(1, recorders + 1)]
    broker = recorder_tests.Mosquitto(folder).start()
    influx = server_of(folder / "influx", second=influxdb_2)
    postgres = PostgresServer(folder / "postgres").start()
    try:
        plant = SharedPlant(folder, broker.port, influx, postgres.url("plant"), TOOLS, agents)
        try:
            began_s = time.monotonic()
            for name in names:
                plant.start(name)
            TOOLS.until(lambda: plant.shared_by(*names), PATIENCE_S)
            share_s = time.monotonic() - began_s
            began_s = time.monotonic()
            plant.offer(blocks)
            plant.until_stored(blocks, PATIENCE_S)
            took_s = time.monotonic() - began_s
            plant.offer(blocks)
            TOOLS.until(lambda: all(agent.mark > blocks for agent in plant.agents), PATIENCE_S)
            killed_s = time.monotonic()
            plant.recorders[names[-1]].kill()
            TOOLS.until(lambda: plant.shared_by(*names[:-1]), PATIENCE_S)
            taken_over_s = time.monotonic() - killed_s
            plant.until_stored(2 * blocks, PATIENCE_S)
            drained_s = time.monotonic() - killed_s
            generated = agents * 2 * blocks
            marks = plant.reader.marks()
            stored = sum(mark.stored for mark in marks)
            points = plant.counted("block", "seq")
            lost = generated - stored - sum(mark.declared_gap for mark in marks)
            return Row(
                recorders, share_s, agents * blocks / took_s, taken_over_s, generated, stored, lost,
                max(0, points - stored), drained_s,
            )  # fmt: skip
        finally:
            plant.close()
    finally:
        postgres.stop()
        influx.stop()
        broker.kill()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recorders", type=int, nargs="+", default=[2, 4], help="runs, by number of recorders")
    parser.add_argument("--agents", type=int, default=8, help="agents with a valve each (default 8)")
    parser.add_argument("--blocks", type=int, default=300, help="blocks of an agent in each half (default 300)")
    parser.add_argument("--folder", type=Path, help="where the servers keep their files, which are removed again")
    parser.add_argument("--curve", action="store_true", help="what a valve costs, in processor time")
    parser.add_argument("--influxdb-2", action="store_true", help="over an InfluxDB 2 (see tests/influx2_server.py)")
    args = parser.parse_args()
    one_run = scale_curve.measure if args.curve else run
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        rows = [
            one_run(Path(name) / f"with-{count}", count, args.agents, args.blocks, influxdb_2=args.influxdb_2)
            for count in args.recorders
        ]
    if args.curve:
        print(f"{args.agents} valves at 100 Hz, 4 channels; {args.blocks} s of each counted, after as many")
        scale_curve.print_curve(rows)
        return
    print(f"{args.agents} agents, {2 * args.blocks} blocks of each; the last recorder killed in the second half")
    head = (
        "recorders",
        "shared (s)",
        "blocks/s",
        "taken over (s)",
        "drained (s)",
        "generated",
        "stored",
        "lost",
        "twice",
    )
    print("".join(f"{text:>15}" for text in head))
    for row in rows:
        cells = (
            f"{row.recorders}", f"{row.share_s:.1f}", f"{row.blocks_per_s:.0f}", f"{row.taken_over_s:.1f}",
            f"{row.drained_s:.1f}", f"{row.generated}", f"{row.stored}", f"{row.lost}", f"{row.twice}",
        )  # fmt: skip
        print("".join(f"{text:>15}" for text in cells))
    for row in rows:
        print(Goal(f"lost, {row.recorders} recorders", row.lost, at_most=0, unit="blocks").line())
        print(Goal(f"stored twice, {row.recorders} recorders", row.twice, at_most=0, unit="blocks").line())
        name = f"agents of the killed one in other hands, {row.recorders} recorders"
        print(Goal(name, row.taken_over_s, at_most=LEASE_S, unit="s", timed=True).line())


if __name__ == "__main__":
    main()
