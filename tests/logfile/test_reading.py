from __future__ import annotations

import re
import sys
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest
from asleft.logfile.cells import EMPTY, NOT_A_NUMBER, NOT_FINITE
from asleft.logfile.errors import LogError
from asleft.logfile.reading import DUPLICATE, LONG_ROW, read_log
from asleft.logfile.times import NOT_A_TIME
from asleft.sheet.logmap import LogMap, read_log_map

HEADER = "time,command,current,pressure"


def rows(count: int = 2000, rate: float = 100.0) -> list[str]:
    """`count` sound rows: 20 s by default."""
    return [f"{i / rate:.3f},{4 + i % 16}.0,0.5{i % 10},{100 + i % 7}" for i in range(count)]


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"

    def write(lines: list[str] | str, encoding: str = "utf-8") -> Path:
        text = lines if isinstance(lines, str) else "\n".join(lines) + "\n"
        path.write_bytes(text.encode(encoding))
        return path

    return write


def read(path: Path, log_map: LogMap | None = None, unit: str = "mA", **options):
    return read_log(path, log_map or LogMap(), signal_unit=unit, **options)


def refusal(path: Path, log_map: LogMap | None = None, unit: str = "mA") -> str:
    with pytest.raises(LogError) as caught:
        read(path, log_map, unit)
    message = str(caught.value)
    assert message.startswith(str(path))
    return message.removeprefix(f"{path}: ")


def test_a_sound_file_is_read_whole(log):
    found = read(log([HEADER, *rows()]))
    assert found.rows == 2000
    assert found.dropped == {}
    assert found.notes == ()
    assert found.samples.time_s[[0, 1, -1]].tolist() == [0.0, 0.01, 19.99]
    assert set(found.samples.channels) == {"command", "current", "pressure"}
    assert found.samples.channels["command"][:3].tolist() == [4.0, 5.0, 6.0]
    assert found.samples.channels["current"][3] == 0.53


def test_headers_may_differ_in_case_and_blanks_and_other_columns_are_left(log):
    found = read(log([" Time , COMMAND,Current,remark", *(f"{i / 10},5,0.5,ok" for i in range(200))]))
    assert set(found.samples.channels) == {"command", "current"}


def test_all_optional_channels_are_taken(log):
    head = "time,command,pressure,supply,coil_voltage,enable,pump_running,mode,oil_temperature"
    found = read(log([head, *(f"{i / 10},5,100,24,9,true,1,3,45" for i in range(200))]))
    channels = found.samples.channels
    assert "current" not in channels
    assert channels["enable"].tolist() == [1.0] * 200
    assert channels["mode"][0] == 3.0
    assert channels["oil_temperature"][0] == 45.0


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_byte_order_marks_line_ends_and_blank_lines_do_no_harm(log, encoding):
    lines = [HEADER, *rows()]
    lines.insert(3, "")
    found = read(log("\r\n".join(lines) + "\r\n\r\n", encoding))
    assert found.rows == 2000
    assert found.dropped == {}


@pytest.mark.parametrize(
    ("header", "missing"),
    [
        ("time,current,pressure,x", "no column command"),
        ("t,command,current,pressure", "no column time"),
        ("time,command,a,b", "no column current or pressure"),
        ("t,c,i,p", "no column time, no column command, no column current or pressure"),
    ],
)
def test_a_missing_column_is_refused(log, header, missing):
    message = refusal(log([header, *rows()]))
    assert message.startswith(f"line 1: {missing}; expected time, command")
    assert header.split(",")[0] in message
    assert "--map" in message


def test_a_file_without_header_is_refused(log):
    assert "line 1: no header, the line holds 0.000, 4.0" in refusal(log(rows()))
    assert "no header" in refusal(log(["2026-03-02T08:00:00Z,4.0,0.1", "2026-03-02T08:00:01Z,4.0,0.1"]))
    assert "no header, the line is empty" in refusal(log(""))


def test_one_header_twice_is_refused(log):
    assert "'current' stands 2 times" in refusal(log(["time,command,current,current", *rows()]))


