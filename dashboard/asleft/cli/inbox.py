"""`asleft inbox`: judges each file that a logger drops into a folder, and puts it away."""

from __future__ import annotations

import argparse
import logging
import signal
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.log_options import add_log_options

if TYPE_CHECKING:
    from asleft.cli.judge_many import Row
    from asleft.logfile.inbox import Inbox, Outcome

HELP = """\
what it does
  Waits for files in a folder. Each that is finished (it has not changed for
  --settle seconds) is read and judged as asleft judge would, then moved:
    done/NAME     with its judgement beside it as done/NAME.json
    failed/NAME   with the reason beside it as failed/NAME.reason.txt
  A file that does not fit its sheet goes to failed/ too: nothing is claimed of
  the machine from it.
  One line for each file (and valve) is added to judgements.csv in the folder.
  A file with bytes that were judged before is moved and not judged again, also
  after a restart and under another name; take its line out of judgements.csv
  to have it judged again. Questions are never asked: a file
  that can be read in two ways goes to failed/ with the options that answer it;
  give the option here, or a map, and move the file back.

examples
  asleft inbox /srv/loggers --sheet press-4.toml
  asleft inbox /srv/loggers --sheet platen=a.toml --sheet clamp=b.toml
  asleft inbox /srv/loggers --sheet press-4.toml --once --settle 0

exit codes
  with --once those of asleft judge: the gravest of all files, 0 without any;
  else 0 when it is stopped; 2 when folder, sheet or options cannot be used

cautions
  A file that does not come is no sign that all is well. This is no safety
  device: isolate, lock out, support and bleed before you touch anything.
"""

_LOOK_EVERY_S = 1.0

logger = logging.getLogger("asleft.inbox")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declares the options."""
    from asleft.monitoring.logs import add_level_argument

    parser.add_argument("folder", type=Path, metavar="DIR", help="the folder that loggers write into")
    parser.add_argument(
        "--sheet",
        action="append",
        required=True,
        metavar="[NAME=]FILE",
        help="settings sheet; several, each with the part of a file's name or the valve it is for",
    )
    parser.add_argument(
        "--settle", type=float, default=5.0, metavar="SECONDS", help="how long a file must not have changed (5)"
    )
    parser.add_argument("--once", action="store_true", help="deal with what is there, and stop")
    add_level_argument(parser)
    add_log_options(parser)


def run(args: argparse.Namespace) -> int:
    """Judge until stopped. Raises `UserError` for wrong input."""
    from asleft.cli.judge_many import COLUMNS, sheets_of
    from asleft.cli.judged_file import sheet_of
    from asleft.cli.log_options import given_of
    from asleft.logfile.inbox import Inbox, InboxError
    from asleft.monitoring.logs import configure

    if not 0 <= args.settle <= 3600:
        raise UserError(f"--settle {args.settle:g}: must be from 0 to 3600 seconds")
    configure(args.log_level)
    sheets = sheets_of(args.sheet)
    for path in sheets.values():
        sheet_of(path)  # a fault of a sheet is told now, and not once for each file
    given_of(args)
    gone = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: gone.set())
    try:
        inbox = Inbox(args.folder, args.settle, COLUMNS)
    except InboxError as error:
        raise UserError(str(error)) from error
    try:
        return _serve(args, inbox, sheets, gone)
    finally:
        inbox.close()


def _serve(args: argparse.Namespace, inbox: Inbox, sheets: Mapping[str | None, Path], gone: threading.Event) -> int:
    from datetime import UTC, datetime

    from asleft.cli.judge_many import gravest
    from asleft.monitoring.service_manager import ServiceManager

    codes: set[int] = set()
    until_s = time.monotonic() + args.settle
    manager = ServiceManager()
    manager.ready(f"waiting for files in {args.folder}")

    def judge(path: Path) -> Outcome:
        outcome, code = _judged(args, path, sheets)
        codes.add(code)
        return outcome

    while not gone.is_set():
        try:
            finished = inbox.finished(time.monotonic())
        except OSError as error:
            logger.error("%s: cannot be read, trying again: %s", args.folder, error.strerror)
            finished = []
        for path in finished:
            manager.alive()
            if gone.is_set():
                break
            try:
                outcome = inbox.deal_with(path, judge, datetime.now(UTC).isoformat(timespec="seconds"))
            except OSError as error:
                codes.add(2)
                logger.error("%s: stays where it is: %s", path, error)
                continue
            if outcome is not None:
                _tell(path, outcome)
        manager.alive()
        # What is still being written when the time for it is over is left for another run.
        if args.once and time.monotonic() >= until_s and not inbox.finished(time.monotonic()):
            break
        gone.wait(min(_LOOK_EVERY_S, max(0.05, args.settle / 4)))
    manager.stopping()
    return gravest(codes) if args.once else 0


def _judged(args: argparse.Namespace, path: Path, sheets: Mapping[str | None, Path]) -> tuple[Outcome, int]:
    """What `asleft judge` makes of a file, and its exit code."""
    from asleft.cli.judge import exit_code
    from asleft.cli.judge_many import cells_of, gravest, judge_file, judgements_json, not_read
    from asleft.logfile.inbox import Outcome

    rows: Sequence[Row]
    try:
        rows = list(judge_file(args, path, sheets))
    except Exception as error:
        logger.exception("%s: judging failed", path)
        rows = [not_read(path, f"{path}: judging failed: {type(error).__name__}: {error}")]
    cells = [cells_of(row) for row in rows]
    wrong = next((row.error for row in rows if row.file is None), "")
    if wrong:
        return Outcome(cells[-1:], error=wrong), 2
    judgements = [row.file.judgement for row in rows if row.file is not None]
    misfits = [one.sentence for one in judgements if one.fit.fits is False]
    # Nothing is claimed of the machine where a file does not fit its sheet; it is to come again under the right one.
    outcome = Outcome(cells, error="\n".join(misfits)) if misfits else Outcome(cells, judgements_json(rows))
    return outcome, gravest([exit_code(one) for one in judgements])


def _tell(path: Path, outcome: Outcome) -> None:
    if outcome.error and not outcome.rows:
        logger.warning("%s: not judged: %s", path.name, outcome.error)
    elif outcome.error:
        logger.warning("%s: failed: %s", path.name, outcome.error.splitlines()[0])
    for row in outcome.rows if not outcome.error else ():
        logger.info("%s: %s %s: %s", path.name, row["valve"], row["status"], row["sentence"])
