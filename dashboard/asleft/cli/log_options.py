"""Options that say how a logger's files are read, the same for every command; questions on a terminal."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from asleft.cli.errors import UserError

if TYPE_CHECKING:
    from asleft.logfile.given import Given, Question
    from asleft.sheet.model import Signal

T = TypeVar("T")

HELP = """\
your logger's file
  Read as it is: text in any encoding and with any separator, decimal comma,
  lines above the header, a line of units; xlsx, ods, Parquet, Feather; gzip,
  zip, zstd. Columns are told by header, unit, values, and by how they move
  with each other. Where a file can be read in two ways it is not judged: on a
  terminal you are asked, else the message says which option to give:
    --column command="AI 1"   which column (or its number, or "none")
    --unit-of pressure=psi    in which unit; --unit-of time=milliseconds
    --dates day-first         3/4/2026 is the third of April
    --shunt 0.1               the current is a voltage across so many ohm
    --transmitter 0:250bar    pressures at 4 and at 20 mA
    --counts 5530:27648       numbers at 0 and at 100 % command
    --start 2026-03-02T08:00  when it began, where times only count from then
  asleft log FILE shows what is in a file and writes the map for the next one.
"""


def add_log_options(parser: argparse.ArgumentParser, *, zone: bool = True) -> None:
    """Declare the options; without `--zone` where the command has one of its own."""
    group = parser.add_argument_group("how the file is read")
    group.add_argument("--map", type=Path, metavar="FILE", help="how to read this logger's files, in full")
    if zone:
        group.add_argument(
            "--zone",
            metavar="ZONE",
            help="time zone of times that carry none (default this machine's own; of a map its own)",
        )
    group.add_argument("--start", metavar="TIME", help="when the recording began, for times that count from then")
    group.add_argument(
        "--column", action="append", default=[], metavar="CHANNEL=HEADER", help="which column a channel is"
    )
    group.add_argument("--unit-of", action="append", default=[], metavar="CHANNEL=UNIT", help="in which unit it is")
    group.add_argument("--dates", choices=("day-first", "month-first", "year-first"), help="the order in dates")
    group.add_argument("--decimal", choices=("comma", "point"), help="the decimal sign")
    group.add_argument("--separator", metavar="CHARACTER", help='between cells; "tab", "blanks"')
    group.add_argument("--encoding", metavar="NAME", help="of a text file, as cp1252")
    group.add_argument("--table", metavar="NAME", help="sheet of a workbook, or file of a zip")
    group.add_argument("--group", metavar="NAME", help="which of several valves in one file")
    group.add_argument("--shunt", type=float, metavar="OHM", help="the current is a voltage across it")
    group.add_argument("--transmitter", metavar="LOW:HIGH", help="pressures at 4 and 20 mA, as 0:250bar")
    group.add_argument("--counts", metavar="LOW:HIGH", help="numbers at 0 and at 100 %% command")
    group.add_argument("--shift", type=float, metavar="SECONDS", help="added to all files but the first, with --join")
    group.add_argument("--no-questions", action="store_true", help="never ask; refuse where a question is open")


def given_of(args: argparse.Namespace, *, signal: Signal | None = None, sheet_text: str | None = None) -> Given:
    """What the options say. A map, or a `[log]` table in the sheet, says all; without them the rest is recognised.

    Raises:
        UserError: an option's value cannot be used.
    """
    from asleft.cli.files import read_text
    from asleft.cli.times import machine_zone, moment_of, zone_named
    from asleft.logfile.given import Given
    from asleft.sheet.faults import SheetError
    from asleft.sheet.logmap import LogMap, log_map_of_sheet, read_log_map

    log_map: LogMap | None = None
    try:
        if args.map is not None:
            log_map = read_log_map(read_text(args.map), source=str(args.map))
        elif sheet_text is not None:
            found = log_map_of_sheet(sheet_text, source=str(getattr(args, "sheet", "sheet")))
            log_map = found if found != LogMap() else None
    except SheetError as error:
        raise UserError(str(error)) from error
    transmitter, pressure_unit = _transmitter(args.transmitter)
    units = dict(_pair("--unit-of", each) for each in args.unit_of)
    if pressure_unit:
        units.setdefault("pressure", pressure_unit)
    _check_units(units)
    columns = dict(_pair("--column", each) for each in args.column)
    if args.shunt is not None and not 1e-6 <= args.shunt <= 1e4:
        raise UserError(f"--shunt {args.shunt:g}: must lie between 0.000001 and 10000 ohm")
    if log_map is not None and (columns or units):
        raise UserError(
            "--column and --unit-of: not beside a map (--map, or [log] in the sheet); write it into the map"
        )
    return Given(
        log_map=log_map,
        zone=zone_named(args.zone) if args.zone else None,
        zone_name=args.zone,
        local_zone=machine_zone(),
        start=moment_of("--start", args.start, zone_named(args.zone or machine_zone())),
        signal=signal,
        columns=columns,
        units=units,
        order=args.dates,
        decimal=args.decimal,
        separator={"tab": "\t"}.get(args.separator or "", args.separator),
        encoding=_encoding(args.encoding),
        table=args.table,
        group=args.group,
        shunt_ohm=args.shunt,
        shift_s=args.shift,
        transmitter=transmitter,
        counts=_two("--counts", args.counts) if args.counts else None,
    )


def _pair(option: str, text: str) -> tuple[str, str]:
    from asleft.sheet.logmap import CHANNELS

    channel, sign, value = text.partition("=")
    channel = channel.strip()
    if not sign or not value.strip() or channel not in CHANNELS:
        raise UserError(f"{option} {text}: wanted as CHANNEL=..., with a channel of {', '.join(CHANNELS)}")
    return channel, value.strip()


def _check_units(units: dict[str, str]) -> None:
    from asleft.sheet.logmap import CHANNELS, TIME_WORDS

    allowed = {
        "time": TIME_WORDS,
        "current": ("A", "mA", "V", "mV"),
        "pressure": (*CHANNELS["pressure"], "mA"),
        "command": (*CHANNELS["command"], "counts"),
    }
    for channel, unit in units.items():
        known = allowed.get(channel, tuple(CHANNELS[channel]))
        if unit not in known:
            raise UserError(
                f"--unit-of {channel}={unit}: must be one of {', '.join(known) or 'nothing: it has no unit'}"
            )


def _two(option: str, text: str) -> tuple[float, float]:
    try:
        low, high = (float(each) for each in text.split(":"))
    except ValueError as error:
        raise UserError(f"{option} {text}: two numbers are wanted, as LOW:HIGH") from error
    if not abs(low) < 1e12 or not abs(high) < 1e12 or low == high:
        raise UserError(f"{option} {text}: two different numbers are wanted, as LOW:HIGH")
    return low, high


def _transmitter(text: str | None) -> tuple[tuple[float, float] | None, str | None]:
    if text is None:
        return None, None
    match = re.fullmatch(r"([^a-zA-Z]*[\d.])\s*([a-zA-Z]*)", text.strip())
    if not match:
        raise UserError(f"--transmitter {text}: wanted as LOW:HIGH with a unit, as 0:250bar")
    return _two("--transmitter", match.group(1)), match.group(2) or None


def _encoding(name: str | None) -> str | None:
    if name is not None:
        try:
            "a".encode(name)
        except (LookupError, ValueError) as error:
            raise UserError(
                f'--encoding {name}: no known text encoding; try "utf-8", "cp1252" or "utf-16"'
            ) from error
    return name


def with_answers(args: argparse.Namespace, read: Callable[[argparse.Namespace], T]) -> T:
    """Call `read`, asking on the terminal what is open, until nothing is. Where nobody can be asked, the error stays.

    Raises:
        asleft.logfile.door.OpenQuestionsError: something is open, and there is no terminal, or no answer.
    """
    from asleft.logfile.door import OpenQuestionsError

    given: list[str] = []
    while True:
        try:
            return read(args)
        except OpenQuestionsError as error:
            if args.no_questions or not sys.stdin.isatty() or not sys.stderr.isatty():
                raise
            options = _ask(error.questions[0])
            if not options:
                raise
            given += options
            parser = argparse.ArgumentParser(add_help=False)
            add_log_options(parser, zone=not hasattr(args, "zone"))
            args = parser.parse_args(options, namespace=args)
            print(f"  the next time: {_shown(given)}", file=sys.stderr)


def _shown(options: Sequence[str]) -> str:
    import shlex

    return shlex.join(options)


def _ask(question: Question) -> list[str]:
    """The options that answer a question; empty if it is not answered."""
    print(question.text, file=sys.stderr)
    for number, choice in enumerate(question.choices, 1):
        print(f"  {number}  {choice.label}", file=sys.stderr)
    if question.choices:
        wanted = f"{'1' if len(question.choices) == 1 else f'1 to {len(question.choices)}'}, or Enter to stop: "
    elif question.example:
        wanted = f"{question.example[-1]}, or Enter to stop: "
    else:
        return []
    print(wanted, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline().strip()
    if not answer:
        return []
    if not question.choices:
        option, example = question.example
        prefix = example.partition("=")[0] + "=" if "=" in example and "=" not in answer else ""
        return [option, prefix + answer]
    if answer.isdecimal() and 1 <= int(answer) <= len(question.choices):
        return list(question.choices[int(answer) - 1].options)
    return _ask(question)
