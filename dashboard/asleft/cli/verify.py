"""`asleft verify`: a verification record from logger's files alone, as the dashboard files it, with no store."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.files import add_paper_option, write_out
from asleft.cli.log_options import add_log_options

if TYPE_CHECKING:
    from asleft.cli.judged_file import JudgedFile
    from asleft.store.verifications import VerificationRecord
    from asleft.web.verification.record import Draft

HELP = """\
what it does
  Grades a recording as a verification of the sheet, or one taken before and
  one taken after an adjustment, and writes the record to sign: plates,
  settings as dialled, instruments with calibration due, load state, as found
  and as left step by step with uncertainty and verdict, ramps laid over each
  other, what was not observed and why, decision rule, hashes of the files, and
  lines to sign. As HTML or PDF, or as JSON, by the ending of the name.

what to record
  1  Oil at the temperature of the sheet. Valve in control of the pressure:
     cylinder against its stop, or the line blocked.
  2  Two full strokes 0-100-0 %, resting at both ends until the ramp is through
     and two seconds more.
  3  A sweep 0-100-0 % in ten steps each way, three seconds or more on each,
     without turning back.

what you enter
  Goes into a small file that is written for you once and serves for every
  record of the valve: asleft verify --blank press-4.entered.toml --sheet ...
  What is left empty is not printed as a hole; load_state, technician and
  decision are needed. A record of any outcome can be made; only one that is
  complete, with nothing out, can be accepted.

examples
  asleft verify --blank press-4.entered.toml --sheet press-4.toml
  asleft verify sweep.csv --sheet press-4.toml --entered press-4.entered.toml \\
    --out press-4-record.pdf
  asleft verify before.csv after.csv --sheet press-4.toml \\
    --entered press-4.entered.toml --out press-4-record.pdf --paper letter

exit codes
  0  the record was written, and it is accepted
  1  the record was written, and it is not accepted
  2  a file or something entered cannot be used; the message names it

cautions
  At 100 % command full pressure or full flow may result. Do not proceed if
  that is unsafe. Zero current does not mean safe: isolate, lock out, support
  and bleed before anyone reaches in. Only whoever is licensed and instructed
  for the machine may command it; local code rules. A record is no safety
  validation and releases no machine.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "logs", nargs="*", type=Path, metavar="LOG", help="as found, and after an adjustment a second one as left"
    )
    parser.add_argument("--sheet", type=Path, required=True, metavar="SHEET.toml", help="the valve's settings sheet")
    parser.add_argument("--entered", type=Path, metavar="FILE", help="what a person enters; see --blank")
    parser.add_argument("--out", type=Path, metavar="FILE", help="to write: .html, .pdf or .json")
    parser.add_argument(
        "--blank", type=Path, metavar="FILE", help="write the file to fill in for this valve, and stop"
    )
    add_paper_option(parser)
    add_log_options(parser)


@dataclass(frozen=True)
class Made:
    """The recordings of one valve, judged, and the record over them; None where nobody entered what it needs."""

    files: Sequence[JudgedFile]
    record: VerificationRecord | None

    def report(self, size: str) -> str:
        """The last recording as found, without a record."""
        from asleft.cli.report import report_of_file

        return report_of_file(self.files[-1], size)


def run(args: argparse.Namespace) -> int:
    """Write the record; 1 if it is not accepted. Raises `UserError` or `LogError` for wrong input."""
    from asleft.cli.judged_file import sheet_of
    from asleft.cli.sheet_actions import written
    from asleft.web.verification.record import blank_text, record_report
    from asleft.web.when import PlantTime

    if args.blank is not None:
        _, sheet = sheet_of(args.sheet)
        written(args.blank, blank_text(sheet))
        then = f"asleft verify LOG --sheet {args.sheet} --entered {args.blank} --out record.pdf"
        print(f"{args.blank}: written. Fill it in, then: {then}")
        return 0
    _check(args)
    made = make(args, args.sheet, args.logs, args.entered)
    record, last = made.record, made.files[-1]
    assert record is not None
    if args.out.suffix == ".json":
        write_out(args.out, record.body)
    else:
        write_out(args.out, record_report(record, last.sheet, PlantTime.nearest(last.zone), size=args.paper))
    print(f"{args.out}: written. {'Accepted as left.' if record.accepted else 'Not accepted.'}")
    return 0 if record.accepted else 1


