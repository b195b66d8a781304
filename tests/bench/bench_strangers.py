"""The judge on machines it has never seen: drawn by seed, written as a logger's file, judged as `asleft judge` does.

    python tests/bench/bench_strangers.py [--healthy 60 --faulty 60 --misfits 12] [--jobs 2]
    python tests/bench/bench_strangers.py --full --jobs 2 --json after.jsonl --compare before.jsonl
    python tests/bench/bench_strangers.py --faulty 40 --healthy 0 --faults "ramp up turned" --sizes 3
    python tests/bench/bench_strangers.py --show 17 --condition "exact command" --fault "ramp up turned" --size 3

The machines come from `tests/strangers/`, which shares no code with the judge nor with the simulator. Every log is
judged in this process by the functions of the command, a tenth also by the command as a process; a difference is an
error. Prints a row a condition and a row a fault, each figure with its 95 % interval (Wilson 1927, widened where one
log brings several values), and the goals; under a goal that is missed stand the options that show the logs.
`--json` keeps a row a log, and `--from` prints its tables again without judging. Another release's judge is
judged by putting its folders first: PYTHONPATH=OTHER/agent:OTHER/dashboard. Exit code 1: a goal is missed.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # workers share the cores, not threads

from strangers_rows import Job, Row, read_rows, write_rows
from strangers_run import faulty_jobs, healthy_jobs, judge_all, judged, misfit_jobs
from strangers_score import marks
from strangers_show import shown
from strangers_table import FULL, breaks, changes, goals_of, tables

#: First seeds of each kind of log, so that no two share a machine.
_FAULTY, _MISFIT = 1_000_000, 2_000_000


def main() -> int:
    """Draw, judge, print; the exit code."""
    from strangers.stranger import CONDITIONS, COURSES, FAULTS, MISFITS

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--healthy", type=int, default=60, metavar="N", help="healthy logs (default 60)")
    parser.add_argument("--faulty", type=int, default=60, metavar="N", help="faulty logs (default 60)")
    parser.add_argument("--misfits", type=int, default=12, metavar="N", help="logs that do not fit (default 12)")
    parser.add_argument("--full", action="store_true", help=f"{FULL} healthy, {FULL} faulty and 400 that do not fit")
    parser.add_argument("--seeds", metavar="FROM-TO", help="count seeds from FROM (0 without it); TO says how many")
    parser.add_argument("--conditions", nargs="+", metavar="NAME", choices=CONDITIONS, default=list(CONDITIONS))
    parser.add_argument("--faults", nargs="+", metavar="NAME", choices=FAULTS, default=list(FAULTS))
    parser.add_argument("--sizes", nargs="+", type=float, metavar="TOLERANCES", help="of faults (default all four)")
    parser.add_argument("--courses", nargs="+", metavar="NAME", choices=COURSES, default=list(COURSES))
    parser.add_argument("--jobs", type=int, default=1, help="processes to share the work (default 1)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write a row a log")
    parser.add_argument("--from", type=Path, metavar="FILE", dest="earlier", help="tables of a file of --json")
    parser.add_argument("--compare", type=Path, metavar="FILE", help="say what changed against a file of --json")
    parser.add_argument("--list", metavar="MEASURE", help="name every log that breaks a measure, as false or part")
    parser.add_argument("--names", action="store_true", help="list conditions, faults and the rest, and leave")
    one = parser.add_argument_group("one log")
    one.add_argument("--show", type=int, metavar="SEED", help="print one log's judgement beside its truth")
    one.add_argument("--condition", default="mixture", choices=CONDITIONS, metavar="NAME")
    one.add_argument("--fault", choices=FAULTS, metavar="NAME")
    one.add_argument("--size", type=float, default=3.0, metavar="TOLERANCES")
    one.add_argument("--course", default=COURSES[0], choices=COURSES, metavar="NAME")
    one.add_argument("--second-fault", choices=FAULTS, metavar="NAME")
    one.add_argument("--misfit", choices=MISFITS, metavar="NAME")
    one.add_argument("--keep", type=Path, metavar="FOLDER", help="leave log, sheet and JSON there")
    arguments = parser.parse_args()
    if arguments.names:
        for title, names in (
            ("conditions", CONDITIONS), ("faults", FAULTS), ("courses", COURSES), ("misfits", MISFITS),
        ):  # fmt: skip
            print(f"{title}:", *(f'  "{name}"' for name in names), sep="\n")
        return 0
    if arguments.show is not None:
        job = Job(
            arguments.show, arguments.condition, arguments.fault, arguments.size, arguments.course,
            arguments.second_fault, arguments.misfit,
        )  # fmt: skip
        print(shown(judged(job, folder=arguments.keep)), end="")
        return 0
    return _run(arguments, tuple(MISFITS))


def _run(arguments: argparse.Namespace, misfits: Sequence[str]) -> int:
    began_s = time.monotonic()
    rows: list[Row] = []
    if arguments.earlier is not None:
        rows = read_rows(arguments.earlier)
    else:
        jobs = planned(arguments, misfits)
        coming = _kept(judge_all(jobs, arguments.jobs), rows, len(jobs))
        write_rows(coming, arguments.json or Path(os.devnull))
    print(tables(rows))
    if arguments.list:
        print(f"\n{arguments.list}:", *_broken(rows, arguments.list), sep="\n  ")
    if arguments.compare is not None:
        print(f"\nAgainst {arguments.compare.name}\n{changes(read_rows(arguments.compare), rows)}")
    cpu_s = sum(row.cpu_s for row in rows)
    spent = f"{time.monotonic() - began_s:.0f} s; {cpu_s:.0f} s of processor to read and judge"
    print(f"\n({len(rows)} logs, {spent})")
    goals = [aim.goal for aim in goals_of([(row, marks(row)) for row in rows])]
    return int(any(not goal.held if arguments.full else goal.ruled_out for goal in goals))


def planned(arguments: argparse.Namespace, misfits: Sequence[str]) -> list[Job]:
    """The logs of a run."""
    numbers = (FULL, FULL, 400) if arguments.full else (arguments.healthy, arguments.faulty, arguments.misfits)
    first = 0
    if arguments.seeds:
        begin, _, end = arguments.seeds.partition("-")
        first = int(begin)
        count = int(end) - first + 1 if end else 1
        numbers = tuple(count if number else 0 for number in numbers)  # type: ignore[assignment]
    seeds = [range(start + first, start + first + n) for start, n in zip((0, _FAULTY, _MISFIT), numbers, strict=True)]
    sizes = {"sizes": arguments.sizes} if arguments.sizes else {}
    kinds = (
        healthy_jobs(seeds[0], arguments.conditions),
        faulty_jobs(seeds[1], arguments.conditions, arguments.faults, arguments.courses, **sizes),
        misfit_jobs(seeds[2], arguments.conditions, misfits),
    )
    # Mixed evenly, so that what an interrupted run leaves is a smaller run of the same kind.
    placed = [(k / len(jobs), n, job) for n, jobs in enumerate(kinds) for k, job in enumerate(jobs)]
    return [job for _, _, job in sorted(placed, key=lambda one: one[:2])]


def _broken(rows: Sequence[Row], measure: str) -> list[str]:
    return [row.job.options() for row in rows if breaks(measure, marks(row)[measure])]


def _kept(coming: Iterable[Row], rows: list[Row], of: int) -> Iterator[Row]:
    """Pass rows on and keep them; a line on stderr after every fiftieth."""
    for row in coming:
        rows.append(row)
        if len(rows) % 50 == 0:
            print(f"{len(rows)} of {of} logs", file=sys.stderr, flush=True)
        yield row


if __name__ == "__main__":
    sys.exit(main())
