"""Faults done to real processes: broker, agent and recorder killed, links cut, disks filled; a row for each.

    python tests/bench/bench_faults.py [--kills 30] [--seed 1] [--only NAME ...] [--rounds 1]

Needs mosquitto; full disks need root. Goals: nothing silently lost, nothing stored twice, drained within 5 s of
healing. The seconds count from when every process is up and every link open again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "end_to_end"))

from fault_plant import table
from fault_scenarios import scenarios, why_not
from report import Goal

DRAIN_S = 5.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=30, help="kills in all (default 30)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="these scenarios")
    arguments = parser.parse_args()
    began_s = time.monotonic()
    rows = []
    for name, run in scenarios(arguments.kills, arguments.seed).items():
        if arguments.only and name not in arguments.only:
            continue
        if why_not(name):
            print(f"{name}: left out, {why_not(name)}")
            continue
        with tempfile.TemporaryDirectory() as folder:
            rows.append(run(Path(folder) / "plant"))
        print(f"{name}: {', '.join(rows[-1].cells()[1:])}", flush=True)
    print(table(rows))
    drains = [float("inf") if row.drain_s is None else row.drain_s for row in rows]
    goals = [
        Goal("silently lost", sum(row.lost for row in rows), at_most=0),
        Goal("stored twice", sum(row.twice for row in rows), at_most=0),
        Goal("longest drain", max(drains), at_most=DRAIN_S, unit="s"),
    ]
    print("\n".join(goal.line() for goal in goals))
    print(f"({time.monotonic() - began_s:.0f} s)")
    return int(any(row.lost or row.twice for row in rows))


if __name__ == "__main__":
    sys.exit(main())
