"""`asleft sheet from`: a recording of a valve without a sheet becomes one, and is judged by it."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.cli.main import main
from asleft.sheet.reader import read_sheet


@pytest.fixture(scope="session")
def log_text(hands):
    hand = hands.Hand(1_772_439_000 * 10**9, [*hands.strokes(), *hands.sweep()], up_s=1.2, down_s=2.0)
    at_s = 1_772_439_000 + np.arange(hand.channels["command"].size) / hands.RATE_HZ
    columns = [at_s, *(hand.channels[name] for name in ("command", "current", "pressure"))]
    rows = [",".join(f"{x:.5f}" for x in row) for row in zip(*columns, strict=True)]
    return "\n".join(["time (s),command (mA),current (A),pressure (bar)", *rows]) + "\n"


@pytest.fixture
def log(tmp_path, log_text):
    path = tmp_path / "logger.csv"
    path.write_text(log_text)
    return path


def test_what_was_found_is_what_the_plant_was_set_to_and_judges_the_same_log_as_left(log, tmp_path, capsys):
    out = tmp_path / "made.toml"
    assert main(["sheet", "from", str(log), "--valve-id", "press-4.platen", "--by", "kl", "--out", str(out)]) == 0
    said = capsys.readouterr()
    sheet = read_sheet(out.read_text())
    # What the plant in `hands` is set to.
    truth = {"current_at_zero": 0.18, "current_at_full": 0.92, "ramp_up": 1.2, "ramp_down": 2.0}
    for name, value in truth.items():
        assert sheet.as_left[name] == pytest.approx(value, rel=0.01), name
    assert {"pressure_at_zero", "pressure_at_full"} <= sheet.as_left.keys()
    assert sheet.revision.at is not None
    assert (sheet.revision.at.timestamp(), sheet.revision.by) == (1_772_439_000, "kl")
    assert "as found, ± " in out.read_text()
    assert "not shown: " in out.read_text()
    assert "What it does not show" in said.err
    assert main(["judge", str(log), "--sheet", str(out)]) == 0


def test_what_is_given_goes_before_what_was_found(log, capsys):
    words = ["sheet", "from", str(log), "--valve-id", "v", "--set", "ramp_up=1.25", "--set", "dither_frequency=120"]
    assert main(words) == 0
    said = capsys.readouterr()
    sheet = read_sheet(said.out)
    assert (sheet.as_left["ramp_up"], sheet.as_left["dither_frequency"]) == (1.25, 120.0)
    assert "you give 1.25 s, which stands on the sheet" in said.err


def test_ends_of_a_signal_of_its_own(log, capsys):
    words = ["sheet", "from", str(log), "--valve-id", "v", "--signal", "mA"]
    assert main(words) == 2
    assert "--signal mA: needs --ends LOW:HIGH" in capsys.readouterr().err
    assert main([*words, "--ends", "4:20"]) == 0
    sheet = read_sheet(capsys.readouterr().out)
    assert (sheet.signal.at_zero, sheet.signal.at_full) == (4.0, 20.0)
    assert sheet.as_left["current_at_full"] == pytest.approx(0.92, rel=0.01)


@pytest.mark.parametrize(
    ("more", "complaint"),
    [
        ([], "--valve-id ID is missing"),
        (["--valve-id", "Press 4"], "valve.id"),
        (["--valve-id", "v", "--ends", "4:20"], "only with --signal mA or V"),
        (["--valve-id", "v", "--signal", "V", "--ends", "5:5"], "the two must differ"),
        (["--valve-id", "v", "--set", "ramp=1"], "unknown setting"),
    ],
)
def test_wrong_words_are_named(log, more, complaint, capsys):
    assert main(["sheet", "from", str(log), *more]) == 2
    assert complaint in capsys.readouterr().err


def test_a_recording_in_which_nothing_moves_makes_no_sheet(tmp_path, capsys):
    rows = [f"{1_772_439_000 + n / 100:.2f},12.0,0.55,110.0" for n in range(3000)]
    path = tmp_path / "still.csv"
    path.write_text("\n".join(["time (s),command (mA),current (A),pressure (bar)", *rows]) + "\n")
    out = tmp_path / "made.toml"
    assert main(["sheet", "from", str(path), "--valve-id", "v", "--out", str(out)]) == 1
    assert "shows no setting of the valve; no sheet is made" in capsys.readouterr().err
    assert not out.exists()
