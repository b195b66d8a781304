"""`asleft sheet propose`: currents and ramps off a recorded sweep, or in words why not."""

from __future__ import annotations

import re
import tomllib

import numpy as np
import pytest
from asleft.cli.main import main
from asleft.sheet.reader import read_sheet
from asleft.sheet.tolerances import default_tolerances


@pytest.fixture(scope="session")
def rows(hands):
    hand = hands.Hand(1_772_439_000 * 10**9, [*hands.strokes(), *hands.sweep()], up_s=1.2, down_s=2.0)
    at_s = np.arange(hand.channels["command"].size) / hands.RATE_HZ
    columns = [at_s, *(hand.channels[name] for name in ("command", "current", "pressure"))]
    return [",".join(f"{x:.5f}" for x in row) for row in zip(*columns, strict=True)]


@pytest.fixture
def paths(tmp_path, sheet_text, rows):
    (tmp_path / "sheet.toml").write_text(sheet_text)
    (tmp_path / "flow.toml").write_text(sheet_text.replace("[signal]", 'controls = "flow"\n[signal]'))
    (tmp_path / "log.csv").write_text("\n".join(["time,command,current,pressure", *rows]) + "\n")
    (tmp_path / "strokes.csv").write_text("\n".join(["time,command,current,pressure", *rows[:1200]]) + "\n")
    (tmp_path / "own.csv").write_text("\n".join(["t,c,i,p", *rows]) + "\n")
    (tmp_path / "map.toml").write_text('[column]\ntime = "t"\ncommand = "c"\ncurrent = "i"\npressure = "p"\n')
    return tmp_path


def ask(paths, *more: str, log: str = "log.csv", sheet: str = "sheet.toml") -> int:
    return main(["sheet", "propose", str(paths / log), "--sheet", str(paths / sheet), *more])


def flat(said: str) -> str:
    return " ".join(said.split())


def value(said: str, label: str) -> float:
    return float(re.search(rf"^  {label} +([0-9.]+) ", said, re.MULTILINE).group(1))


def test_currents_and_ramps_are_those_of_the_plant(paths, hands, capsys):
    assert ask(paths, "--zero", "40", "--full", "190", "--rate", "100") == 0
    said = capsys.readouterr().out
    zero = np.interp(40.0, hands.FALLING_BAR, hands.CURRENT_A)
    full = np.interp(190.0, hands.RISING_BAR, hands.CURRENT_A)
    assert value(said, "current for the wanted pressure at zero") == pytest.approx(zero, abs=0.01)
    assert value(said, "current for the wanted pressure at full") == pytest.approx(full, abs=0.01)
    # The plant's steepest piece above 0.6 A rises 91 bar in 0.32 A.
    steepest = (210.0 - 119.0) / (0.92 - 0.6) * (full - zero) / 100.0
    assert value(said, "shortest ramp up for the wanted rate") == pytest.approx(steepest, rel=0.05)
    assert "settings proposed for 40 bar at 0 % command, 190 bar at 100 % command, at most 100 bar/s." in flat(said)
    assert "It is repeatability only: the sheet says nothing of its instruments." in said
    assert "0.920 A" in said  # as left, beside
    assert "At 100 % command full pressure or full flow may result" in said
    assert max(map(len, said.splitlines())) <= 88


def test_psi_and_a_map_give_the_same(paths, capsys):
    assert ask(paths, "--full", "190") == 0
    bar = value(capsys.readouterr().out, "current for the wanted pressure at full")
    given = ["--full", "2755.7", "--unit", "psi", "--map", str(paths / "map.toml")]
    assert ask(paths, *given, log="own.csv") == 0
    said = capsys.readouterr().out
    assert value(said, "current for the wanted pressure at full") == pytest.approx(bar, abs=0.001)
    assert "2755.7 psi at 100 % command" in flat(said)
    assert "Pressures under a setting are in bar." in flat(said)


