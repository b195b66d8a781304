"""From the options of `asleft rejudge` to what is judged: per valve the time, and the settings now and other."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.cli.records_option import opened, records_of
from asleft.cli.sheet_actions import load_sheet
from asleft.cli.times import time_of
from asleft.judge import drift
from asleft.judge.drift import BUDGET_YEARS
from asleft.recorder.effective_sheet import effective_sheet
from asleft.recorder.replay import Setting
from asleft.recorder.working import Declarations
from asleft.sheet.faults import SheetError
from asleft.sheet.model import QUANTITY_UNITS, Sheet, Tolerance
from asleft.sheet.reader import read_sheet
from asleft.sheet.tolerances import one_number
from asleft.store.protocols import RecordStore, SampleReader, SheetRecord


@dataclass(frozen=True, slots=True)
class Task:
    """One valve: judged from `begins_ns`, alarms listed from `from_ns`, both to `to_ns`; under two settings."""

    valve: str
    begins_ns: int
    from_ns: int
    to_ns: int
    now: Setting
    other: Setting
    changed: tuple[str, ...]  # in words
    work: tuple[tuple[float, float], ...] = ()  # declared work in progress, (from, until) in unix s


def tasks_of(args: argparse.Namespace, reader: SampleReader, zone: tzinfo) -> list[Task]:
    """What the options ask for. Raises `UserError` for what cannot be used."""
    if args.sheet is None and not args.tolerance and args.budget_years is None:
        raise UserError("nothing to change: give --sheet, --tolerance or --budget-years (see asleft rejudge --help)")
    sheet = None if args.sheet is None else load_sheet(args.sheet)
    tolerances = dict(tolerance_of(text) for text in args.tolerance or ())
    if args.budget_years is not None:
        try:
            drift.check_budget(args.budget_years)
        except ValueError as error:
            raise UserError(f"--budget-years {args.budget_years:g}: {error}") from error
    asked = (time_of("--from", args.from_time, zone), time_of("--to", args.to_time, zone))
    stored = reader.valves()
    if not stored:
        raise UserError(f"--data {args.data}: no readings are stored there")
    records = _records(args)
    try:
        names = _valves(args.valve, sheet, stored, records)
        tasks = [
            _task(name, records.sheets(name), reader, asked, sheet, tolerances, args.budget_years) for name in names
        ]
        declared = _declared(args)
        return [replace(task, work=declared.of(task.valve)) for task in tasks]
    finally:
        records.close()


def tolerance_of(text: str) -> tuple[str, Tolerance]:
    """A quantity and its tolerance from "ramp_up=0.08" or "ramp_up=-0.1,0.2". Raises `UserError`."""
    name, _, given = text.partition("=")
    if name not in QUANTITY_UNITS:
        raise UserError(f"--tolerance {text}: there is no setting {name!r}; there are {', '.join(QUANTITY_UNITS)}")
    try:
        numbers = [float(part) for part in given.split(",")]
    except ValueError as error:
        raise UserError(f"--tolerance {text}: wanted {name}=NUMBER, or {name}=-A,B") from error
    if len(numbers) == 1 and math.isfinite(numbers[0]) and numbers[0] > 0.0:
        return name, one_number(name, numbers[0])
    if len(numbers) == 2 and numbers[0] < 0.0 < numbers[1] and any(map(math.isfinite, numbers)):
        return name, Tolerance(below=-numbers[0], above=numbers[1])
    raise UserError(f"--tolerance {text}: must be above 0, or -A,B with -A below and B above 0")


def _valves(
    asked: Sequence[str] | None, sheet: Sheet | None, stored: Sequence[str], records: RecordStore
) -> list[str]:
    """The valves to judge, each with readings and, but for the one of `sheet`, with a sheet on record."""
    for name in asked or ():
        if name not in stored:
            raise UserError(f"--valve {name}: no readings of it are stored; there are {', '.join(stored)}")
    if sheet is not None:
        if sheet.valve not in stored or (asked and list(asked) != [sheet.valve]):
            where = f"of {sheet.valve}, no readings of which are stored" if sheet.valve not in stored else ""
            raise UserError(f"--sheet is {where or f'the sheet of {sheet.valve}, not of ' + ', '.join(asked or ())}")
        return [sheet.valve]
    with_sheet = set(records.sheet_valves())
    names = list(dict.fromkeys(asked)) if asked else [name for name in stored if name in with_sheet]
    missing = [name for name in names if name not in with_sheet]
    if missing or not names:
        raise UserError(f"no sheet is on record of {', '.join(missing or stored)}; give one with --sheet")
    return names


def _task(
    valve: str,
    filed: Sequence[SheetRecord],
    reader: SampleReader,
    asked: tuple[int | None, int | None],
    sheet: Sheet | None,
    tolerances: Mapping[str, Tolerance],
    budget_years: float | None,
) -> Task:
    span = reader.span(valve)
    if span is None:
        raise UserError(f"{valve}: no readings are stored")
    from_ns = span[0] if asked[0] is None else max(asked[0], span[0])
    to_ns = span[1] + 1 if asked[1] is None else min(asked[1], span[1] + 1)
    if from_ns >= to_ns:
        raise UserError(f"{valve}: nothing is stored between --from and --to")
    first = effective_sheet(filed, from_ns)
    begins_ns = span[0] if first is None else max(first.at_ns, span[0])
    now = Setting(tuple(_ordered(filed)))
    changed = [] if sheet is None else [f"sheet revision {sheet.revision.number} of a file"]
    other = now.sheets if sheet is None else ((begins_ns, sheet),)
    if tolerances:
        other = tuple((at_ns, _with(one, tolerances, valve)) for at_ns, one in other)
        changed += [f"tolerance of {name}: -{t.below:g}, +{t.above:g}" for name, t in tolerances.items()]
    if budget_years is not None:
        changed.append(f"one false drift alarm in {budget_years:g} years")
    years = BUDGET_YEARS if budget_years is None else budget_years
    return Task(valve, begins_ns, from_ns, to_ns, now, Setting(other, years), tuple(changed))


def _ordered(filed: Sequence[SheetRecord]) -> list[tuple[int, Sheet]]:
    """The sheets on record by the time from which they are in force."""
    try:
        return [
            (one.at_ns, read_sheet(one.toml, source=f"sheet {one.number} of {one.valve}"))
            for one in sorted(filed, key=lambda one: (one.at_ns, one.number))
        ]
    except SheetError as error:
        raise UserError(str(error)) from error


def _with(sheet: Sheet, tolerances: Mapping[str, Tolerance], valve: str) -> Sheet:
    unknown = [name for name in tolerances if name not in sheet.tolerance]
    if unknown:
        raise UserError(f"--tolerance: the sheet of {valve} does not give {', '.join(unknown)}")
    return replace(sheet, tolerance={**sheet.tolerance, **tolerances})


def _declared(args: argparse.Namespace) -> Declarations:
    """When work in progress was declared: it is judged under no setting."""
    from asleft.store.work_log import open_work

    log = opened(records_of(args), open_work)
    try:
        declarations = Declarations(log)
        declarations.read_on()
        return declarations
    finally:
        log.close()


def _records(args: argparse.Namespace) -> RecordStore:
    from asleft.store.records import open_records

    target = records_of(args)
    if isinstance(target, Path) and not target.is_file():
        raise UserError(f"--data {args.data}: there is no {target.name}")
    return opened(target, open_records)