def test_rows_out_of_order_within_the_window_are_sorted_and_said(log):
    lines = [HEADER, *rows()]
    lines[500], lines[501] = lines[501], lines[500]
    found = read(log(lines))
    assert (np.diff(found.samples.time_s) > 0).all()
    assert (
        found.samples.channels["current"].tolist()
        == read(log([HEADER, *rows()])).samples.channels["current"].tolist()
    )
    assert "1 row out of order, the first in line 502, up to 0.01 s late; sorted by time" in found.notes[0]


def test_times_that_go_back_beyond_the_window_are_refused_with_both_lines(log):
    lines = [HEADER, *rows()[1000:], *rows()[:1000]]
    assert re.match(
        r"line 1002, column time: goes back 19\.99 s against line 1001; times must ascend", refusal(log(lines))
    )


def test_too_little_usable_data_is_refused(log):
    assert "9.98 s of usable data, expected at least 10 s" in refusal(log([HEADER, *rows(999)]))
    assert "expected at least 10 s" in refusal(log([HEADER]))
    assert read(log([HEADER, *rows(1001)])).rows == 1001


def test_a_hole_in_the_record_is_not_usable_time(log):
    lines = rows(500) + [f"{1000 + i / 100},5,0.5,100" for i in range(500)]
    assert "of usable data" in refusal(log([HEADER, *lines]))


def test_rows_without_current_and_pressure_are_not_usable(log):
    lines = [HEADER, *rows(900), *(f"{9 + i / 100},5,," for i in range(600))]
    message = refusal(log(lines))
    assert "8.99 s of usable data" in message
    assert "column current: 600 empty cells, the first in line 902" in message


def test_bad_cells_are_counted_exactly_and_named(log):
    lines = [HEADER, *rows()]
    lines[10] = "0.090,,0.5,100"
    lines[11] = "0.100,ERR,0.5,100"
    lines[12] = "0.110,5,nan,100"
    lines[13] = "0.120,5,0.5"  # cut short
    lines[14] = ",5,0.5,100"
    lines[15] = "x,5,0.5,100"
    lines[16] = "0.150,5,0.5,100,9"  # too long
    path = log(lines)
    found = read(path)
    assert found.dropped == {LONG_ROW: 1, EMPTY: 3, NOT_A_TIME: 1, NOT_A_NUMBER: 1, NOT_FINITE: 1}
    assert f"{path}: column command: 1 cell that is no number, the first in line 12, 'ERR'" in found.notes
    assert f"{path}: column time: 1 time that cannot be read, the first in line 16, 'x'" in found.notes
    assert any(note.startswith(f"{path}: line 17 has more cells") for note in found.notes)
    assert found.rows == 2000
    assert found.samples.time_s.size == 1997
    assert np.isnan(found.samples.channels["command"]).sum() == 2
    assert np.isnan(found.samples.channels["pressure"]).sum() == 1


def test_of_repeated_times_the_first_is_kept(log):
    lines = [HEADER, *rows()]
    lines[101] = lines[100].split(",")[0] + ",99,9,9"
    found = read(log(lines))
    assert found.dropped == {DUPLICATE: 1}
    assert found.samples.time_s.size == 1999
    assert 99.0 not in found.samples.channels["command"]
    assert (np.diff(found.samples.time_s) > 0).all()


def test_whole_second_stamps_of_a_faster_log_are_spread_and_said(log):
    found = read(log([HEADER, *(f"{(i + 3) // 10},5,0.5,100" for i in range(200))]))
    assert found.dropped == {}
    # The row that begins a stamp lies between the stamp and one interval behind it.
    assert np.abs(found.samples.time_s - (np.arange(200) + 3) / 10).max() <= 0.1
    assert np.allclose(np.diff(found.samples.time_s), 0.1)
    assert "whole steps of 1 s, 10 rows each; spread evenly, 10 a second" in found.notes[0]


def test_rounded_times_without_a_clear_rate_are_pointed_out(log):
    stamps = [second for second in range(40) for _ in range(3 + second * second % 7)]
    found = read(log([HEADER, *(f"{stamp},5,0.5,100" for stamp in stamps)]))
    assert found.dropped == {DUPLICATE: len(stamps) - 40}
    assert any("the logger rounds them" in note for note in found.notes)


def test_current_in_milliamperes_is_pointed_out(log):
    found = read(log([HEADER, *(f"{i / 10},5,512,100" for i in range(200))]))
    assert any("is it in mA?" in note for note in found.notes)


