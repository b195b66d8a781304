"""`asleft rejudge`: stored history under another sheet, tolerance or budget. What would have alarmed?"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asleft.cli.errors import UserError
from asleft.cli.json_out import write_json
from asleft.cli.records_option import add_records_argument
from asleft.cli.samples_option import add_samples_argument, reader_of
from asleft.cli.times import machine_zone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asleft.cli.rejudge_settings import Task
    from asleft.cli.rejudge_table import Pair
    from asleft.store.protocols import SampleReader

HELP = """\
what it does
  Goes through the readings that a recorder has stored and judges them twice:
  as now (the sheets on record, the usual budget) and with what you change.
  Prints the alarms of both side by side, with * where they differ. It reads
  only: results, alarms and sheets on record stay as they are.

what may be changed (one or more)
  --sheet FILE          another sheet for its valve, in force all the time
  --tolerance NAME=X    another tolerance, in the quantity's unit (A, s, Hz,
                        bar, %, ohm, V); NAME=-A,B for two unequal sides
  --budget-years N      at most one false drift alarm per valve in N years of
                        production; more years: slower, but surer

which time
  Judging begins where the sheet in force at --from began, because "as left"
  is measured there; listed are alarms that stood between --from and --to.
  Without them, all that is stored. Times are in --zone, this machine's own if
  not given.

examples
  asleft rejudge --data asleft-data --sheet press-4-tighter.toml
  asleft rejudge --data asleft-data --valve press-4.platen --tolerance ramp_up=0.08
  asleft rejudge --data asleft-data --budget-years 1 --from 2026-03-01 --json out.json

work in progress
  What was declared as work in progress is judged under neither.

how long it takes
  About 20 s for a day of one valve at 100 readings a second. Ctrl-C ends it
  at any time; nothing is left behind. Live, a valve is looked at every few
  seconds, here every ten minutes, or ten seconds where something happens:
  times of alarms may differ by that much from those on record.

exit codes
  0    the same alarms under both
  1    at least one alarm differs
  2    something given cannot be used; the message says what is wanted
  130  interrupted

cautions
  A tolerance under which nothing alarms is not thereby right. Change a sheet
  only with the technician who answers for the setting.
"""

SCHEMA = "asleft-rejudgement-1"
"""Form and version of the JSON; within a version fields are only added."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft rejudge`."""
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_samples_argument(parser)
    add_records_argument(parser)
    parser.add_argument(
        "--valve", action="append", metavar="ID", help="this valve; may be given several times (default: all)"
    )
    parser.add_argument("--from", dest="from_time", metavar="TIME", help='as "2026-03-02" or "2026-03-02T06:00"')
    parser.add_argument("--to", dest="to_time", metavar="TIME", help="until then, not included")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="another sheet")
    parser.add_argument("--tolerance", action="append", metavar="NAME=X", help="another tolerance")
    parser.add_argument("--budget-years", type=float, metavar="N", help="another budget of false drift alarms")
    parser.add_argument(
        "--zone", default=machine_zone(), metavar="ZONE", help="time zone (default this machine's own)"
    )
    parser.add_argument("--json", metavar="FILE", help='also write the result as JSON; "-" prints it alone')


def run(args: argparse.Namespace) -> int:
    """Judge the history twice; 1 if any alarm differs, else 0."""
    from asleft.cli.rejudge_settings import tasks_of
    from asleft.cli.rejudge_table import table
    from asleft.cli.times import zone_named

    zone = zone_named(args.zone)
    reader = reader_of(args, args.data)
    try:
        tasks = tasks_of(args, reader, zone)
        results = []
        for task in tasks:
            pairs = _judge_again(task, reader)
            results.append((task, pairs))
            if args.json != "-":
                from asleft.cli.ink import ink_for

                print(table(task.valve, pairs, ink_for(sys.stdout), zone), end="", flush=True)
    finally:
        reader.close()
    if args.json is not None:
        _write_json(results, args.json)
    return 1 if any(pair.difference for _, pairs in results for pair in pairs) else 0


def _judge_again(task: Task, reader: SampleReader) -> list[Pair]:
    from asleft.cli.progress import Progress
    from asleft.cli.rejudge_table import paired, within
    from asleft.recorder.effective_sheet import WrongUnit
    from asleft.recorder.replay import replay

    try:
        with Progress(task.valve, task.to_ns - task.begins_ns, sys.stderr) as progress:
            now, other = replay(
                reader,
                task.valve,
                (task.now, task.other),
                task.begins_ns,
                task.to_ns,
                lambda at_ns: progress.at(at_ns - task.begins_ns),
                task.work,
            )
    except WrongUnit as error:
        raise UserError(f"{error}; it cannot be judged with this sheet") from error
    return within(paired(now, other), task.from_ns, task.to_ns)


def _write_json(results: Sequence[tuple[Task, list[Pair]]], target: str) -> None:
    from asleft.cli.rejudge_table import as_json, iso

    valves: list[dict[str, Any]] = [
        {
            "valve": task.valve,
            "from": iso(task.from_ns),
            "to": iso(task.to_ns),
            "judged_from": iso(task.begins_ns),
            "changed": list(task.changed),
            "alarms": as_json(pairs),
        }
        for task, pairs in results
    ]
    text = json.dumps({"schema": SCHEMA, "valves": valves}, indent=2, ensure_ascii=False) + "\n"
    write_json(text, target)


__all__ = ["HELP", "add_arguments", "run"]
