"""What other packages use: from files and what is known of them to samples in stored units."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from asleft.judge.types import Samples
from asleft.logfile.encoding import as_utf8, find_encoding
from asleft.logfile.errors import LogError
from asleft.logfile.found import MAIN, Recognition
from asleft.logfile.given import Given, Question
from asleft.logfile.join import joined
from asleft.logfile.layout import Layout, find_layout
from asleft.logfile.maps import map_text
from asleft.logfile.opening import Opened, OpenedFile, open_file
from asleft.logfile.reading import LogReading, read_table, require_usable, the_table
from asleft.logfile.recognise import recognise
from asleft.logfile.table import Table, text_table, typed_table
from asleft.logfile.tall import mapped_table, tall_of, widened
from asleft.sheet.logmap import PERCENT, TIME_CHANNELS, VOLTS, LogMap
from asleft.sheet.model import Signal
from asleft.sheet.units import Unit

__all__ = [
    "Given",
    "LogFile",
    "Look",
    "OpenQuestionsError",
    "Question",
    "Reading",
    "burst_map",
    "look",
    "read",
    "read_joined",
]


class OpenQuestionsError(LogError):
    """Something must be known before the files can be read: `questions`, none of them answered."""

    def __init__(self, place: str, questions: Sequence[Question]) -> None:
        """Keep the questions; the message says how to answer each on the command line."""
        self.questions = tuple(questions)
        lines = [f"{place}: not read, because it can be read in more than one way:"]
        for question in questions:
            lines.append(f"  {question.text}")
            lines += [f"    {shlex.join(choice.options)}   ({choice.label})" for choice in question.choices]
            if question.example:
                lines.append(f"    say it as {shlex.join(question.example)}")
        super().__init__("\n".join(lines))


@dataclass(frozen=True, slots=True)
class LogFile:
    """One file that was read: its name as given, and the SHA-256 of its bytes (hexadecimal)."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Look:
    """What is in one file: `table` holds its cells, `recognition` what they were taken for and what must be asked."""

    file: LogFile
    kind: str  # "text", "workbook", "Parquet", "text in gzip", ...
    encoding: str
    table: Table
    recognition: Recognition

    @property
    def log_map(self) -> LogMap:
        """The map that reads the file. It is complete only without questions."""
        return self.recognition.log_map

    def map_text(self) -> str:
        """The map as TOML, with what was not sure of marked."""
        comments = {look.channel: "; ".join(look.why) for look in self.recognition.columns if look.sure}
        return map_text(self.log_map, comments, [question.text for question in self.recognition.questions])


@dataclass(frozen=True, slots=True)
class Reading:
    """What the files held, in stored units (command in mA or V; see `command_unit`)."""

    samples: Samples
    command_unit: str  # "mA" or "V"
    rows: int  # data rows in the files
    dropped: Mapping[str, int]  # reason -> count of cells or rows not used; empty if all was well
    notes: tuple[str, ...]  # one sentence each, on how the files were read
    unused: tuple[str, ...]  # headers of columns that are no channel's
    log_map: LogMap  # the map the files were read by
    files: tuple[LogFile, ...] = field(default=())
    recognised: bool = False  # whether the map was found by recognition
    lost_share: float = 0.0  # of the cells of the channels' columns (of several files the highest), not used

    def as_json(self) -> dict[str, object]:
        """What a judgement rests on: files with their hashes, the map they were read by, and how they were read."""
        return {
            "files": [{"name": each.name, "sha256": each.sha256} for each in self.files],
            "map": map_text(self.log_map, {}, head=False),
            "map_recognised": self.recognised,
            "rows": self.rows,
            "not_used": dict(self.dropped),
            "notes": list(self.notes),
        }


def look(path: Path, given: Given, *, partial: bool = False) -> Look:
    """What is in a file. Nothing is changed, nothing is judged. With `partial`, channels may be in other files.

    Raises:
        LogError: the file cannot be opened, or holds no rows.
    """
    return _look(open_file(path), given, partial=partial)