def test_the_next_revision_is_written_with_tolerances_and_not_in_force(paths, capsys):
    own = "[tolerance]\nramp_up = 0.3  # agreed with the shop\n"
    sheet = (paths / "sheet.toml").read_text() + own
    (paths / "own.toml").write_text(sheet)
    out = paths / "next.toml"
    assert ask(paths, "--zero", "40", "--full", "190", "--rate", "100", "--out", str(out), sheet="own.toml") == 0
    said = flat(capsys.readouterr().out)
    assert "with a tolerance for each of: current at zero, current at full, ramp up, ramp down, " in said
    text = out.read_text(encoding="utf-8")
    before, made = read_sheet(sheet, source="before"), read_sheet(text, source="next")
    assert made.revision.number == before.revision.number + 1
    assert made.revision.at is None
    assert made.as_left["pressure_at_zero"] == 40.0
    assert made.as_left["pressure_at_full"] == 190.0
    assert 0.18 < made.as_left["current_at_zero"] < made.as_left["current_at_full"] < 0.92
    untouched = set(before.as_left) - {
        f"{what}_at_{end}" for what in ("current", "pressure") for end in ("zero", "full")
    }
    assert {name: made.as_left[name] for name in untouched if "ramp" not in name} == {
        name: before.as_left[name] for name in untouched if "ramp" not in name
    }
    entered = tomllib.loads(text)["tolerance"]
    assert entered["ramp_up"] == 0.3
    assert "# agreed with the shop" in text
    assert {"current_at_zero", "current_at_full", "ramp_down", "pressure_at_zero", "pressure_at_full"} < set(entered)
    usual = default_tolerances(made.as_left)
    assert all(entered[name] >= 0.999 * usual[name].below for name in entered if name != "ramp_up")
    # As proposed it cannot be filed, because nobody has set the valve so yet.
    assert main(["sheet", "put", str(out), "--data", str(paths / "data")]) == 2
    assert "revision.at" in capsys.readouterr().err
    # A file that is there is kept.
    assert ask(paths, "--full", "190", "--out", str(out), sheet="own.toml") == 2
    assert out.read_text(encoding="utf-8") == text


def test_a_sheet_in_other_units_stays_in_them(paths):
    sheet = (paths / "sheet.toml").read_text()
    (paths / "psi.toml").write_text(
        re.sub(r"(pressure_at_\w+ = )([0-9.]+)", lambda found: f"{found[1]}{float(found[2]) * 14.503774:.1f}", sheet)
        + '[units]\npressure = "psi"\ncurrent = "mA"\n'.replace('current = "mA"\n', "")
    )
    out = paths / "next.toml"
    assert ask(paths, "--full", "190", "--out", str(out), sheet="psi.toml") == 0
    assert tomllib.loads(out.read_text(encoding="utf-8"))["as_left"]["pressure_at_full"] == pytest.approx(2756, abs=1)
    assert read_sheet(out.read_text(encoding="utf-8"), source="next").as_left["pressure_at_full"] == pytest.approx(
        190, abs=0.05
    )


def test_what_the_sweep_did_not_reach_is_not_proposed(paths, capsys):
    assert ask(paths, "--full", "250") == 1
    said = capsys.readouterr().out
    assert "not to 250.0 bar" in said
    out = paths / "next.toml"
    assert ask(paths, "--zero", "40", "--full", "250", "--out", str(out)) == 1
    assert "not written" in capsys.readouterr().out
    assert not out.exists()
    assert re.search(r"current for the wanted pressure at full +[–-]", said)


def test_without_a_sweep_it_says_so(paths, capsys):
    assert ask(paths, "--full", "190", log="strokes.csv") == 1
    assert "No sweep 0-100-0 % in steps was found in the file" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("", "--zero and --full are missing"),
        ("--full 190 --rate 100", "--rate: needs --zero and --full too"),
        ("--zero 190 --full 12", "--zero 190: must lie below --full 12"),
        ("--zero -1", "--zero -1: must be between 0 and 1000 bar"),
        ("--full nan", "--full nan: must be between 0 and 1000 bar"),
        ("--full 15000 --unit psi", "--full 15000: must be between 0 and 14503.8 psi"),
        ("--zero 1 --full 9 --rate 0", "--rate 0: must be above 0, at most 100000 bar/s"),
        ("--full 190 --map none.toml", "none.toml"),
    ],
)
def test_wrong_input_is_told(paths, capsys, given, words):
    assert ask(paths, *given.split()) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said


def test_a_valve_of_flow_is_refused(paths, capsys):
    assert ask(paths, "--full", "190", sheet="flow.toml") == 2
    assert "the valve controls flow" in capsys.readouterr().err