def _check(args: argparse.Namespace) -> None:
    if not 1 <= len(args.logs) <= 2:
        raise UserError("LOG: one file as found, or two: as found and, after an adjustment, as left")
    for name in ("entered", "out"):
        if getattr(args, name) is None:
            raise UserError(f"--{name} is missing (asleft verify --help)")
    if args.out.suffix not in {".html", ".pdf", ".json"}:
        raise UserError(f"--out {args.out}: the name must end in .html, .pdf or .json")


def make(args: argparse.Namespace, sheet: Path, logs: Sequence[Path], entered: Path | None) -> Made:
    """Read and judge the recordings and make the record. `args` has the options of `log_options`.

    Raises:
        UserError: something entered will not do; every fault is named by file and key.
        asleft.logfile.errors.LogError: a recording cannot be read.
    """
    from asleft.cli.judged_file import judged_file
    from asleft.cli.log_options import with_answers

    def read(log: Path) -> JudgedFile:
        return with_answers(args, lambda options: judged_file(log, sheet, options=options))

    files = [read(log) for log in logs]
    if entered is None:
        return Made(files, None)
    number, draft = _draft(entered, logs, files)
    return Made(files, _record(draft, number, files))


def _draft(entered_path: Path, logs: Sequence[Path], files: Sequence[JudgedFile]) -> tuple[int, Draft]:
    from asleft.cli.files import read_text
    from asleft.judge.verify.grade import check
    from asleft.store.protocols import SheetRecord
    from asleft.web.verification.record import Draft, faults_of, key_of, read_entered
    from asleft.wire.settings_faults import SettingsError

    try:
        number, entered = read_entered(read_text(entered_path), str(entered_path))
    except SettingsError as error:
        raise UserError(str(error)) from error
    first = files[0]
    checks = [check(first.sheet, file.samples) for file in files]
    if len(checks) == 2 and checks[1].from_s < checks[0].to_s:
        raise UserError(f"{logs[1]}: as left begins before as found ({logs[0]}) ends; are they exchanged?")
    revision = first.sheet.revision
    at_ns = 0 if revision.at is None else round(revision.at.timestamp() * 1e9)
    filed = SheetRecord(
        first.sheet.valve, revision.number, at_ns, revision.by, revision.why, first.sheet_text, entered_at_ns=at_ns
    )
    draft = Draft(first.sheet, filed, checks[0], checks[1] if len(checks) == 2 else None, entered)
    faults = faults_of(draft)
    if faults:
        raise UserError("\n".join(f"{entered_path}: {key_of(field)}: {words}" for field, words in faults.items()))
    return number, draft


def _record(draft: Draft, number: int, files: Sequence[JudgedFile]) -> VerificationRecord:
    import hashlib

    from asleft.store.verifications import VerificationRecord
    from asleft.web.app import installed_version
    from asleft.web.verification.record import record_body

    made_ns = time.time_ns()
    technician = draft.entered["technician"]
    body = record_body(
        draft,
        made_ns=made_ns,
        who=technician,
        version=installed_version(),
        zone=files[-1].zone or "UTC",
        readings=[
            {"name": Path(one.name).name, "sha256": one.sha256} for file in files for one in file.reading.files
        ],
    )
    digest = hashlib.sha256(body.encode()).hexdigest()
    accepted = draft.entered["decision"] == "accepted"
    return VerificationRecord(
        draft.sheet.valve, number, made_ns, technician, draft.sheet_record.number, accepted, body, digest
    )
