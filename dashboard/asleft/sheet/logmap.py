"""How to read a foreign log file: whose column is whose, in which unit, with which separators and clock.

The map is a TOML file of its own, or the `[log]` table of a sheet, with the same keys:

```toml
separator = ";"                # absent: found from the header line (tab, then ; then ,); "blanks": runs of blanks or
                               # tabs; "wide blanks": two blanks or more, or a tab
decimal_comma = true           # with "," between cells only where numbers stand in quotes
header_lines = 2               # lines above the header line, to skip
header = true                  # false: no header line; the columns below are then given by number
unit_lines = 1                 # lines between the header line and the first row, to skip
encoding = "cp1252"
table = "Sheet1"               # sheet of a workbook, or file of a zip; absent: the only one
name_column = "Tag"            # both only where each row holds one reading; columns below are names in it
value_column = "Value"
time_format = "%d.%m.%Y %H:%M:%S.%f"   # or a word: see TIME_WORDS; absent: iso or seconds, as found
zone = "Europe/Vienna"         # of times that carry none; UTC when absent
[column]                       # channel = its header, its number (from 1), or a table
date = "Datum"                 # only where the date stands in a column of its own
time = "Zeit"
millisecond = "ms"             # only where a column of its own holds the thousandths behind whole seconds
command = { header = "AI 1", unit = "mA", scale = 0.001, offset = 4.0 }   # mA = offset + scale * number
current = { number = 4, unit = "mA" }
```
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from asleft.sheet.faults import Fault, SheetError
from asleft.sheet.section import Section, parse_toml
from asleft.sheet.units import UNITS, Unit
from asleft.sheet.zones import ZONE_WANTED, find_zone

VOLTS: Mapping[str, Unit] = {"V": Unit("V"), "mV": Unit("mV", divisor=1000.0)}

#: Of a command given as a share of its range. What that is in mA or V is the sheet's to say.
PERCENT = Unit("%")

#: Channel -> units its column may be in (the first is the stored one); empty: a column without unit.
#: The command stays in the unit of the sheet's signal. `date` is the day of a `time` that has none, `millisecond`
#: what belongs behind its whole second.
CHANNELS: Mapping[str, Mapping[str, Unit]] = {
    "date": {},
    "time": {},
    "millisecond": {},
    "command": {"mA": Unit("mA"), **VOLTS, "%": PERCENT},
    "current": UNITS["current"],
    "pressure": UNITS["pressure"],
    "supply": VOLTS,
    "coil_voltage": VOLTS,
    "enable": {},
    "pump_running": {},
    "mode": {},
    "oil_temperature": UNITS["temperature"],
}

#: Channels that say when, and are no reading.
TIME_CHANNELS = ("date", "time", "millisecond")

#: Word -> how many of it make a second, for times that are numbers: since 1970 where they are that large, else since
#: the recording began. Divided by, so that 1510 ms are exactly 1.51 s.
TIME_SCALES: Mapping[str, float] = {
    "seconds": 1.0,
    "milliseconds": 1e3,
    "microseconds": 1e6,
    "nanoseconds": 1e9,
    "minutes": 1 / 60,
    "hours": 1 / 3600,
}

#: Word -> how many make a second, seconds from its origin to 1970, and whether it counts a wall clock's time: what
#: counts from another day than 1970. "ticks" are of 100 ns, from the year 1 or from 1601; "excel" are days.
TIME_ORIGINS: Mapping[str, tuple[float, float, bool]] = {
    "excel": (1 / 86400, 25569 * 86400.0, True),  # from 30 December 1899
    "excel1904": (1 / 86400, 24107 * 86400.0, True),
    "ticks": (1e7, 62_135_596_800.0, True),
    "ticks1601": (1e7, 11_644_473_600.0, False),
    "seconds1904": (1.0, 2_082_844_800.0, False),
}

#: What `time_format` may be besides a pattern. "clock": hh:mm:ss without a day.
TIME_WORDS = ("iso", *TIME_SCALES, *TIME_ORIGINS, "clock")

#: Separators that are no single character.
BLANKS = ("blanks", "wide blanks")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: value in `unit` = `offset` + `scale` * number in the file."""

    header: str
    unit: Unit | None = None  # None: the stored unit
    scale: float = 1.0
    offset: float = 0.0
    number: int | None = None  # from 1; goes before `header`


@dataclass(frozen=True, slots=True)
class LogMap:
    """How to read one kind of log file. `columns` holds every channel, those not mapped under their own name."""

    columns: Mapping[str, Column] = field(default_factory=lambda: {name: Column(name) for name in CHANNELS})
    mapped: frozenset[str] = frozenset()  # channels the map names: these must be in the file
    separator: str | None = None
    decimal_comma: bool = False
    header_lines: int = 0
    unit_lines: int = 0
    encoding: str = "utf-8"
    time_format: str | None = None
    zone: str = "UTC"
    has_header: bool = True
    table: str | None = None
    tall: tuple[str, str] | None = None  # of one reading a row: the headers of its name and of its value


