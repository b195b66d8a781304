"""A logger's file, read by its map and judged against a sheet: `asleft judge` prints it, `asleft report` draws it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError

if TYPE_CHECKING:
    from asleft.judge.types import Judgement, Samples
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


def judged_file(
    log: Path, sheet_path: Path, *, map_path: Path | None, burst_path: Path | None, zone: str | None
) -> JudgedFile:
    """Read and judge. `zone` is of times that carry none; without it that of the map. Raises `UserError`."""
    from asleft.cli.files import read_text
    from asleft.cli.logfile import read_log, zone_named
    from asleft.sheet.faults import SheetError
    from asleft.sheet.logmap import log_map_of_sheet, read_log_map
    from asleft.sheet.reader import read_sheet

    sheet_text = read_text(sheet_path)
    try:
        sheet = read_sheet(sheet_text, source=str(sheet_path))
        if map_path is not None:
            log_map = read_log_map(read_text(map_path), source=str(map_path))
        else:
            log_map = log_map_of_sheet(sheet_text, source=str(sheet_path))
    except SheetError as error:
        raise UserError(str(error)) from error
    named = zone_named(zone) if zone else None
    reading = read_log(log, log_map, signal_unit=sheet.signal.unit, zone=named)
    samples = reading.samples
    if burst_path is not None:
        from asleft.cli.logburst import read_bursts

        samples = replace(samples, bursts=read_bursts(burst_path, log_map, zone=named))

    from asleft.judge.judge import judge_log

    judgement = judge_log(sheet, samples, dropped=reading.dropped)
    if reading.unused:
        columns = ", ".join(reading.unused)
        remark = f"Columns of the file that were not judged: {columns}. A map (--map) says what they are."
        judgement = replace(judgement, remarks=(*judgement.remarks, remark))
    return JudgedFile(sheet, sheet_text, samples, judgement, reading.notes, zone or log_map.zone or "")