def _look(file: OpenedFile, given: Given, *, partial: bool = False) -> Look:
    looks = []
    wanted = [the_table(file, given.table)] if given.table is not None else list(file.tables)
    for opened in wanted:
        try:
            looks.append(_look_at(file, opened, given, partial=partial))
        except LogError:
            if len(wanted) == 1:
                raise
    whole = [each for each in looks if "command" in each.log_map.mapped or not each.recognition.questions]
    if len(whole) == 1:
        return whole[0]
    if len(looks) == 1:
        return looks[0]
    names = [each.name or "" for each in file.tables]
    shown = " or ".join(shlex.join(("--table", name)) for name in names[:6])
    raise LogError(f"{file.path}: holds {len(names)} tables; say which one, as {shown}")


def _look_at(file: OpenedFile, opened: Opened, given: Given, *, partial: bool) -> Look:
    if opened.columns is not None:
        encoding, table = "utf-8", typed_table(opened)
    else:
        raw = opened.raw or b""
        encoding = given.encoding or find_encoding(raw)
        text = as_utf8(raw, encoding, opened.place)
        layout = find_layout(text, separator=given.separator)
        if layout is None:
            raise LogError(
                f"{opened.place}: no rows of numbers found; expected a table of text with a header line, a workbook, "
                "Parquet or Arrow. What is in it is shown by: asleft log FILE"
            )
        if "width" in layout.doubts:
            raise LogError(
                f"{opened.place}: {opened.rows_are} {layout.first_line}: more cells than the header above it: is the "
                "comma between cells also the decimal sign? Save the file with another separator"
            )
        table = text_table(opened, text, _with_given(layout, given))
    name = opened.name if len(file.tables) > 1 else None
    tall = tall_of(table, decimal_comma=table.layout.decimal_comma)
    pair = (table.header[tall.name], table.header[tall.value]) if tall else None
    if tall is not None:
        table = widened(table, tall)
    recognition = recognise(table, given, encoding=encoding, table_name=name, partial=partial)
    recognition.log_map = replace(recognition.log_map, tall=pair)
    return Look(LogFile(str(file.path), file.sha256), file.kind, encoding, table, recognition)


def _with_given(layout: Layout, given: Given) -> Layout:
    if given.decimal is None:
        return layout
    return replace(layout, decimal_comma=given.decimal == "comma", doubts=())


def read(path: Path, given: Given) -> Reading:
    """Read a file of one valve, by its map or by recognition.

    Raises:
        OpenQuestionsError: it can be read in more than one way.
        LogError: it cannot be used; the message says why and what to do.
    """
    file = open_file(path)
    about = LogFile(str(path), file.sha256)
    if given.log_map is not None:
        log_map = given.log_map
        table = mapped_table(the_table(file, given.table or log_map.table), log_map)
        return _reading(table, log_map, about, given, recognised=False)
    seen = _look(file, given)
    if seen.recognition.questions:
        raise OpenQuestionsError(seen.table.place, seen.recognition.questions)
    return _reading(seen.table, seen.log_map, about, given, recognised=True, look=seen)


def read_joined(paths: Sequence[Path], given: Given) -> Reading:
    """Read several files of one valve, each with some of its channels, and join them on time.

    Raises:
        OpenQuestionsError: one can be read in more than one way.
        LogError: one cannot be used, or they are not of the same time.
    """
    if given.log_map is not None:
        raise LogError("--join: not with a map, since each file has its own columns; without one they are recognised")
    looks = [look(path, given, partial=True) for path in paths]
    for each in looks:
        if each.recognition.questions:
            raise OpenQuestionsError(each.table.place, each.recognition.questions)
    unit = given.signal.unit if given.signal is not None else "mA"
    readings = [
        read_table(
            each.table,
            with_signal(each.log_map, given.signal),
            signal_unit=unit,
            zone=given.zone,
            start=given.start,
            partial=True,
        )
        for each in looks
    ]
    parts = [(str(path), found.samples) for path, found in zip(paths, readings, strict=True)]
    samples, joining = joined(parts, given.shift_s)
    place = " and ".join(str(path) for path in paths)
    missing = [name for name in ("command",) if name not in samples.channels]
    if missing or not {"current", "pressure"} & set(samples.channels):
        raise LogError(f"{place}: joined, but still no command with current or pressure")
    notes = [taken_for(each) for each in looks] + [note for found in readings for note in found.notes] + joining
    require_usable(place, samples.time_s, samples.channels, notes)
    dropped: Counter[str] = Counter()
    for found in readings:
        dropped.update(found.dropped)
    return Reading(
        samples,
        unit,
        sum(found.rows for found in readings),
        dict(dropped),
        tuple(notes),
        tuple(name for found in readings for name in found.unused),
        looks[0].log_map,
        tuple(each.file for each in looks),
        recognised=True,
        lost_share=max(found.lost_share for found in readings),
    )


