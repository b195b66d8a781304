"""`asleft verify`: a verification record from files alone is the one the dashboard files."""

from __future__ import annotations

import io
import json
import re
import zipfile
from importlib.resources import files

import numpy as np
import pypdf
import pytest
from asleft.cli.main import main


@pytest.fixture(scope="session")
def sweep_text(hands):
    def text(start_s: int, up_s: float) -> str:
        hand = hands.Hand(start_s * 10**9, [*hands.strokes(), *hands.sweep()], up_s=up_s, down_s=2.0)
        at_s = start_s + np.arange(hand.channels["command"].size) / hands.RATE_HZ
        columns = [at_s, *(hand.channels[name] for name in ("command", "current", "pressure"))]
        rows = [",".join(f"{x:.5f}" for x in row) for row in zip(*columns, strict=True)]
        return "\n".join(["time (s),command (mA),current (A),pressure (bar)", *rows]) + "\n"

    return text(1_772_439_000, 1.5), text(1_772_446_000, 1.2)


@pytest.fixture
def folder(tmp_path, sheet_text, sweep_text, monkeypatch, capsys):
    for name, text in zip(("found.csv", "left.csv"), sweep_text, strict=True):
        (tmp_path / name).write_text(text)
    (tmp_path / "sheet.toml").write_text(
        re.sub(r"(supply_voltage|coil_resistance|pressure_at_zero|pressure_at_full) = .*\n", "", sheet_text)
    )
    monkeypatch.chdir(tmp_path)
    assert main(["verify", "--blank", "entered.toml", "--sheet", "sheet.toml"]) == 0
    capsys.readouterr()
    return tmp_path


def fill_in(folder, **values: str) -> None:
    text = (folder / "entered.toml").read_text()
    for name, value in {"load_state": "stop", "technician": "kl", "decision": "accepted", **values}.items():
        text, count = re.subn(rf'^{name} = ""', f'{name} = "{value}"', text, count=1, flags=re.MULTILINE)
        assert count == 1, name
    (folder / "entered.toml").write_text(text)


def verify(*more: str) -> int:
    return main(["verify", *more, "--sheet", "sheet.toml", "--entered", "entered.toml"])


def test_found_and_left_become_a_record_to_sign(folder, capsys):
    fill_in(folder, valve_plate="V-7, 0815", witness="tm")
    assert verify("found.csv", "left.csv", "--out", "record.json") == 0
    assert "Accepted as left." in capsys.readouterr().out
    body = json.loads((folder / "record.json").read_text())
    form = json.loads((files("asleft.web.report") / "verification_record.schema.json").read_text("utf-8"))
    assert set(form["required"]) <= set(body) <= set(form["properties"])
    assert (body["as_found"]["outcome"], body["as_left"]["outcome"]) == ("not-as-left", "as-left")
    assert [one["name"] for one in body["readings"]] == ["found.csv", "left.csv"]
    ramp = next(q for q in body["as_found"]["quantities"] if q["id"] == "ramp_up")
    assert ramp["as_found"] == pytest.approx(1.5, rel=0.02)
    assert verify("found.csv", "left.csv", "--out", "record.html", "--paper", "Letter") == 0
    page = (folder / "record.html").read_text()
    for words in ("Command over time", "Coil current over time", "Pressure over time"):
        assert page.count(f"<figcaption>{words}</figcaption>") == 2, words
    for words in ("V-7, 0815", "Witnessed by: tm", "found.csv", "As left, after adjustment", "JCGM 106"):
        assert words in page, words
    assert "driver serial number" not in page  # nobody entered it
    assert "pressure wanted" not in page  # the sheet gives none
    row = re.search(r'<th scope="row">headroom</th>.*?</tr>', page).group(0)
    assert "≥ 10\u00a0%" in row
    assert "only" not in row


def test_a_valve_out_of_tolerance_is_recorded_and_cannot_be_accepted(folder, capsys):
    fill_in(folder)
    assert verify("found.csv", "--out", "record.json") == 2
    assert "record.decision: it cannot be accepted: something is out of tolerance" in capsys.readouterr().err
    assert not (folder / "record.json").exists()
    text = (folder / "entered.toml").read_text()
    (folder / "entered.toml").write_text(
        text.replace('"accepted"\n', '"not-accepted"\n').replace(
            'decision = "accepted" ', 'decision = "not-accepted" '
        )
    )
    assert verify("found.csv", "--out", "record.json") == 1
    assert json.loads((folder / "record.json").read_text())["decision"] == "not-accepted"


@pytest.mark.usefixtures("folder")
def test_all_that_is_missing_is_said_at_once_by_key(capsys):
    assert verify("found.csv", "--out", "record.pdf") == 2
    said = capsys.readouterr().err
    for key in ("entered.toml: record.load_state: ", "record.technician: ", "record.decision: "):
        assert key in said


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["left.csv", "found.csv", "--out", "r.pdf"], "are they exchanged?"),
        (["found.csv", "--out", "r.doc"], "must end in .html, .pdf or .json"),
        (["--out", "r.pdf"], "LOG: one file as found, or two"),
    ],
)
def test_wrong_words_are_named(folder, words, complaint, capsys):
    fill_in(folder)
    assert verify(*words) == 2
    assert complaint in capsys.readouterr().err