def test_times_in_no_known_form_are_refused_with_a_way_out(log):
    message = refusal(log([HEADER, *(f"02.03.2026 08:00:{i:02d},5,0.5,100" for i in range(60))]))
    assert message.startswith("line 2, column time: '02.03.2026 08:00:00' cannot be read as a time")
    assert "time_format" in message


def test_a_map_reads_a_foreign_logger(log):
    log_map = read_log_map("""
separator = ";"
decimal_comma = true
header_lines = 2
unit_lines = 1
encoding = "cp1252"
time_format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Vienna"
[column]
time = "Zeit"
command = { header = "Führung", unit = "mV" }
current = { header = "Strom", unit = "mA", scale = 2.0, offset = 10.0 }
pressure = { header = "Druck", unit = "MPa" }
oil_temperature = { header = "Öl", unit = "degF" }
""")
    lines = ["Logger 7", "Kanäle: 4", "Zeit;Führung;Strom;Druck;Öl", ";mV;mA;MPa;°F"]
    lines += [f"02.03.2026 13:00:{i:02d};2500,0;250,5;21,0;104" for i in range(30)]
    found = read(log(lines, "cp1252"), log_map, unit="V")
    channels = found.samples.channels
    assert found.samples.time_s[0] == 1772452800.0  # 12:00 UTC
    assert channels["command"][0] == 2.5
    assert channels["current"][0] == pytest.approx(0.511)
    assert channels["pressure"][0] == pytest.approx(210.0)
    assert channels["oil_temperature"][0] == pytest.approx(40.0)
    moved = read(log(lines, "cp1252"), log_map, unit="V", zone=UTC)
    assert moved.samples.time_s[0] == 1772456400.0


@pytest.mark.parametrize("separator", [";", "\t"])
def test_the_separator_is_found_from_the_header(log, separator):
    found = read(log([line.replace(",", separator) for line in [HEADER, *rows()]]))
    assert found.rows == 2000


def test_a_column_the_map_names_must_be_there(log):
    log_map = read_log_map("[column]\ncurrent = 'Strom'\n")
    assert "no column 'Strom' (for current), which the map names" in refusal(log([HEADER, *rows()]), log_map)


def test_a_column_given_to_one_channel_is_not_taken_for_another(log):
    log_map = read_log_map("[column]\npressure = 'current'\n")
    assert set(read(log([HEADER, *rows()]), log_map).samples.channels) == {"command", "pressure"}


def test_a_command_in_another_unit_than_the_signal_is_refused(log):
    log_map = read_log_map("[column.command]\nunit = 'V'\n")
    assert "it is read in V, but the sheet's command signal is in mA" in refusal(log([HEADER, *rows()]), log_map)


def test_a_wrong_encoding_is_named_with_its_line(log):
    assert "line 3: not utf-8" in refusal(log([HEADER, rows()[0], "0.01,5,0.5,100°"], "cp1252"))


def test_a_file_that_is_not_there_is_named(tmp_path):
    assert "cannot be read" in refusal(tmp_path / "none.csv")


def test_line_numbers_hold_behind_quoted_line_breaks(log):
    lines = ["time,command,current,remark", *(f'{i / 10},5,0.5,"a\nb"' for i in range(200)), "20,x,0.5,c"]
    found = read(log(lines))
    assert "the first in line 402" in found.notes[0]


def test_ten_minutes_at_a_hundred_hertz_are_read_at_once(log):
    """No call of a function for each row: ten times as many rows cost hardly a call more."""
    base = np.datetime64("2026-03-02T08:00:00.000")

    def calls(count):
        stamps = base + (np.arange(count) * 10).astype("timedelta64[ms]")
        path = log([HEADER, *(f"{stamp}Z,12.0000,0.5500,110.25" for stamp in stamps)])
        read(path)  # what is looked up once
        called = [0]

        def count_call(_frame, event, _argument):
            called[0] += event in ("call", "c_call")

        sys.setprofile(count_call)
        try:
            found = read(path)
        finally:
            sys.setprofile(None)
        assert found.samples.time_s.size == count
        return called[0]

    few, many = calls(6000), calls(60000)
    assert many < 2 * few
