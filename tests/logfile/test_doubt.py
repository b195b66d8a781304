"""Where a second reading of a file is plausible, nothing is taken: the question says how to answer it."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.cli.log_options import add_log_options, given_of, with_answers
from asleft.logfile.door import OpenQuestionsError, look, read
from asleft.logfile.errors import LogError
from asleft.logfile.given import Given
from asleft.sheet.reader import read_sheet
from dialects import iso, lines, table
from recording import SHEET, recording

TRUE = recording(24.0)
SIGNAL = read_sheet(SHEET).signal
LAGGED = np.concatenate([np.repeat(TRUE.current_a[:1], 5), TRUE.current_a[:-5]])


def given(*words: str) -> Given:
    parser = argparse.ArgumentParser()
    add_log_options(parser)
    return given_of(parser.parse_args(words), signal=SIGNAL)


def asked(path: Path, *words: str) -> OpenQuestionsError:
    with pytest.raises(OpenQuestionsError) as caught:
        read(path, given(*words))
    return caught.value


def log(folder: Path, header: str, columns: Sequence[np.ndarray], form: Sequence[str], stamps: object = None) -> Path:
    return lines(folder, table(TRUE, stamps or iso(TRUE), header=header.split(","), columns=columns, form=form))  # type: ignore[arg-type]


BASE = (TRUE.command_ma, TRUE.current_a, TRUE.pressure_bar)
FORM = (".3f", ".4f", ".2f")


@pytest.mark.parametrize(
    ("header", "about"),
    [
        ("Time,Command (mA),Current A1 (A),Current A2 (A)", "current"),
        ("Time,Command (mA),Current (A),Pressure (bar abs)", "pressure"),
        ("Time,Command (mA),Current (A),Absolute pressure (bar)", "pressure"),
        ("Time,AI1,AI2,AI3", "command"),
        ("Time,Command (V),Current (A),Pressure (bar)", "command"),
        ("Time,Pressure setpoint (bar),Current (A),Pressure (bar)", "command"),
        ("Time,Position (mm),Current (A),Pressure (bar)", "command"),
    ],
)
def test_columns_that_may_be_two_things_are_asked_about(header: str, about: str, tmp_path: Path) -> None:
    third = TRUE.current_a * 1.01 if "A2" in header else TRUE.pressure_bar
    path = log(tmp_path, header, (TRUE.command_ma, TRUE.current_a, third), (".3f", ".4f", ".4f"))
    assert about in {question.about for question in asked(path).questions}


@pytest.mark.parametrize("header", ["Pump pressure (bar)", "Pressure setpoint (bar)", "Tank pressure (bar)"])
def test_a_pressure_of_another_place_is_never_the_valve_s(header: str, tmp_path: Path) -> None:
    path = log(tmp_path, f"Time,Command (mA),Current (A),{header}", BASE, FORM)
    found = read(path, given())
    assert "pressure" not in found.samples.channels
    assert found.unused == (header,)


@pytest.mark.parametrize("header", ["Coil A current (A),Coil B current (A)", "Pressure 1 (bar),Pressure 2 (bar)"])
def test_movement_alone_does_not_choose_between_two_like_columns(header: str, tmp_path: Path) -> None:
    still = np.full(TRUE.time_s.size, 0.2 if "Coil" in header else 100.0) + TRUE.command_ma % 0.01
    moving = TRUE.current_a if "Coil" in header else TRUE.pressure_bar
    path = log(tmp_path, f"Time,Command (mA),{header}", (TRUE.command_ma, moving, still), (".3f", ".4f", ".4f"))
    assert {"current", "pressure"} & {question.about for question in asked(path).questions}


def test_ports_of_pump_and_tank_are_not_the_valve_s_outlet(tmp_path: Path) -> None:
    header = "Time,Command (mA),Pressure P (bar),Pressure T (bar),Pressure A (bar)"
    columns = (TRUE.command_ma, BASE[2] + 30, BASE[2] * 0 + 2, BASE[2])
    path = log(tmp_path, header, columns, (".3f", ".2f", ".2f", ".2f"))
    assert np.array_equal(read(path, given()).samples.channels["pressure"], TRUE.pressure_bar)


def test_exchanged_headers_are_asked_about(tmp_path: Path) -> None:
    path = log(tmp_path, "Time,Current (A),Command (mA),Pressure (bar)", BASE, FORM)
    assert "command" in {question.about for question in asked(path).questions}


def test_shares_of_one_under_a_header_of_percent_are_asked_about(tmp_path: Path) -> None:
    columns = ((BASE[0] - 4) / 16, *BASE[1:])
    path = log(tmp_path, "Time,Command (%),Current (A),Pressure (bar)", columns, (".5f", ".4f", ".2f"))
    assert asked(path).questions[0].example == ("--counts", "LOW:HIGH")
    found = read(path, given("--counts", "0:1")).samples.channels["command"]
    assert np.allclose(found, TRUE.command_ma, atol=2e-4)


@pytest.mark.parametrize(
    ("header", "factors"),
    [
        ("Command (mA),Current (A),Pressure (bar)", (1.0, 1000.0, 1.0)),
        ("Command (mA),Current (mA),Pressure (bar)", (1.0, 1.0, 1.0)),
        ("Command (mA),Current (A),Pressure (bar)", (1.0, 1.0, 14.5)),
    ],
)
def test_a_unit_that_the_values_contradict_is_asked_about(
    header: str, factors: tuple[float, ...], tmp_path: Path
) -> None:
    columns = [column * factor for column, factor in zip(BASE, factors, strict=True)]
    path = log(tmp_path, f"Time,{header}", columns, FORM)
    assert asked(path).questions[0].text.endswith("in which unit?")


@pytest.mark.parametrize(("unit", "factor"), [("s", 1000.0), ("ms", 1.0)])
def test_a_unit_of_time_that_makes_an_absurd_rate_is_asked_about(unit: str, factor: float, tmp_path: Path) -> None:
    numbers = [f"{t * factor:.3f}" for t in TRUE.time_s]
    path = log(tmp_path, f"Time ({unit}),Command (mA),Current (A),Pressure (bar)", BASE, FORM, numbers)
    assert {"--unit-of"} == {choice.options[0] for choice in asked(path).questions[0].choices}


def test_columns_with_times_of_their_own_are_asked_about(tmp_path: Path) -> None:
    for shift, differs in ((0.5, True), (0.0, False)):
        rows = ["Time,Command (mA),Time,Current (A)"]
        rows += [f"{t:.3f},{c:.3f},{t + shift:.3f},{i:.4f}" for t, c, i in zip(TRUE.time_s, *BASE[:2], strict=True)]
        path = lines(tmp_path, rows)
        if differs:
            assert "times that differ" in str(asked(path))
        else:
            assert read(path, given()).samples.time_s[0] == 0.0


def test_of_two_clocks_utc_is_taken_and_two_others_are_asked_about(tmp_path: Path) -> None:
    for names, taken in ((("Local time", "UTC time"), 1), (("Time A", "Time B"), None)):
        rows = [f"{names[0]},{names[1]},Command (mA),Current (A)"]
        for moment, stamp, c, i in zip(TRUE.moments(), iso(TRUE), *BASE[:2], strict=True):
            rows.append(f"{(moment + timedelta(hours=1)).replace(tzinfo=None).isoformat()},{stamp},{c:.3f},{i:.4f}")
        path = lines(tmp_path, rows)
        if taken is None:
            assert "times that differ" in str(asked(path))
        else:
            assert read(path, given()).samples.time_s[0] == TRUE.start.timestamp()


def test_a_comma_for_cells_and_decimals_is_refused_in_words(tmp_path: Path) -> None:
    rows = ["Time,Command (mA),Current (A)"]
    rows += [f"{s},{c:.3f},{i:.4f}".replace(".", ",") for s, c, i in zip(iso(TRUE), *BASE[:2], strict=True)]
    with pytest.raises(LogError, match="comma between cells also the decimal sign"):
        read(lines(tmp_path, rows), given())


def test_a_demanded_current_is_never_the_measured_one(tmp_path: Path) -> None:
    path = log(tmp_path, "Time,Command (mA),Current setpoint (A),Pressure (bar)", BASE, FORM)
    found = read(path, given())
    assert "current" not in found.samples.channels
    assert found.samples.channels["pressure"].size
    assert "Current setpoint (A)" in found.unused


def test_a_current_that_moves_before_its_command_is_asked_about(tmp_path: Path) -> None:
    late = np.concatenate([np.repeat(TRUE.command_ma[:1], 60), TRUE.command_ma[:-60]])
    path = log(tmp_path, "Time,Command,Current,Pressure (bar)", (late, TRUE.current_a, TRUE.pressure_bar), FORM)
    assert "before the command" in str(asked(path))
    assert read(path, given("--column", "command=Command", "--column", "current=Current")).samples.time_s.size


@pytest.mark.parametrize(
    ("highest", "units"),
    [(500.0, {"bar", "psi"}), (45.0, {"bar", "MPa"}), (5000.0, {"psi", "kPa"})],
)
def test_a_pressure_without_unit_is_asked_where_two_are_plausible(
    highest: float, units: set[str], tmp_path: Path
) -> None:
    pressure = TRUE.pressure_bar / TRUE.pressure_bar.max() * highest
    path = log(tmp_path, "Time,Command (mA),Current (A),System pressure value", (*BASE[:2], pressure), FORM)
    path2 = log(tmp_path, "Time,Command (mA),Current (A),Druck", (*BASE[:2], pressure), FORM)
    for each in {path, path2}:
        question = asked(each).questions[0]
        assert question.about == "pressure"
    offered = {choice.options[1].partition("=")[2] for choice in asked(path2).questions[0].choices}
    assert units <= offered


@pytest.mark.parametrize(
    ("low", "high", "unit"), [(4.0, 10.0, "mA"), (4.0, 20.0, "mA"), (0.0, 10.0, None), (0.0, 100.0, "%")]
)
def test_a_command_without_unit_is_the_sheet_s_signal_only_where_it_fits(
    low: float, high: float, unit: str | None, tmp_path: Path
) -> None:
    command = low + (TRUE.command_ma - 4) / 16 * (high - low)
    path = log(tmp_path, "Time,Setpoint,Current (A),Pressure (bar)", (command, *BASE[1:]), FORM)
    if unit is None:
        assert {"mA", "V", "%"} <= {
            choice.options[1].partition("=")[2] for choice in asked(path).questions[0].choices
        }
    else:
        column = read(path, given()).log_map.columns["command"]
        assert column.unit is not None
        assert column.unit.symbol == unit
    # Without a sheet, 4 to 10 may be volts too.
    if high == 10.0 and low == 4.0:
        assert look(path, Given()).recognition.questions[0].about == "command"


def test_a_current_without_unit_is_asked_between_five_and_two_hundred(tmp_path: Path) -> None:
    path = log(tmp_path, "Time,Command (mA),Current,Pressure (bar)", (BASE[0], BASE[1] * 100, BASE[2]), FORM)
    assert {"A", "mA"} <= {choice.options[1].partition("=")[2] for choice in asked(path).questions[0].choices}


@pytest.mark.parametrize("per_row", [1, 2])
def test_row_numbers_are_no_time(per_row: int, tmp_path: Path) -> None:
    numbers = [str(k * per_row) for k in range(TRUE.time_s.size)]
    path = log(tmp_path, "Sample No.,Command (mA),Current (A),Pressure (bar)", BASE, FORM, numbers)
    assert "time" in {question.about for question in asked(path).questions}


def test_whole_numbers_that_may_be_seconds_or_milliseconds_are_asked_about(tmp_path: Path) -> None:
    numbers = [str(k) for k in range(TRUE.time_s.size)]
    path = log(tmp_path, "Time,Command (mA),Current (A),Pressure (bar)", BASE, FORM, numbers)
    question = asked(path).questions[0]
    assert [choice.options for choice in question.choices] == [
        ("--unit-of", "time=seconds"),
        ("--unit-of", "time=milliseconds"),
    ]
    assert np.allclose(np.diff(read(path, given("--unit-of", "time=seconds")).samples.time_s), 1.0)


@pytest.mark.parametrize("pattern", ["%d/%m/%Y %H:%M:%S.%f", "%d-%m-%Y %H:%M:%S.%f", "%y/%m/%d %H:%M:%S.%f"])
def test_dates_that_may_be_two_days_are_asked_about(pattern: str, tmp_path: Path) -> None:
    stamps = [each.replace(year=2012, month=11, day=10).strftime(pattern)[:-3] for each in TRUE.moments()]
    path = log(tmp_path, "Time,Command (mA),Current (A),Pressure (bar)", BASE, FORM, stamps)
    question = asked(path).questions[0]
    assert question.about == "dates"
    days = {int(read(path, given(*choice.options)).samples.time_s[0] // 86400) for choice in question.choices}
    assert len(days) == len(question.choices) >= 2


def test_thousands_or_decimals_are_asked_about(tmp_path: Path) -> None:
    rows = ["Time;Command (mA);Coil current (mA)"]
    rows += [
        f"{stamp};{c:.3f};{i * 1000 + 1000:.3f}".replace(".", ",")
        for stamp, c, i in zip(iso(TRUE, digits=0), TRUE.command_ma + 1, TRUE.current_a, strict=True)
    ]
    path = lines(tmp_path, rows)
    assert "decimal" in {question.about for question in asked(path).questions}


def test_two_valves_in_one_file_are_never_mixed(tmp_path: Path) -> None:
    header = "Time,V1 command (mA),V1 current (A),V2 command (mA),V2 current (A)"
    moved = np.roll(TRUE.command_ma, 100), np.roll(TRUE.current_a, 100)
    columns = (TRUE.command_ma, TRUE.current_a, *moved)
    path = log(tmp_path, header, columns, (".3f", ".4f", ".3f", ".4f"))
    assert look(path, Given()).recognition.groups == ("v 1", "v 2")
    question = asked(path).questions[0]
    assert question.about == "group"
    second = read(path, given(*question.choices[1].options))
    assert np.array_equal(second.samples.channels["command"], moved[0])
    assert np.array_equal(second.samples.channels["current"], moved[1])


def test_the_message_holds_exactly_what_must_be_typed(tmp_path: Path) -> None:
    path = log(tmp_path, "Time,AI 1,AI 2,AI 3", BASE, FORM)
    words: list[str] = []
    for _ in range(6):
        try:
            found = read(path, given(*words))
            break
        except OpenQuestionsError as error:
            line = next(line for line in str(error).splitlines() if line.startswith("    --"))
            words += shlex.split(line.rpartition("   (")[0])
    assert set(found.samples.channels) == {"command", "current", "pressure"}
    assert np.array_equal(found.samples.channels["command"], TRUE.command_ma)
    assert np.array_equal(found.samples.channels["current"], TRUE.current_a)
    assert np.array_equal(found.samples.channels["pressure"], TRUE.pressure_bar)


class Terminal:
    """A terminal at which somebody types these lines."""

    def __init__(self, answers: Sequence[str]) -> None:
        self.answers = list(answers)
        self.said = ""

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        return self.answers.pop(0) + "\n" if self.answers else ""

    def write(self, text: str) -> int:
        self.said += text
        return len(text)

    def flush(self) -> None:
        pass


def test_a_terminal_is_asked_and_told_the_option_for_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamps = [each.strftime("%d/%m/%Y %H:%M:%S.%f")[:-3] for each in TRUE.moments()]
    path = log(tmp_path, "Time,Command (mA),Current (A),Pressure (bar)", BASE, FORM, stamps)
    parser = argparse.ArgumentParser()
    add_log_options(parser)
    terminal = Terminal(["9", "1"])
    monkeypatch.setattr("sys.stdin", terminal)
    monkeypatch.setattr("sys.stderr", terminal)
    found = with_answers(parser.parse_args([]), lambda now: read(path, given_of(now, signal=SIGNAL)))
    assert found.samples.time_s[0] == TRUE.start.timestamp()
    assert "day, month, year" in terminal.said
    assert "the next time: --dates day-first" in terminal.said
    # Enter stops, and so does --no-questions.
    terminal.answers = [""]
    for words in ([], ["--no-questions"]):
        with pytest.raises(OpenQuestionsError):
            with_answers(parser.parse_args(words), lambda now: read(path, given_of(now, signal=SIGNAL)))


@pytest.mark.parametrize(
    ("content", "wanted"),
    [
        (b"", "no rows of numbers"),
        (b"hello\nworld\n", "no rows of numbers"),
        (b"\x1f\x8b\x08\x00garbage", "cannot be unpacked as gzip"),
        (b"PK\x03\x04garbage", "cannot be unpacked"),
        (b"PAR1garbage", "cannot be read as Parquet"),
        (b"ARROW1garbage", "cannot be read as Arrow"),
        (b"\x28\xb5\x2f\xfdgarbage", "cannot be unpacked as zstd"),
        (b"\xd0\xcf\x11\xe0garbage", "cannot be read as a workbook"),
    ],
)
def test_what_is_no_log_is_refused_in_words(content: bytes, wanted: str, tmp_path: Path) -> None:
    path = tmp_path / "log.bin"
    path.write_bytes(content)
    with pytest.raises(LogError) as caught:
        read(path, Given())
    assert wanted in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_year_far_away_is_refused(tmp_path: Path) -> None:
    from asleft.sheet.logmap import read_log_map

    stamps = [str(round(each.timestamp() * 1000)) for each in TRUE.moments()]
    path = log(tmp_path, "time,command,current,pressure", BASE, FORM, stamps)
    with pytest.raises(LogError, match=r"column time: read as seconds this would be beyond the year 2100"):
        read(path, Given(log_map=read_log_map('time_format = "seconds"'), signal=SIGNAL))
    assert read(path, Given(signal=SIGNAL)).samples.time_s[0] == TRUE.start.timestamp()
