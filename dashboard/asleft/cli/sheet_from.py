"""What `asleft sheet from` does: a sheet from a recording of a valve that has none."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.sheet_actions import refuse_bad_values, settings_of, written
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, Sheet, Signal, SignalKind
from asleft.sheet.names import LABELS, format_quantity, format_uncertainty, unit_symbol
from asleft.sheet.signal import ENDS
from asleft.sheet.template import new_sheet_text

if TYPE_CHECKING:
    from asleft.cli.ink import Ink
    from asleft.judge.propose import FirstSheet
    from asleft.judge.types import Finding
    from asleft.logfile.door import Reading

_CALENDAR_S = 978_307_200.0
"""2001: times before it count from the start of a recording."""


def sheet_from(args: argparse.Namespace) -> int:
    """Write the sheet; 1 if the recording shows nothing. Raises `UserError` or `LogError` for wrong input."""
    from asleft.cli.ink import ink_for
    from asleft.cli.log_options import given_of, with_answers
    from asleft.judge.judge import judge_log
    from asleft.judge.propose import first_sheet, proposed_tolerance
    from asleft.logfile.door import read

    signal = _signal(args)
    given_settings = settings_of(args.set)
    valve = args.valve_id or _ask("id of the valve, as press-4.platen", "--valve-id ID")
    reading = with_answers(args, lambda options: read(args.log, given_of(options, signal=signal)))
    bare = Sheet(valve=valve, signal=signal, as_left={}, tolerance={}, controls=args.controls)
    made = first_sheet(bare, reading.samples)
    ink = ink_for(sys.stderr)
    if not made.found:
        print(ink.spell("\n".join(_missing(made, ink, given_settings))), file=sys.stderr)
        print(f"{args.log}: shows no setting of the valve; no sheet is made.", file=sys.stderr)
        return 1
    values = {**made.sheet.as_left, **given_settings}
    wide = {name: proposed_tolerance(made.sheet, name, found.expanded()) for name, found in made.found.items()}
    text = new_sheet_text(
        valve=valve,
        press=args.press,
        name=args.name,
        controls=args.controls,
        signal=args.signal,
        made_by=args.made_by,
        values=values,
        at=_since(args.at, reading),
        by=args.by,
        why=f"as found in {args.log.name}",
        ends=None if signal.kind is not SignalKind.EXPLICIT else (signal.at_zero, signal.at_full),
        remarks=_remarks(made, given_settings),
        tolerances={name: size for name, size in wide.items() if size is not None and name not in given_settings},
    )
    refuse_bad_values(text)
    findings = judge_log(replace(made.sheet, valve=valve), reading.samples).findings
    print(ink.spell("\n".join(_summary(made, given_settings, findings, reading, ink))), file=sys.stderr)
    if args.out is None:
        print(text, end="")
    else:
        written(args.out, text)
        print(f"{args.out}: written. Fill in what is missing, then: asleft sheet check {args.out}")
    return 0


def _signal(args: argparse.Namespace) -> Signal:
    made_by = MadeBy(args.made_by)
    if args.signal in {kind.value for kind in ENDS}:
        if args.ends:
            raise UserError(f"--ends {args.ends}: only with --signal mA or V; {args.signal} has ends of its own")
        kind = SignalKind(args.signal)
        unit, zero, full = ENDS[kind]
        return Signal(kind, unit, zero, full, made_by=made_by)
    if not args.ends:
        raise UserError(f"--signal {args.signal}: needs --ends LOW:HIGH, the signal at 0 and at 100 % command")
    try:
        zero, full = (float(end) for end in args.ends.split(":"))
    except ValueError as error:
        raise UserError(f"--ends {args.ends}: two numbers are wanted, as 4:12") from error
    if zero == full:
        raise UserError(f"--ends {args.ends}: the two must differ")
    return Signal(SignalKind.EXPLICIT, args.signal, zero, full, made_by=made_by)


def _ask(what: str, option: str) -> str:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UserError(f"{option} is missing: {what}")
    print(f"{what}: ", end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline().strip()
    if not answer:
        raise UserError(f"{option} is missing: {what}")
    return answer


def _since(at: str | None, reading: Reading) -> str | None:
    """As told, else since the recording began, where its times are of a calendar."""
    if at == "now":
        return datetime.now(UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")
    times = reading.samples.time_s
    if at is not None or not times.size or times[0] < _CALENDAR_S:
        return at
    began = datetime.fromtimestamp(int(times[0]), UTC)
    return began.isoformat().replace("+00:00", "Z")


def _remarks(made: FirstSheet, given: Mapping[str, float]) -> dict[str, str]:
    found = {
        name: f"as found, ± {format_uncertainty(one.expanded())} for 95 %"
        for name, one in made.found.items()
        if name not in given
    }
    return {**{name: f"not shown: {why}" for name, why in made.missing.items() if name not in given}, **found}


def _summary(
    made: FirstSheet, given: Mapping[str, float], findings: Sequence[Finding], reading: Reading, ink: Ink
) -> list[str]:
    out = [ink.strong("As found in this recording"), *(line for note in reading.notes for line in _wrap(note, ink))]
    for name, found in made.found.items():
        value = f"{made.sheet.as_left[name]:g} {unit_symbol(QUANTITY_UNITS[name])}"
        line = f"  {LABELS[name]:<18}{value:>14}  ± {format_uncertainty(found.expanded())}"
        if name in given:
            line += f"   you give {format_quantity(name, given[name])}, which stands on the sheet"
        out.append(line)
    out += _wrap("± is for 95 %, and repeatability only: nothing is known of the instruments yet.", ink)
    out += ["", *_missing(made, ink, given)]
    if findings:
        out += ["", ink.strong("Before this becomes as left, look at")]
        out += [line for finding in findings for line in _wrap(finding.evidence, ink)]
    return [*out, ""]


def _missing(made: FirstSheet, ink: Ink, given: Mapping[str, float]) -> list[str]:
    rows = [(name, why) for name, why in made.missing.items() if name not in given]
    if not rows:
        return []
    out = [ink.strong("What it does not show")]
    return out + [line for name, why in rows for line in _wrap(f"{LABELS[name]}: {why}", ink)]


def _wrap(text: str, ink: Ink) -> list[str]:
    return textwrap.wrap(
        text, ink.width, initial_indent="  ", subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
    )
