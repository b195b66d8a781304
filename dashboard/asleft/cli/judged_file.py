"""A logger's file, read and judged against a sheet: `asleft judge` prints it, `asleft report` draws it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.progress import Progress

#: Bytes of log files from which the way there is shown: below it is over before anybody looks.
_LONG_BYTES = 20_000_000

if TYPE_CHECKING:
    from asleft.judge.types import Judgement, Samples
    from asleft.logfile.door import Reading
    from asleft.logfile.given import Given
    from asleft.sheet.model import Sheet


@dataclass(frozen=True)
class JudgedFile:
    """The file and what the judge says of it. `zone`: the one its times are told in, empty for UTC."""

    sheet: Sheet
    sheet_text: str
    samples: Samples
    judgement: Judgement
    notes: Sequence[str]
    zone: str
    reading: Reading


def judged_file(
    log: Path | Sequence[Path],
    sheet_path: Path,
    *,
    map_path: Path | None = None,
    burst_path: Path | None = None,
    zone: str | None = None,
    options: argparse.Namespace | None = None,
) -> JudgedFile:
    """Read and judge; several files are joined on time.

    `zone` is of times that carry none; without it that of the map.
    `options` are those of `log_options`; `map_path` and `zone` are for callers without a command line.

    Raises:
        UserError: sheet, map or an option cannot be used.
        asleft.logfile.errors.LogError: the file cannot be used, or a question is open.
    """
    from asleft.cli.log_options import given_of
    from asleft.logfile.door import read, read_joined

    sheet_text, sheet = sheet_of(sheet_path)
    if options is None:
        options = plain_options(map_path, zone)
    given = given_of(options, signal=sheet.signal, sheet_text=sheet_text)
    paths = [log] if isinstance(log, Path) else list(log)
    size = sum(path.stat().st_size for path in paths if path.is_file())
    if size < _LONG_BYTES:
        reading = read(paths[0], given) if len(paths) == 1 else read_joined(paths, given)
        return judged(reading, sheet, sheet_text, given, burst_path=burst_path)
    with Progress(f"reading {size / 1e6:.0f} MB", 0.0, sys.stderr):
        reading = read(paths[0], given) if len(paths) == 1 else read_joined(paths, given)
    from_s, to_s = reading.samples.time_s[[0, -1]].tolist()
    with Progress("judging", to_s - from_s, sys.stderr) as progress:
        return judged(
            reading, sheet, sheet_text, given, burst_path=burst_path, told=lambda time_s: progress.at(time_s - from_s)
        )


def sheet_of(path: Path) -> tuple[str, Sheet]:
    """The text of a sheet file and the sheet. Raises `UserError` with every fault of it."""
    from asleft.cli.files import read_text
    from asleft.sheet.faults import SheetError
    from asleft.sheet.reader import read_sheet

    text = read_text(path)
    try:
        return text, read_sheet(text, source=str(path))
    except SheetError as error:
        raise UserError(str(error)) from error


def plain_options(map_path: Path | None, zone: str | None) -> argparse.Namespace:
    """The options of `log_options` with nothing given but a map and a zone."""
    from asleft.cli.log_options import add_log_options

    parser = argparse.ArgumentParser(add_help=False)
    add_log_options(parser)
    found = parser.parse_args([])
    found.map, found.zone = map_path, zone
    return found


def judged(
    reading: Reading,
    sheet: Sheet,
    sheet_text: str,
    given: Given,
    *,
    burst_path: Path | None = None,
    told: Callable[[float], None] | None = None,
) -> JudgedFile:
    """Judge what was read. `told`: see `judge_log`."""
    samples = reading.samples
    if burst_path is not None:
        from asleft.logfile.bursts import read_bursts
        from asleft.logfile.door import burst_map

        log_map = burst_map(burst_path, reading, given)
        samples = replace(samples, bursts=read_bursts(burst_path, log_map, zone=given.zone))

    from asleft.judge.judge import judge_log
    from asleft.judge.steps.looks import MISSING_SHARE

    # Few lost cells are told among the notes and are no finding, as of readings that come from an agent.
    dropped = reading.dropped if reading.lost_share > MISSING_SHARE else {}
    judgement = judge_log(sheet, samples, dropped=dropped, told=told)
    if reading.unused:
        columns = ", ".join(reading.unused)
        remark = f"Columns of the file that were not judged: {columns}. --column CHANNEL=HEADER says what one is."
        judgement = replace(judgement, remarks=(*judgement.remarks, remark))
    zone = given.zone_name or reading.log_map.zone or ""
    return JudgedFile(sheet, sheet_text, samples, judgement, reading.notes, zone, reading)
