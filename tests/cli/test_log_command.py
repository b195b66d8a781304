"""`asleft log`, and `asleft judge` of several files: what a technician types, and what comes back."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "logfile"))

import numpy as np
from asleft.cli.main import main
from asleft.sheet.logmap import read_log_map
from dialects import DIALECTS, iso, lines, table
from PIL import Image
from recording import SHEET, recording

TRUE = recording(48.0)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "press-4.toml"
    path.write_text(SHEET, encoding="utf-8")
    return path


def write(name: str, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    return DIALECTS[name].write(TRUE, folder)


def test_a_file_is_shown_and_nothing_is_written(tmp_path, capsys):
    path = write("german_preamble_units_row_footer", tmp_path / "a")
    before = sorted(tmp_path.rglob("*"))
    assert main(["log", str(path)]) == 0
    page = " ".join(capsys.readouterr().out.split())
    for word in (
        "cp1252",
        "; between cells",
        "decimal comma",
        "4 lines above the header",
        "1,200 rows",
        "25 rows a second",
    ):
        assert word in page
    for word in ("Stellsignal mA", "command", "Strom A", "current", "Druck bar", "pressure", "without a hole"):
        assert word in page
    assert "2 Mar 2026 08:00:00 UTC" in page
    assert sorted(tmp_path.rglob("*")) == before


def test_an_open_question_is_exit_three_with_the_option_that_answers_it(tmp_path, capsys):
    path = write("american_date_that_could_be_european", tmp_path / "a")
    assert main(["log", str(path)]) == 3
    assert "--dates month-first   (month, day, year)" in capsys.readouterr().out
    assert main(["log", str(path), "--dates", "month-first"]) == 0


def test_the_map_that_is_written_reads_the_next_file(tmp_path, sheet, capsys):
    path = write("german_date_and_time_columns", tmp_path / "a")
    own = tmp_path / "map.toml"
    assert main(["log", str(path), "--write-map", str(own)]) == 0
    text = own.read_text(encoding="utf-8")
    assert read_log_map(text).mapped == {"date", "time", "command", "current", "pressure"}
    assert "NOT SURE" not in text
    capsys.readouterr()
    assert main(["judge", str(path), "--sheet", str(sheet), "--map", str(own)]) == 0
    assert "taken without a map" not in capsys.readouterr().out
    doubtful = write("american_date_that_could_be_european", tmp_path / "b")
    assert main(["log", str(doubtful), "--write-map", "-"]) == 3
    assert "# NOT SURE: column Time: its dates can be read in 2 ways" in capsys.readouterr().out


@pytest.mark.parametrize("columns", [50, 72, 110])
def test_a_narrow_terminal_is_enough(columns, tmp_path):
    path = write("units_in_round_brackets", tmp_path / "a")
    environment = {**os.environ, "COLUMNS": str(columns), "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"}
    code = (
        "import sys; sys.stdout.isatty = lambda: True; from asleft.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "log", str(path)], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout
    without_path = [line for line in done.stdout.splitlines() if str(tmp_path) not in line]
    assert max(map(len, without_path)) <= columns


def test_a_picture_needs_nothing_else(tmp_path):
    path = write("units_in_round_brackets", tmp_path / "a")
    picture = tmp_path / "log.html"
    assert main(["log", str(path), "--picture", str(picture)]) == 0
    text = picture.read_text(encoding="utf-8")
    assert "Command (mA)" in text
    assert not re.search(r"<script[^>]+src=", text)
    assert main(["log", str(path), "--picture", str(tmp_path / "log.bmp")]) == 2


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_picture_to_look_at_shows_every_column(tmp_path, ending):
    path = write("units_in_round_brackets", tmp_path / "a")
    picture = tmp_path / f"log.{ending}"
    assert main(["log", str(path), "--picture", str(picture)]) == 0
    if ending == "svg":
        root = ET.parse(picture).getroot()
        words = "\n".join(each.text or "" for each in root.iter("{http://www.w3.org/2000/svg}text"))
        assert re.findall(r"(?:Command|Current|Pressure) \(\w+\)", words) == [
            "Command (mA)", "Current (A)", "Pressure (bar)",
        ]  # fmt: skip
        assert "row 1" in words
        return
    image = np.asarray(Image.open(picture).convert("L"))
    dark = (image[:, 140:-40] < 110).sum(
        axis=0
    )  # beside the numbers: in each column of pixels every plot has its line
    assert np.median(dark) >= 3


def test_of_too_many_columns_no_picture_of_pixels_is_made(tmp_path, capsys):
    path = tmp_path / "wide.csv"
    names = [f"c{k}" for k in range(70)]
    rows = [f"{k}," + ",".join(str(k * j % 17) for j in range(70)) for k in range(50)]
    path.write_text("\n".join([",".join(["time", *names]), *rows]) + "\n", encoding="utf-8")
    assert main(["log", str(path), "--picture", str(tmp_path / "log.png")]) == 2
    assert "70 columns to draw, at most 60" in capsys.readouterr().err
    assert main(["log", str(path), "--picture", str(tmp_path / "log.html")]) == 3


def test_what_is_found_can_be_had_as_json(tmp_path, capsys):
    path = write("headers_that_say_nothing", tmp_path / "a")
    assert main(["log", str(path), "--json", "-"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "asleft-log-1"
    first = found["files"][0]
    assert first["rows"] == TRUE.time_s.size
    assert first["rate_hz"] == pytest.approx(25.0)
    assert ["--column", "command=AI 1"] in first["questions"][0]["options"]


def test_a_judgement_says_what_it_rests_on(tmp_path, sheet, capsys):
    import hashlib

    path = write("units_in_round_brackets", tmp_path / "a")
    assert main(["judge", str(path), "--sheet", str(sheet), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "asleft-judgement-1"
    assert found["software"].startswith("asleft ")
    assert found["sheet_sha256"] == hashlib.sha256(sheet.read_bytes()).hexdigest()
    assert found["log"]["files"] == [{"name": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}]
    assert found["log"]["map_recognised"] is True
    assert read_log_map(found["log"]["map"]).columns["command"].header == "Command (mA)"
    assert found["states_unit"] == "h"


def test_a_folder_is_one_table_with_one_line_a_file(tmp_path, sheet, capsys):
    folder = tmp_path / "logs"
    for name in ("units_in_round_brackets", "german_semicolon_decimal_comma", "american_date_that_could_be_european"):
        path = write(name, tmp_path / name)
        folder.mkdir(exist_ok=True)
        path.rename(folder / f"{name}.csv")
    as_csv, as_json = tmp_path / "all.csv", tmp_path / "all.json"
    code = main(["judge", str(folder), "--sheet", str(sheet), "--csv", str(as_csv), "--json", str(as_json)])
    assert code == 2  # one cannot be read
    page = capsys.readouterr().out
    assert "--dates day-first" in page
    rows = list(csv.DictReader(as_csv.open(encoding="utf-8")))
    assert [row["status"] for row in rows] == ["not read", "good", "good"]
    assert "can be read in 2 ways" in rows[0]["sentence"]
    judgements = json.loads(as_json.read_text(encoding="utf-8"))["judgements"]
    assert [each.get("valve") for each in judgements] == [None, "press-4.platen", "press-4.platen"]
    assert main(["judge", str(folder), "--sheet", str(sheet), "--dates", "month-first"]) == 0
    assert main(["judge", str(folder / "*comma.csv"), "--sheet", str(sheet)]) == 0
    assert main(["judge", str(folder / "*.nothing"), "--sheet", str(sheet)]) == 2


def test_several_valves_in_one_file_are_judged_each_against_its_sheet(tmp_path, sheet, capsys):
    moved = np.roll(TRUE.command_ma, 100), np.roll(TRUE.current_a, 100)
    rows = table(
        TRUE,
        iso(TRUE),
        header=("Time", "Platen command (mA)", "Platen current (A)", "Clamp command (mA)", "Clamp current (A)"),
        columns=(TRUE.command_ma, TRUE.current_a, *moved),
        form=(".3f", ".4f", ".3f", ".4f"),
    )
    path = lines(tmp_path, rows)
    other = tmp_path / "clamp.toml"
    other.write_text(SHEET.replace("press-4.platen", "press-4.clamp"), encoding="utf-8")
    target = tmp_path / "out.json"
    command = ["judge", str(path), "--sheet", f"platen={sheet}", "--sheet", f"clamp={other}", "--json", str(target)]
    assert main(command) == 0
    found = json.loads(target.read_text(encoding="utf-8"))["judgements"]
    assert [each["valve"] for each in found] == ["press-4.platen", "press-4.clamp"]
    capsys.readouterr()
    assert main(["judge", str(path), "--sheet", str(sheet)]) == 2
    assert "--group" in capsys.readouterr().err


def test_two_files_of_one_valve_are_joined_on_time(tmp_path, sheet, capsys):
    time_iso = iso(TRUE)
    one = lines(
        tmp_path,
        table(TRUE, time_iso, header=("Time", "Command (mA)"), columns=(TRUE.command_ma,), form=(".3f",)),
        "c.csv",
    )
    two = lines(
        tmp_path,
        table(
            TRUE,
            time_iso,
            header=("Time", "Current (A)", "Pressure (bar)"),
            columns=(TRUE.current_a, TRUE.pressure_bar),
            form=(".4f", ".2f"),
        ),
        "i.csv",
    )
    whole = write("units_in_round_brackets", tmp_path / "a")
    answers = []
    for command in (["judge", str(one), str(two), "--join"], ["judge", str(whole)]):
        assert main([*command, "--sheet", str(sheet), "--json", "-"]) == 0
        answers.append(json.loads(capsys.readouterr().out))
    assert answers[0]["quantities"] == answers[1]["quantities"]
    assert any("the current follows the command by" in note for note in answers[0]["log"]["notes"])
    assert len(answers[0]["log"]["files"]) == 2
    # A clock that is ahead by more than any ramp is a question.
    late = lines(
        tmp_path,
        table(
            TRUE,
            [each.replace("T08:", "T07:") for each in time_iso],
            header=("Time", "Current (A)"),
            columns=(TRUE.current_a,),
            form=(".4f",),
        ),
        "late.csv",
    )
    assert main(["judge", str(one), str(late), "--join", "--sheet", str(sheet)]) == 2
    assert "not at the same time" in capsys.readouterr().err
    assert main(["judge", str(one), str(late), "--join", "--shift", "3600", "--sheet", str(sheet)]) == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
def test_a_full_disk_is_exit_two(tmp_path, sheet):
    path = write("units_in_round_brackets", tmp_path / "a")
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "asleft.cli.main", "judge", str(path), "--sheet", str(sheet)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert "cannot be written: No space left" in done.stderr
    assert "Traceback" not in done.stderr
