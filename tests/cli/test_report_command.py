"""`asleft report`: one of two ways, complete, or a message that says what is wrong."""

from __future__ import annotations

import pytest
from asleft.cli.main import main


@pytest.fixture
def paths(tmp_path, sheet_text):
    sheet, log = tmp_path / "sheet.toml", tmp_path / "log.csv"
    sheet.write_text(sheet_text)
    log.write_text("time,command,current\n0,4,0.2\n1,4,0.2\n")
    return {"sheet": str(sheet), "log": str(log), "out": str(tmp_path / "r.html"), "data": str(tmp_path)}


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("--out {out}", "VALVE is missing"),
        ("press-4.platen --out {out}", "--data is missing"),
        ("press-4.platen --data {data}/no --out {out}", "no such folder"),
        ("press-4.platen --data {data} --sheet {sheet} --out {out}", "--sheet: only with --log"),
        ("press-4.platen --data {data} --burst {log} --out {out}", "--burst: only with --log"),
        ("press-4.platen --data {data} --days 5000 --out {out}", "--days 5000: must lie between 0.01 and 3660"),
        ("--log {log} --out {out}", "--sheet is missing"),
        ("--log {log} --sheet {sheet} --data {data} --out {out}", "--data: not with --log"),
        ("press-4.platen --log {log} --sheet {sheet} --out {out}", "VALVE: not with --log"),
        ("--log {log} --sheet {sheet} --days 3 --out {out}", "--days: not with --log"),
        ("--log {log} --sheet {sheet} --out {data}/r.doc", "must end in .html, .pdf or .csv"),
        ("--log {log} --sheet {sheet} --out {out}", "s of usable data, expected at least 10 s"),
        ("--log {data}/none.csv --sheet {sheet} --out {out}", "none.csv"),
        ("--log {log} --sheet {log} --out {out}", "log.csv"),
        ("--log {log} --sheet {sheet} --zone Mars --out {out}", "--zone Mars"),
    ],
)
def test_what_does_not_fit_is_told_and_nothing_is_written(paths, tmp_path, capsys, given, words):
    assert main(["report", *given.format(**paths).split()]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert not (tmp_path / "r.html").exists()


def test_the_paper_is_one_of_two(paths, capsys):
    given = ["--log", paths["log"], "--sheet", paths["sheet"], "--out", paths["out"]]
    assert main(["report", *given, "--paper", "a3"]) == 2
    assert "invalid choice: 'a3' (choose from 'a4', 'letter')" in capsys.readouterr().err
