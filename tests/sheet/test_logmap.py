from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from asleft.sheet.faults import SheetError
from asleft.sheet.logmap import CHANNELS, TIME_CHANNELS, LogMap, log_map_of_sheet, read_log_map
from asleft.sheet.zones import find_zone
from asleft.wire.block import CHANNEL_UNITS

FULL = r"""
separator = "\t"
decimal_comma = true
header_lines = 2
unit_lines = 1
encoding = "cp1252"
time_format = "%d.%m.%Y %H:%M:%S.%f"
zone = "Europe/Vienna"
[column]
time = "Zeit"
command = { header = "AI 1", unit = "mA", scale = 0.001, offset = 4.0 }
current = { header = "Strom", unit = "mA" }
enable = { header = "frei" }
"""


def faults_of(text: str) -> dict[str, str]:
    with pytest.raises(SheetError) as caught:
        read_log_map(text, source="logger.toml")
    return {fault.key: fault.limit for fault in caught.value.faults}


def test_a_map_is_read():
    found = read_log_map(FULL)
    assert (found.separator, found.decimal_comma, found.header_lines, found.unit_lines) == ("\t", True, 2, 1)
    assert (found.encoding, found.zone) == ("cp1252", "Europe/Vienna")
    command = found.columns["command"]
    assert (command.header, command.scale, command.offset) == ("AI 1", 0.001, 4.0)
    assert command.unit is not None
    assert command.unit.symbol == "mA"
    assert found.columns["time"].header == "Zeit"
    assert found.columns["pressure"].header == "pressure"
    assert found.mapped == {"time", "command", "current", "enable"}


def test_without_a_map_every_channel_has_its_own_name():
    assert read_log_map("") == LogMap()
    assert {name: column.header for name, column in LogMap().columns.items()} == {name: name for name in CHANNELS}
    assert set(CHANNELS) == {*TIME_CHANNELS, *CHANNEL_UNITS}


def test_a_sheet_may_hold_the_map():
    assert log_map_of_sheet("[log]\nzone = '+01:00'\n[log.column]\ntime = 't'\n").columns["time"].header == "t"
    assert log_map_of_sheet("[valve]\nid = 'a'\n") == LogMap()
    with pytest.raises(SheetError, match=r"s\.toml: log\.zone"):
        log_map_of_sheet("[log]\nzone = 'Mars'\n", source="s.toml")


@pytest.mark.parametrize(
    ("text", "key", "limit"),
    [
        ('seperator = ";"', "seperator", 'did you mean "separator"'),
        ('separator = ";;"', "separator", "at most 1"),
        ('separator = "a"', "separator", "one character"),
        ('separator = ""', "separator", "one character"),
        ("decimal_comma = 1", "decimal_comma", "true or false"),
        ("header_lines = -1", "header_lines", "from 0"),
        ('encoding = "utf-99"', "encoding", "no known text encoding"),
        ('encoding = "base64"', "encoding", "no known text encoding"),
        ('zone = "Vienna"', "zone", "Europe/Vienna"),
        ('zone = "../x"', "zone", "Europe/Vienna"),
        ('time_format = "%d.%m.%Y"', "time_format", "down to the second"),
        ('time_format = "unix"', "time_format", "seconds"),
        ('time_format = "%Q %S"', "time_format", "pattern"),
        ('name_column = "Tag"', "name_column", "both or neither"),
        ("[column]\ncurent = 'x'", "column.curent", 'did you mean "current"'),
        ("[column]\ncurrent = ''", "column.current", "not blank"),
        ("[column]\ncurrent = true", "column.current", "must be a whole number from 1"),
        ("[column]\ncurrent = 'x'\npressure = 'x'", "column.pressure", "already the column of current"),
        ("[column.current]\nunit = 'bar'", "column.current.unit", '"A", "mA"'),
        ("[column.current]\nscale = 0", "column.current.scale", "not be 0"),
        ("[column.enable]\nunit = 'V'", "column.enable.unit", "unknown key"),
        ("[column.current]\nscael = 1", "column.current.scael", 'did you mean "scale"'),
    ],
)
def test_faults_of_a_map_are_named(text, key, limit):
    assert limit in faults_of(text)[key]


def test_all_faults_of_a_map_come_at_once():
    assert faults_of("header_lines = 'x'\nzone = 'Mars'\n[column.current]\nunit = 'W'\n").keys() == {
        "header_lines",
        "zone",
        "column.current.unit",
    }


def test_zones():
    summer = datetime(2026, 7, 1, 12, tzinfo=UTC)
    vienna, fixed = find_zone("Europe/Vienna"), find_zone("-05:30")
    assert vienna is not None
    assert fixed is not None
    assert summer.astimezone(vienna).utcoffset() == timedelta(hours=2)
    assert summer.astimezone(fixed).utcoffset() == -timedelta(hours=5, minutes=30)
    assert find_zone("Europe/Nowhere") is None
    assert find_zone("+25:00") is None