def burst_map(path: Path, beside: Reading, given: Given) -> LogMap:
    """The map of a file of fast readings (time and current) beside a log: the one that was given, else its own.

    Raises:
        OpenQuestionsError: the file can be read in more than one way.
        LogError: it cannot be used.
    """
    if not beside.recognised:
        return beside.log_map
    seen = look(path, replace(given, columns={}, units={}, group=None), partial=True)
    if {"time", "current"} <= {name.casefold() for name in seen.table.header}:
        own = LogMap(zone=beside.log_map.zone, separator=seen.log_map.separator, encoding=seen.encoding)
        return replace(own, decimal_comma=seen.log_map.decimal_comma, header_lines=seen.log_map.header_lines)
    if seen.recognition.questions:
        raise OpenQuestionsError(seen.table.place, seen.recognition.questions)
    return seen.log_map


def _reading(
    table: Table, log_map: LogMap, about: LogFile, given: Given, *, recognised: bool, look: Look | None = None
) -> Reading:
    unit = given.signal.unit if given.signal is not None else command_unit(log_map)
    found: LogReading = read_table(
        table, with_signal(log_map, given.signal), signal_unit=unit, zone=given.zone, start=given.start
    )
    notes = [*found.notes]
    if look is not None:
        notes = [taken_for(look), *(f"{table.place}: {remark}" for remark in look.recognition.remarks), *notes]
    return Reading(
        found.samples,
        unit,
        found.rows,
        found.dropped,
        tuple(notes),
        found.unused,
        log_map,
        (about,),
        recognised,
        found.lost_share,
    )


def command_unit(log_map: LogMap) -> str:
    """The unit a map's command is read in where no sheet says it: "V" if the map has volts, else "mA"."""
    unit = log_map.columns["command"].unit
    return "V" if unit is not None and unit.symbol in VOLTS else "mA"


def with_signal(log_map: LogMap, signal: Signal | None) -> LogMap:
    """A map whose command in percent is in the sheet's signal. Without a sheet, percent of 4 to 20 mA.

    The range is only a scale here: without a sheet nothing is judged by it.
    """
    command = log_map.columns["command"]
    if command.unit is not PERCENT:
        return log_map
    zero, full, unit = (signal.at_zero, signal.at_full, signal.unit) if signal else (4.0, 20.0, "mA")
    per_percent = (full - zero) / 100.0
    column = replace(
        command,
        unit=Unit(unit),
        scale=command.scale * per_percent,
        offset=zero + command.offset * per_percent,
    )
    return replace(log_map, columns={**log_map.columns, "command": column})


def taken_for(seen: Look) -> str:
    """One line: which column was taken for what."""
    parts = []
    for channel in (*TIME_CHANNELS, *MAIN):
        if channel in seen.log_map.mapped:
            column = seen.log_map.columns[channel]
            form = f" ({seen.log_map.time_format})" if channel == "time" else ""
            unit = f" in {column.unit.symbol}" if column.unit is not None else ""
            name = f"number {column.number}" if column.number is not None else column.header
            parts.append(f"{channel} from {name}{form}{unit}")
    others = [name for name in seen.log_map.mapped if name not in (*TIME_CHANNELS, *MAIN)]
    return f"{seen.table.place}: taken without a map: {', '.join([*parts, *sorted(others)])}"
