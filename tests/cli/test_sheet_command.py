from __future__ import annotations

import getpass
import tomllib

import pytest
from asleft.cli.main import main
from asleft.store.access import open_access
from asleft.store.records import open_records


@pytest.fixture
def sheet_file(tmp_path, sheet_text):
    path = tmp_path / "press-4.toml"
    path.write_text(sheet_text, encoding="utf-8")
    return path


def test_new_prints_a_sheet_that_check_accepts(tmp_path, capsys):
    code = main(
        ["sheet", "new", "--valve-id", "press-1.lift", "--press", "Press 1", "--set", "ramp_up=1.5", "--at", "now"]
    )
    text = capsys.readouterr().out
    assert code == 0
    assert tomllib.loads(text)["as_left"] == {"ramp_up": 1.5}
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    assert main(["sheet", "check", str(path)]) == 0
    assert "a.toml: no fault." in capsys.readouterr().out


def test_new_writes_a_file_and_keeps_one_that_is_there(tmp_path, capsys):
    path = tmp_path / "a.toml"
    assert main(["sheet", "new", "--valve-id", "a", "--signal", "mA", "--out", str(path)]) == 0
    before = path.read_text(encoding="utf-8")
    assert 'unit = "mA"' in before
    assert main(["sheet", "new", "--valve-id", "b", "--out", str(path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert path.read_text(encoding="utf-8") == before
    assert main(["sheet", "new", "--valve-id", "b", "--out", str(tmp_path / "no" / "a.toml")]) == 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--valve-id", "Press 1"], 'valve.id = "Press 1"'),
        (["--valve-id", "a", "--set", "ramp=1"], "--set ramp=1: unknown setting"),
        (["--valve-id", "a", "--set", "ramp_up=fast"], "expected a number after ="),
        (["--valve-id", "a", "--set", "ramp_up=900"], "as_left.ramp_up = 900.0: must be from 0 to 600 s"),
        (["--valve-id", "a", "--at", "2026-03-02"], "revision.at"),
        (["--valve-id", "a", "--at", "yesterday"], "TOML"),
        (["--valve-id", "a", "--number", "0"], "revision.number"),
        ([], "--valve-id"),
    ],
)
def test_new_refuses_what_check_would(arguments, message, capsys):
    assert main(["sheet", "new", *arguments]) == 2
    captured = capsys.readouterr()
    assert message in captured.err
    assert captured.out == ""


def test_check_says_what_the_sheet_says(sheet_file, capsys):
    assert main(["sheet", "check", str(sheet_file)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "press-4.platen (Press 4 platen pressure): revision 3, since 2026-03-02 08:10:00 UTC, by kl" in text
    assert "ramp up 1.20 s ±0.12 default tolerance" in text
    assert "Not judged, because not given: dither frequency" in text
    assert "repeatability only" in text


def test_check_reports_all_faults_of_all_files(sheet_file, tmp_path, capsys):
    bad, worse = tmp_path / "bad.toml", tmp_path / "worse.toml"
    bad.write_text(sheet_file.read_text().replace("ramp_up = 1.2", "ramp_up = -1\nramp_donw = 3"), encoding="utf-8")
    worse.write_text("[valve", encoding="utf-8")
    assert main(["sheet", "check", str(bad), str(sheet_file), str(worse), str(tmp_path / "none.toml")]) == 2
    captured = capsys.readouterr()
    assert "press-4.toml: no fault." in captured.out
    assert len(captured.err.splitlines()) == 4
    for word in ("ramp_up = -1", "ramp_donw", "worse.toml: not readable as TOML", "none.toml: cannot be read"):
        assert word in captured.err


def test_diff_shows_changes_and_what_a_next_revision_lacks(sheet_file, tmp_path, capsys):
    assert main(["sheet", "diff", str(sheet_file), str(sheet_file)]) == 0
    assert capsys.readouterr().out == "No difference.\n"
    other = tmp_path / "new.toml"
    other.write_text(sheet_file.read_text().replace("ramp_up = 1.2", "ramp_up = 1.6"), encoding="utf-8")
    assert main(["sheet", "diff", str(sheet_file), str(other)]) == 1
    text = capsys.readouterr().out
    assert "ramp up: 1.20 s → 1.60 s (+0.400 s)" in text
    assert "revision.number = 3: must be above the one before, 3" in text


def revise(path, **changes: str):
    text = path.read_text(encoding="utf-8")
    for old, new in (change.split(" => ") for change in changes.values()):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def test_put_files_revisions_and_never_changes_one(sheet_file, tmp_path, capsys):
    data = tmp_path / "data" / "deep"
    put = ["sheet", "put", str(sheet_file), "--data", str(data)]
    assert main(put) == 0
    assert "press-4.platen, revision 3: filed, in force from 2026-03-02 08:10:00 UTC." in capsys.readouterr().out
    assert main(put) == 0
    assert "on record already, word for word; nothing changed" in capsys.readouterr().out

    revise(sheet_file, a="ramp_up = 1.2 => ramp_up = 1.6")
    assert main(put) == 2
    assert "revision 3 is already on record with other contents" in capsys.readouterr().err

    revise(sheet_file, a="number = 3 => number = 4", b="08:10:00Z => 09:10:00Z")
    assert main([*put, "--by", "mr", "--why", "retuned"]) == 0
    assert "ramp up: 1.20 s → 1.60 s" in capsys.readouterr().out
    store = open_records(data / "records.db")
    try:
        third, fourth = store.sheets("press-4.platen")
    finally:
        store.close()
    assert (third.number, third.by, third.why, third.at_ns) == (3, "kl", "pump replaced", 1772439000 * 10**9)
    assert (fourth.number, fourth.by, fourth.why) == (4, "mr", "retuned")
    assert fourth.toml == sheet_file.read_text(encoding="utf-8")
    assert fourth.at_ns == 1772442600 * 10**9
    access = open_access(data / "records.db")
    trail = [(e.who, e.address, e.action, e.subject, e.details) for e in reversed(access.audit.newest(10))]
    access.close()
    who = (getpass.getuser(), "command line", "sheet filed")  # what was refused or changed nothing has no line
    assert trail == [
        (*who, "press-4.platen, revision 3", "by kl: pump replaced"),
        (*who, "press-4.platen, revision 4", "by mr: retuned"),
    ]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("number = 3 => number = 2", "revision.number = 2: must be above the one before, 3"),
        ("number = 3\nat = 2026-03-02T08:10:00Z => number = 4\nat = 2026-03-01T08:10:00Z", "must not be before that"),
        ("at = 2026-03-02T08:10:00Z => ", "revision.at: missing: since when"),
        ('by = "kl" => by = ""', "--by is missing"),
        ('why = "pump replaced" => ', "--why is missing"),
        ("ramp_up = 1.2 => ramp_up = -1", "as_left.ramp_up = -1"),
    ],
)
def test_put_refuses_what_is_no_next_revision(sheet_file, tmp_path, capsys, change, message):
    put = ["sheet", "put", str(sheet_file), "--data", str(tmp_path / "data")]
    assert main(put) == 0
    revise(sheet_file, a=change)
    assert main(put) == 2
    assert message in capsys.readouterr().err


def test_put_into_what_is_no_folder_or_no_store(sheet_file, tmp_path, capsys):
    file = tmp_path / "file"
    file.write_text("x", encoding="utf-8")
    assert main(["sheet", "put", str(sheet_file), "--data", str(file)]) == 2
    assert "cannot be used" in capsys.readouterr().err
    data = tmp_path / "data"
    data.mkdir()
    (data / "records.db").write_bytes(b"no database at all, but long enough to be looked at" * 40)
    assert main(["sheet", "put", str(sheet_file), "--data", str(data)]) == 2
    assert "records.db: cannot be opened" in capsys.readouterr().err
