"""What `asleft sheet propose` does: settings that would give wanted pressures, from the recorded sweep of a file."""

from __future__ import annotations

import argparse
import math
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.log_options import add_log_options, with_answers

if TYPE_CHECKING:
    from asleft.cli.ink import Ink
    from asleft.cli.judged_file import JudgedFile
    from asleft.judge.propose import Proposed, Wanted
    from asleft.judge.verify.result import Check
    from asleft.sheet.model import Sheet

#: The highest pressure (bar) and rate (bar/s) that are taken for meant.
MOST_BAR, MOST_BAR_S = 1000.0, 100_000.0
CAUTIONS = (
    "At 100 % command full pressure or full flow may result. Do not proceed if that is unsafe.",
    (
        "Zero command and zero current do not mean safe: pressure may be stored. Isolate, lock out, support and "
        "bleed before anyone reaches in."
    ),
    (
        "These are numbers to begin with, for whoever is licensed and instructed for this machine; nothing was set. "
        "Verify after adjusting: two full strokes and a sweep."
    ),
)


def add_propose_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("log", type=Path, metavar="LOG.csv", help="the logger's file, with a sweep in it")
    parser.add_argument("--sheet", type=Path, required=True, metavar="SHEET.toml", help="the valve's sheet")
    parser.add_argument("--zero", type=float, metavar="P", help="pressure wanted at 0 %% command")
    parser.add_argument("--full", type=float, metavar="P", help="pressure wanted at 100 %% command")
    parser.add_argument("--rate", type=float, metavar="R", help="fastest change of pressure wanted, a second")
    parser.add_argument("--unit", choices=("bar", "psi", "MPa"), default="bar", help="of those three (default bar)")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write the sheet's next revision with what is proposed"
    )
    parser.add_argument("--by", default="", help="who proposes it, for the revision")
    add_log_options(parser)


def propose_from_file(args: argparse.Namespace) -> int:
    """Print the proposals; 1 if one that was asked for cannot be made. Raises `UserError` for wrong input."""
    from asleft.cli.ink import ink_for
    from asleft.cli.judged_file import judged_file
    from asleft.judge.propose import propose
    from asleft.judge.verify.grade import check

    wanted = _wanted(args)
    file = with_answers(args, lambda now: judged_file(now.log, now.sheet, options=now))
    if file.sheet.controls != "pressure":
        raise UserError(f"{args.sheet}: the valve controls {file.sheet.controls}; only for pressure can this be done")
    graded = check(file.sheet, file.samples)
    rows = propose(file.sheet, graded, wanted)
    ink = ink_for(sys.stdout)
    for line in _lines(file.sheet, graded, rows, args, ink):
        print(ink.spell(line))
    asked = {name for name, value in (("current_at_zero", wanted.zero_bar), ("current_at_full", wanted.full_bar),
             ("ramp_up", wanted.rate_bar_s), ("ramp_down", wanted.rate_bar_s)) if value is not None}  # fmt: skip
    complete = all(row.value is not None for row in rows if row.quantity in asked)
    if args.out is not None and not complete:
        print(f"\n{args.out}: not written, because something that was asked for cannot be proposed.")
    elif args.out is not None:
        print("\n" + "\n".join(_wrap(ink.spell(_revised(args, file, rows, wanted)), ink, "")))
    return 0 if complete else 1


def _revised(args: argparse.Namespace, file: JudgedFile, rows: tuple[Proposed, ...], wanted: Wanted) -> str:
    """Write the next revision; what to do with it. Raises `UserError`."""
    from asleft.cli.proposed_revision import proposed_revision
    from asleft.cli.sheet_actions import written
    from asleft.sheet.faults import SheetError
    from asleft.sheet.names import LABELS

    why = f"proposed for {', '.join(_asked(args))}, from the sweep in {args.log.name}"
    try:
        text, changed = proposed_revision(file.sheet, file.sheet_text, rows, wanted, by=args.by, why=why)
    except SheetError as error:
        raise UserError(str(error)) from error
    written(args.out, text)
    number = file.sheet.revision.number + 1
    names = ", ".join(LABELS[name] for name in changed)
    return (
        f"{args.out}: written as revision {number}, with a tolerance for each of: {names}. It is not in force. Once "
        "the driver is set and verified, enter revision.at in it, then file it: asleft sheet put"
    )


