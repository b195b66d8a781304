"""The judge against theory and against other detectors: every table from one run.

    python tests/bench/bench_judge.py [--full] [--workers 2] [--only drift --only faults]

Without --full each part takes seconds, some 250 logs in all (the size that runs in the test suite), and a goal is
missed only where the interval of what was measured rules it out: so few logs tell a broken judge from a sound one,
not 94 % from 95. With --full, the sizes that the figures in tests/bench/README.md were made with, and every
value must keep its limits. Seeds are fixed, so a run can be repeated. Exit code 1: a goal is missed.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import time
from collections.abc import Mapping

os.environ.setdefault("OMP_NUM_THREADS", "1")  # workers share the cores, not threads

from report import Report

#: Part -> module beside this one, which offers `run(full, workers) -> Report`.
PARTS: Mapping[str, str] = {
    "estimators": "judge_estimators",
    "dither-coil": "judge_dither_coil",
    "characteristic": "judge_characteristic",
    "outer": "judge_outer",
    "coverage": "judge_coverage",
    "states": "judge_states",
    "drift": "judge_drift",
    "faults": "judge_faults",
    "day": "judge_day",
}


def run_part(name: str, full: bool, workers: int) -> Report:
    """Run one part; its module is imported only now."""
    report: Report = importlib.import_module(PARTS[name]).run(full, workers)
    report.small = not full
    return report


def main() -> int:
    """Print every part's table and goals; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="the published sizes; about an hour and a half")
    parser.add_argument("--workers", type=int, default=2, help="processes to share the work (default 2)")
    parser.add_argument(
        "--only", action="append", choices=sorted(PARTS), help="this part; may be given several times"
    )
    arguments = parser.parse_args()
    reports = []
    for name in arguments.only or PARTS:
        began = time.monotonic()
        report = run_part(name, arguments.full, arguments.workers)
        print(f"\n{report.text()}\n({time.monotonic() - began:.0f} s)", flush=True)
        reports.append(report)
    missed = [goal for report in reports for goal in report.missed()]
    count, logs = (sum(numbers) for numbers in zip(*((len(r.goals), r.logs) for r in reports), strict=True))
    print(f"\n{logs} logs, {count - len(missed)} of {count} goals held{'' if arguments.full else ' or open'}.")
    for goal in missed:
        print(goal.line())
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