def read_log_map(text: str, *, source: str = "map") -> LogMap:
    """Read the text of a map file.

    Raises:
        SheetError: with every fault of the file.
    """
    faults: list[Fault] = []
    found = take_log_map(Section(faults, source, "", parse_toml(text, source)))
    if faults:
        raise SheetError(faults)
    return found


def log_map_of_sheet(text: str, *, source: str = "sheet") -> LogMap:
    """The map in the `[log]` table of a sheet file; the default map where there is none.

    Raises:
        SheetError: with every fault of the table.
    """
    faults: list[Fault] = []
    found = take_log_map(Section(faults, source, "", parse_toml(text, source)).section("log"))
    if faults:
        raise SheetError(faults)
    return found


def take_log_map(section: Section) -> LogMap:
    """The map in a table, noting its faults in the section's list."""
    separator = section.raw("separator")
    if separator not in ("\t", *BLANKS):
        separator = section.text("separator", most=1)
        if separator in ('"', "", ".") or (separator or "").isalnum():
            section.fault("separator", 'must be one character such as ";", "," or "\\t", or "blanks"')
    decimal_comma = section.flag("decimal_comma") or False
    encoding = section.text("encoding", most=40)
    if encoding is not None and not _is_text_encoding(encoding):
        section.fault("encoding", 'is no known text encoding; try "utf-8", "cp1252" or "utf-16"')
    zone = section.text("zone", most=60)
    if zone is not None and find_zone(zone) is None:
        section.fault("zone", ZONE_WANTED)
    has_header = section.flag("header")
    columns, mapped = _take_columns(section.section("column"))
    if has_header is False:
        for channel in mapped:
            if columns[channel].number is None:
                section.fault("header", f"is false, so column.{channel} must be a number, from 1")
    found = LogMap(
        columns=columns,
        mapped=mapped,
        separator=None if separator is None else str(separator),
        decimal_comma=decimal_comma,
        header_lines=section.integer("header_lines", 0, 10_000) or 0,
        unit_lines=section.integer("unit_lines", 0, 100) or 0,
        encoding=encoding or "utf-8",
        time_format=_time_format(section),
        zone=zone or "UTC",
        has_header=has_header is not False,
        table=section.text("table", most=120),
        tall=_tall(section),
    )
    section.close()
    return found


def _tall(section: Section) -> tuple[str, str] | None:
    name, value = _header(section, "name_column"), _header(section, "value_column")
    if (name is None) != (value is None):
        section.fault("name_column", "and value_column: both or neither")
    return (name, value) if name is not None and value is not None else None


def _take_columns(table: Section) -> tuple[dict[str, Column], frozenset[str]]:
    columns: dict[str, Column] = {}
    mapped: set[str] = set()
    for channel, units in CHANNELS.items():
        columns[channel] = Column(channel)
        if channel not in table:
            table.raw(channel)
            continue
        mapped.add(channel)
        if not isinstance(table.raw(channel), dict):
            columns[channel] = _plain_column(table, channel)
            continue
        section = table.section(channel)
        number = section.integer("number", 1, 10_000)
        header = _header(section, "header") or channel
        if units:
            scale = section.number("scale", -1e9, 1e9)
            if scale == 0:
                section.fault("scale", "must not be 0")
            columns[channel] = Column(
                header=header,
                unit=section.choice("unit", units),
                scale=1.0 if scale is None else scale,
                offset=section.number("offset", -1e9, 1e9) or 0.0,
                number=number,
            )
        else:
            columns[channel] = Column(header, number=number)
        section.close()
    _refuse_shared_headers(table, columns, mapped)
    table.close()
    return columns, frozenset(mapped)


def _plain_column(table: Section, channel: str) -> Column:
    if isinstance(table.raw(channel), int):
        return Column(channel, number=table.integer(channel, 1, 10_000))
    return Column(_header(table, channel) or channel)


def _header(section: Section, key: str) -> str | None:
    header = section.text(key)
    if header is not None and not header.strip():
        section.fault(key, "must be the column's header, not blank")
    return header.strip() if header else None


def _refuse_shared_headers(table: Section, columns: Mapping[str, Column], mapped: set[str]) -> None:
    owner: dict[str | int, str] = {}
    for channel in columns:
        if channel in mapped:
            place = columns[channel].number or columns[channel].header
            if place in owner:
                table.fault(channel, f"is already the column of {owner[place]}")
            owner.setdefault(place, channel)


def _time_format(section: Section) -> str | None:
    pattern = section.text("time_format", most=80)
    if pattern is None or pattern in TIME_WORDS:
        return pattern
    directives = re.findall(r"%(.)", pattern)
    if not {"S", "T", "X", "c", "s"} & set(directives) or set(directives) - set("aAbBcdfHIjmMpSxXyYzZUW%"):
        section.fault(
            "time_format",
            f'must be one of {", ".join(TIME_WORDS)}, or a pattern down to the second, as "%d.%m.%Y %H:%M:%S.%f"',
        )
        return None
    return pattern


def _is_text_encoding(name: str) -> bool:
    try:
        "a".encode(name)  # refuses the codecs that are no text encodings, too
    except (LookupError, ValueError):
        return False
    return True