def test_what_is_entered_is_checked_like_every_settings_file(folder, capsys):
    fill_in(folder)
    file = folder / "entered.toml"
    file.write_text(file.read_text() + 'sigend = "x"\n')
    assert verify("left.csv", "--out", "r.pdf") == 2
    assert "record.sigend" in capsys.readouterr().err


def test_a_press_is_handed_over_as_one_document_and_as_one_zip(folder, capsys):
    fill_in(folder)
    (folder / "entered.toml").rename(folder / "sheet.entered.toml")
    (folder / "ejector.toml").write_text((folder / "sheet.toml").read_text().replace("platen", "ejector"))
    words = [
        "handover",
        "Press 4",
        "--valve",
        "sheet.toml",
        "found.csv",
        "left.csv",
        "--valve",
        "ejector.toml",
        "left.csv",
    ]
    assert main([*words, "--out", "press.html"]) == 1
    written, told = capsys.readouterr().out.splitlines()
    assert written == "press.html: written, 2 valves."
    assert told.startswith("press-4.ejector: no record, because nothing was entered: ")
    assert "asleft verify --blank ejector.entered.toml --sheet ejector.toml" in told
    page = (folder / "press.html").read_text()
    for text in (
        "Hand-over of Press 4",
        "Contents",
        "Press 4 platen pressure: verification record",
        "Settings sheet of Press 4 ejector pressure",
        "No record.",
    ):
        assert text in page, text
    assert main([*words, "--out", "press.zip"]) == 1
    with zipfile.ZipFile(folder / "press.zip") as pack:
        names = set(pack.namelist())
        assert {
            "handover.pdf",
            "press-4.platen/record.json",
            "press-4.platen/found.csv",
            "press-4.ejector/left.csv",
        } <= names
        pages = pypdf.PdfReader(io.BytesIO(pack.read("handover.pdf"))).pages
    contents = " ".join(pages[0].extract_text().split())
    listed = re.findall(r"ejector pressure: as found[ .]*(\d+)", contents)
    assert listed, contents
    assert "ejector" in pages[int(listed[0]) - 1].extract_text()


@pytest.mark.usefixtures("folder")
def test_a_valve_without_a_recording_is_named(capsys):
    assert main(["handover", "Press 4", "--valve", "sheet.toml", "--out", "press.pdf"]) == 2
    assert "--valve sheet.toml: one or two recordings are wanted" in capsys.readouterr().err


def test_two_recordings_become_before_and_after(folder, capsys):
    words = ["report", "--log", "found.csv", "--sheet", "sheet.toml"]
    assert main([*words, "--after", "left.csv", "--out", "both.html"]) == 0
    page = (folder / "both.html").read_text().replace("\u00a0", " ")
    assert "Before and after, Press 4 platen pressure. Changed: ramp up." in page
    row = re.search(r"<tr><th scope=\"row\">ramp up</th>(.*?)</tr>", page).group(1)
    first, second, change = re.findall(r">([^<>]+)</td>", row)[:3]
    assert (first, second) == ("1.50 s", "1.20 s")
    assert float(change.removesuffix(" s").replace("−", "-")) == pytest.approx(-0.3, abs=0.01)
    row = re.search(r"<tr><th scope=\"row\">current at full</th>(.*?)</tr>", page).group(1)
    digits = {len(one.removesuffix(" A").partition(".")[2]) for one in re.findall(r">([^<>]+)</td>", row)[2:4]}
    assert len(digits) == 1  # a change that was not seen is as fine as what is unsure of it
    assert "no change seen" in page
    assert (
        main(["report", "--log", "left.csv", "--sheet", "sheet.toml", "--after", "found.csv", "--out", "x.html"]) == 2
    )
    assert "are they exchanged?" in capsys.readouterr().err
    assert main([*words, "--after-sheet", "sheet.toml", "--out", "x.html"]) == 2
    assert "--after-sheet: only with --after" in capsys.readouterr().err


def test_a_pack_loses_no_file_to_another_of_its_name(folder):
    """A logger names its files as it always does, and a valve may stand in the pack twice."""
    fill_in(folder)
    (folder / "entered.toml").rename(folder / "sheet.entered.toml")
    assert main(["log", "left.csv", "--write-map", "map.toml"]) == 0
    logs = []
    for name in ("found", "left"):
        (folder / name).mkdir()
        logs.append(str((folder / f"{name}.csv").rename(folder / name / "log.csv")))
    words = ["handover", "Press 4", "--valve", "sheet.toml", *logs, "--valve", "sheet.toml", logs[1]]
    assert main([*words, "--map", "map.toml", "--out", "press.zip"]) == 0
    with zipfile.ZipFile(folder / "press.zip") as pack:
        names = pack.namelist()
        assert len(names) == len(set(names))
        of_valve = {"sheet.toml", "sheet.entered.toml", "record.json", "log.csv"}
        assert {*(f"press-4.platen/{name}" for name in of_valve | {"log-2.csv"})} <= set(names)
        assert {*(f"press-4.platen-2/{name}" for name in of_valve)} <= set(names)
        assert pack.read("map.toml") == (folder / "map.toml").read_bytes()
        assert pack.read("press-4.platen/log.csv") == (folder / logs[0]).read_bytes()
        assert pack.read("press-4.platen/log-2.csv") == (folder / logs[1]).read_bytes()