def _wanted(args: argparse.Namespace) -> Wanted:
    from asleft.judge.propose import Wanted
    from asleft.sheet.units import UNITS

    if args.zero is None and args.full is None:
        raise UserError("--zero and --full are missing: give the pressure wanted at 0 %, at 100 % command, or both")
    if args.rate is not None and (args.zero is None or args.full is None):
        raise UserError("--rate: needs --zero and --full too, a ramp goes from one to the other")
    unit = UNITS["pressure"][args.unit]
    out: list[float | None] = []
    for name, most, per in (("zero", MOST_BAR, ""), ("full", MOST_BAR, ""), ("rate", MOST_BAR_S, "/s")):
        given = getattr(args, name)
        out.append(None if given is None else unit.to_stored(given))
        low_ok = given is None or (given > 0.0 if name == "rate" else given >= 0.0)
        if given is not None and not (math.isfinite(given) and low_ok and unit.to_stored(given) <= most):
            limit = f"{'above 0, at most' if name == 'rate' else 'between 0 and'} {unit.from_stored(most):.6g}"
            raise UserError(f"--{name} {given:g}: must be {limit} {args.unit}{per}")
    if args.zero is not None and args.full is not None and not args.zero < args.full:
        raise UserError(f"--zero {args.zero:g}: must lie below --full {args.full:g}")
    return Wanted(*out)


def _lines(sheet: Sheet, graded: Check, rows: tuple[Proposed, ...], args: argparse.Namespace, ink: Ink) -> list[str]:
    from asleft.cli.terminal import valve_name

    title = f"{valve_name(sheet)}: settings proposed for {', '.join(_asked(args))}."
    out = [*(ink.strong(line) for line in _wrap(title, ink, "")), ""]
    if graded.sweep is None:
        out += _wrap("No sweep 0-100-0 % in steps was found in the file: nothing can be proposed.", ink, "")
    head = f"  {'setting':<44}{'proposed':>12}{'±':>9}{'as left':>12}"
    out += [ink.quiet(head), "  " + ink.quiet(ink.glyphs.rule * (len(head) - 2))]
    for row in rows:
        out.append(_row(sheet, row))
        out += _wrap(row.basis, ink, "    ")
    out.append("")
    out += _wrap("± is expanded, for 95 %. Nothing is extrapolated beyond the sweep." +
                 ("" if args.unit == "bar" else " Pressures under a setting are in bar."), ink, "")  # fmt: skip
    if not any(one.expanded_uncertainty is not None for one in sheet.instruments.values()):
        out += _wrap("It is repeatability only: the sheet says nothing of its instruments.", ink, "")
    if graded.missing:
        out += ["", ink.strong("What the recording lacks"), *(x for one in graded.missing for x in _wrap(one, ink))]
    out += ["", ink.strong("Before anyone commands or touches the press")]
    return [*out, *(x for one in CAUTIONS for x in _wrap(one, ink))]


def _asked(args: argparse.Namespace) -> list[str]:
    ends = ((args.zero, "at 0 % command"), (args.full, "at 100 % command"))
    asked = [f"{given:g} {args.unit} {words}" for given, words in ends if given is not None]
    return asked if args.rate is None else [*asked, f"at most {args.rate:g} {args.unit}/s"]


def _row(sheet: Sheet, row: Proposed) -> str:
    from asleft.sheet.names import format_number, format_quantity, format_uncertainty

    if row.quantity:
        value, left = format_number(row.quantity, row.value), sheet.as_left.get(row.quantity)
        shown = "–" if left is None else format_quantity(row.quantity, left)
    else:
        digits = 3 if row.unit == "A" else 1
        value, shown = "–" if row.value is None else f"{row.value:.{digits}f}", ""
    number = value if row.value is None else f"{value} {row.unit}"
    return f"  {row.label:<44}{number:>12}{format_uncertainty(row.uncertainty):>9}{shown:>12}".rstrip()


def _wrap(text: str, ink: Ink, indent: str = "  ") -> list[str]:
    return textwrap.wrap(ink.spell(text), ink.width, initial_indent=indent, subsequent_indent=indent,
                         break_long_words=False, break_on_hyphens=False)  # fmt: skip
