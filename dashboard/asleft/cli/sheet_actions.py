"""What `asleft sheet new`, `check` and `diff` do."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.cli.files import read_text
from asleft.cli.ink import Ink, ink_for
from asleft.sheet.as_left import LIMITS
from asleft.sheet.diff import compare, lines
from asleft.sheet.faults import SheetError
from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS, format_quantity, format_tolerance
from asleft.sheet.reader import read_sheet
from asleft.sheet.revisions import faults_of_next
from asleft.sheet.template import new_sheet_text
from asleft.sheet.tolerances import default_tolerances

#: Faults of a new sheet that only say it is not filled in yet.
_STILL_OPEN = frozenset({"as_left", "signal.at_zero", "signal.at_full", "signal.kind"})


def load_sheet(path: Path) -> Sheet:
    """Read a sheet file.

    Raises:
        UserError: it is not readable, or has faults; the message holds all of them.
    """
    try:
        return read_sheet(read_text(path), source=str(path))
    except SheetError as error:
        raise UserError(str(error)) from error


def new(args: argparse.Namespace) -> int:
    """Print or write the text of a new sheet."""
    at = datetime.now(UTC).replace(microsecond=0).isoformat() if args.at == "now" else args.at
    text = new_sheet_text(
        valve=args.valve_id,
        press=args.press,
        name=args.name,
        controls=args.controls,
        signal=args.signal,
        made_by=args.made_by,
        values=settings_of(args.set),
        number=args.number,
        at=at.replace("+00:00", "Z") if at else None,
        by=args.by,
        why=args.why,
    )
    refuse_bad_values(text)
    if args.out is None:
        print(text, end="")
        return 0
    written(args.out, text)
    print(f"{args.out}: written. Fill it in, then: asleft sheet check {args.out}")
    return 0


def check(paths: Sequence[Path]) -> int:
    """Say what each sheet says; the faults of all of them at the end."""
    ink = ink_for(sys.stdout)
    faults: list[str] = []
    for path in paths:
        try:
            sheet = load_sheet(path)
        except UserError as error:
            faults.append(str(error))
        else:
            print(ink.spell("\n".join(_summary(path, sheet, ink))))
    if faults:
        raise UserError("\n".join(faults))
    return 0


def diff(old_path: Path, new_path: Path) -> int:
    """Say what differs; 1 if anything does."""
    old, following = load_sheet(old_path), load_sheet(new_path)
    changes = compare(old, following)
    if not changes:
        print("No difference.")
        return 0
    ink = ink_for(sys.stdout)
    print(ink.spell("\n".join(lines(changes))))
    for fault in faults_of_next(old.valve, old.revision, following, source=str(new_path)):
        print(f"To be filed as the next revision: {fault}")
    return 1


def written(path: Path, text: str) -> None:
    """Write a new file; one that is there is kept. Raises `UserError`."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise UserError(f"{path}: is there already, and is kept; name another file") from error
    except OSError as error:
        raise UserError(f"{path}: cannot be written: {error.strerror}") from error


def settings_of(pairs: Sequence[str]) -> dict[str, float]:
    """Settings given as SETTING=VALUE, in stored units. Raises `UserError`."""
    values: dict[str, float] = {}
    for pair in pairs:
        name, _, number = pair.partition("=")
        if name not in LIMITS:
            raise UserError(f"--set {pair}: unknown setting; known are: {', '.join(LIMITS)}")
        try:
            values[name] = float(number)
        except ValueError as error:
            raise UserError(f"--set {pair}: expected a number after =, as {name}=1.2") from error
    return values


def refuse_bad_values(text: str) -> None:
    """Raises `UserError` where a new sheet holds what no sheet may hold; what is still open is no fault."""
    try:
        read_sheet(text, source="new sheet")
    except SheetError as error:
        wrong = [fault for fault in error.faults if fault.key not in _STILL_OPEN]
        if wrong:
            raise UserError(str(SheetError(wrong))) from error


def _summary(path: Path, sheet: Sheet, ink: Ink) -> list[str]:
    revision = sheet.revision
    since = f", since {revision.at:%Y-%m-%d %H:%M:%S} UTC" if revision.at else ""
    who = f", by {revision.by}" if revision.by else ""
    why = f"; {revision.why}" if revision.why else ""
    place = f" ({sheet.label})" if sheet.label != sheet.valve else ""
    signal = sheet.signal
    command = f"{signal.at_zero:g} to {signal.at_full:g} {signal.unit}"
    out = [
        ink.strong(f"{path}: no fault."),
        f"{sheet.valve}{place}: revision {revision.number}{since}{who}{why}",
        f"command {command}, {signal.made_by.value}; controls {sheet.controls}",
        "",
    ]
    usual = default_tolerances(sheet.as_left, sheet.characteristic)
    for quantity, value in sheet.as_left.items():
        tolerance = sheet.tolerance[quantity]
        note = "  default tolerance" if tolerance == usual[quantity] else ""
        shown = f"{format_quantity(quantity, value):>12}  {format_tolerance(tolerance):<14}"
        out.append(f"  {LABELS[quantity]:<18}{shown}{note}".rstrip())
    out.append("")
    for hint in _hints(sheet):
        out += textwrap.wrap(hint, ink.width, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False)
    return out


def _hints(sheet: Sheet) -> list[str]:
    hints = []
    missing = [LABELS[quantity] for quantity in LIMITS if quantity not in sheet.as_left]
    if missing:
        hints.append(f"Not judged, because not given: {', '.join(missing)}.")
    if not any(instrument.expanded_uncertainty for instrument in sheet.instruments.values()):
        hints.append("No [instrument.CHANNEL] gives an expanded_uncertainty: uncertainties are repeatability only.")
    if sheet.revision.at is None:
        hints.append("No [revision] at: needed before the sheet can be filed with `asleft sheet put`.")
    return hints
