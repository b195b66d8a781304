"""`asleft handover`: every valve of a press in one PDF with contents, or in one ZIP with all files it rests on."""

from __future__ import annotations

import argparse
import io
import itertools
import time
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.files import add_paper_option, write_out
from asleft.cli.log_options import add_log_options
from asleft.cli.verify import Made, make

if TYPE_CHECKING:
    from asleft.web.report.from_files import Part

HELP = """\
what it does
  Puts the valves of a press together for whoever takes it over: settings sheet,
  verification record with traces and lines to sign, and cautions, in one PDF or
  HTML with a list of contents; as .zip also every sheet, record (JSON), log,
  map and file of what was entered that it rests on; a second one of the same
  name is numbered (log-2.csv).

the valves
  --valve SHEET LOG [LOG] for each: the sheet, the recording as found and, where
  it was adjusted, the one as left. What a person enters is read from the file
  beside the sheet, press-4.toml -> press-4.entered.toml (asleft verify --blank
  writes it); a valve without one is put in as found, with nothing to sign.

examples
  asleft handover "Press 4" --valve platen.toml platen.csv \\
    --valve ejector.toml found.csv left.csv --out press-4.pdf
  asleft handover "Press 4" --valve platen.toml platen.csv --out press-4.zip

exit codes
  0  written, every record accepted
  1  written; a record is not accepted, or a valve has none
  2  a file or something entered cannot be used; the message names it

cautions
  A pack is no safety validation and releases no machine. Isolate, lock out,
  support and bleed before anyone reaches in; local code rules.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("press", metavar="PRESS", help='what is handed over, as "Press 4"')
    parser.add_argument(
        "--valve",
        action="append",
        nargs="+",
        type=Path,
        required=True,
        metavar=("SHEET.toml", "LOG"),
        help="sheet and recordings of a valve; may be repeated",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="to write: .html, .pdf or .zip")
    add_paper_option(parser)
    add_log_options(parser)


def run(args: argparse.Namespace) -> int:
    """Write the pack; 1 if a record is not accepted. Raises `UserError` or `LogError` for wrong input."""
    from asleft.web.app import installed_version
    from asleft.web.report.from_files import handover
    from asleft.web.when import PlantTime

    if args.out.suffix not in {".html", ".pdf", ".zip"}:
        raise UserError(f"--out {args.out}: the name must end in .html, .pdf or .zip")
    made = [_one(args, given) for given in args.valve]
    parts = [_part(one, args.paper) for one in made]
    zone = made[0].files[-1].zone
    text = handover(args.press, parts, PlantTime.nearest(zone), time.time_ns(), installed_version(), size=args.paper)
    if args.out.suffix == ".zip":
        _write_zip(args, text, made)
    else:
        write_out(args.out, text)
    accepted = all(one.record is not None and one.record.accepted for one in made)
    print(f"{args.out}: written, {len(parts)} valve{'' if len(parts) == 1 else 's'}.")
    for given, one in zip(args.valve, made, strict=True):
        if one.record is None:
            blank = f"asleft verify --blank {_entered(given[0])} --sheet {given[0]}"
            words = f"no record, because nothing was entered: {blank} writes what is to be filled in."
            print(f"{one.files[-1].sheet.valve}: {words}")
    return 0 if accepted else 1


def _one(args: argparse.Namespace, given: list[Path]) -> Made:
    sheet, *logs = given
    if not 1 <= len(logs) <= 2:
        raise UserError(f"--valve {sheet}: one or two recordings are wanted behind the sheet, as found and as left")
    entered = _entered(sheet)
    return make(args, sheet, logs, entered if entered.exists() else None)


def _entered(sheet: Path) -> Path:
    """Where what a person enters for a valve is."""
    return sheet.with_suffix(".entered.toml")


def _free(stem: str, ending: str, taken: set[str]) -> str:
    """A name, numbered where something else in the pack has it; it is taken then."""
    names = (f"{stem}{'' if number == 1 else f'-{number}'}{ending}" for number in itertools.count(1))
    found = next(name for name in names if name not in taken)
    taken.add(found)
    return found


def _part(made: Made, size: str) -> Part:
    from asleft.web.report.from_files import Part
    from asleft.web.verification.record import record_report
    from asleft.web.when import PlantTime

    last = made.files[-1]
    if made.record is None:
        return Part(last.sheet, last.sheet_text, made.report(size), f"{last.judgement.sentence} No record.", False)
    document = record_report(made.record, last.sheet, PlantTime.nearest(last.zone), size=size)
    words = "accepted as left" if made.record.accepted else "not accepted"
    return Part(last.sheet, last.sheet_text, document, words, True)


def _write_zip(args: argparse.Namespace, text: str, made: list[Made]) -> None:
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as pack:
        pack.writestr("handover.html", text)
        if args.map is not None:
            pack.write(args.map, "map.toml")
        folders: set[str] = set()
        for given, one in zip(args.valve, made, strict=True):
            folder = _free(one.files[-1].sheet.valve, "", folders)
            names = {"record.json"}
            if one.record is not None:
                pack.writestr(f"{folder}/record.json", one.record.body)
            for path in dict.fromkeys([*given, _entered(given[0])]):
                if path.exists():
                    ending = "".join(path.suffixes)
                    pack.write(path, f"{folder}/{_free(path.name.removesuffix(ending), ending, names)}")
        try:
            from asleft.web.paper import PdfUnavailableError, pdf

            pack.writestr("handover.pdf", pdf(text))
        except PdfUnavailableError:
            pack.writestr("no-pdf.txt", "This machine cannot make PDFs; open handover.html and print it.\n")
    try:
        args.out.write_bytes(out.getvalue())
    except OSError as error:
        raise UserError(f"--out {args.out}: cannot be written: {error.strerror or error}") from error
