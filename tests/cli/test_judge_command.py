from __future__ import annotations

import importlib.util
import json
import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from asleft.catalogue.statuses import Status
from asleft.cli.main import main
from asleft.judge.types import Fit, Verdict


@pytest.fixture
def files(tmp_path, sheet_text):
    sheet, log = tmp_path / "press-4.toml", tmp_path / "log.csv"
    sheet.write_text(sheet_text, encoding="utf-8")
    rows = [f"2026-03-02T08:00:{i // 100:02d}.{i % 100:02d}0,{4 + i % 16},0.5,100" for i in range(2000)]
    log.write_text("\n".join(["time,command,current,pressure", *rows]) + "\n", encoding="utf-8")
    return sheet, log


@pytest.fixture
def judged(monkeypatch, judgement):
    """Puts a judge in place that returns `judgement` and remembers what it was asked."""
    asked: dict[str, object] = {"answer": judgement}

    def judge_log(sheet, samples, *, dropped=None, told=None):
        if told is not None:
            told(float(samples.time_s[-1]))
        asked.update(sheet=sheet, samples=samples, dropped=dropped)
        return asked["answer"]

    monkeypatch.setattr("asleft.judge.judge.judge_log", judge_log)
    return asked


def test_something_out_or_found_is_exit_one(files, judged, capsys):
    sheet, log = files
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1
    assert capsys.readouterr().out.startswith("Ramp up takes 1.55 s")
    assert judged["samples"].time_s.size == 2000  # type: ignore[attr-defined]
    assert judged["dropped"] == {}


@pytest.mark.usefixtures("judged")
def test_of_a_long_log_the_way_there_is_told_beside_the_result(files, monkeypatch, capsys):
    sheet, log = files
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1
    short = capsys.readouterr()
    assert short.err == ""
    monkeypatch.setattr("asleft.cli.judged_file._LONG_BYTES", 1000)
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1
    long = capsys.readouterr()
    assert long.out == short.out
    assert long.err.startswith("reading 0 MB: done in ")
    assert "\njudging: done in " in long.err


def test_undecided_and_not_observed_are_exit_zero(files, judged, judgement):
    sheet, log = files
    calm = tuple(
        q if q.verdict is not Verdict.OUT else replace(q, verdict=Verdict.UNDECIDED) for q in judgement.quantities
    )
    judged["answer"] = replace(judgement, quantities=calm, findings=())
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 0
    judged["answer"] = replace(judgement, quantities=calm)
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1  # a finding alone
    judged["answer"] = replace(judgement, findings=())
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1  # a verdict alone


def test_nothing_judged_is_exit_three(files, judged, judgement):
    sheet, log = files
    blind = tuple(replace(q, verdict=Verdict.NOT_OBSERVED) for q in judgement.quantities)
    judged["answer"] = replace(judgement, quantities=blind, findings=(), status=Status.NOT_JUDGED)
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 3
    judged["answer"] = replace(judgement, quantities=blind, status=Status.FAILURE)
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 1  # what was found counts all the same


@pytest.mark.usefixtures("judged")
def test_columns_that_no_channel_takes_are_said(files, capsys):
    sheet, log = files
    log.write_text(log.read_text().replace("pressure\n", "pressure,shunt_mV\n", 1), encoding="utf-8")
    main(["judge", str(log), "--sheet", str(sheet), "--json", "-"])
    assert any("not judged: shunt_mV." in remark for remark in json.loads(capsys.readouterr().out)["remarks"])
    main(["judge", str(log), "--sheet", str(sheet)])
    assert "not judged: shunt_mV." in " ".join(capsys.readouterr().out.split())


def test_a_log_that_does_not_fit_its_sheet_is_exit_three(files, judged, judgement, capsys):
    sheet, log = files
    fit = Fit(False, "current-unit", "the current is 1,000 times what the sheet allows: is it in mA?", "Write it.")
    said = "This log does not fit sheet 3."
    judged["answer"] = replace(judgement, fit=fit, sentence=said, findings=(), status=Status.FUNCTION_CHECK)
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 3
    page = capsys.readouterr().out
    assert page.startswith(said)
    assert "Findings: none looked for" in page
    main(["judge", str(log), "--sheet", str(sheet), "--json", "-"])
    assert json.loads(capsys.readouterr().out)["fit"]["cause"] == "current-unit"


@pytest.mark.usefixtures("judged")
def test_json_to_a_file_and_alone_to_the_terminal(files, tmp_path, capsys):
    sheet, log = files
    target = tmp_path / "out.json"
    main(["judge", str(log), "--sheet", str(sheet), "--json", str(target)])
    found = json.loads(target.read_text(encoding="utf-8"))
    assert found["valve"] == "press-4.platen"
    assert {"from", "to", "samples", "status", "sentence", "states", "quantities", "findings"} <= set(found)
    assert found["quantities"][3]["bound"] == {"below": 0.8}
    assert "takes 1.55 s" in capsys.readouterr().out
    main(["judge", str(log), "--sheet", str(sheet), "--json", "-"])
    assert json.loads(capsys.readouterr().out) == found
    assert main(["judge", str(log), "--sheet", str(sheet), "--json", str(tmp_path / "no" / "x.json")]) == 2


def test_bad_cells_reach_the_page_and_many_of_them_the_judge(files, judged, capsys):
    sheet, log = files
    log.write_text(log.read_text().replace("08:00:05.000,8,0.5", "08:00:05.000,8,ERR"), encoding="utf-8")
    main(["judge", str(log), "--sheet", str(sheet)])
    assert judged["dropped"] == {}
    assert "the first in line 502, 'ERR'" in " ".join(capsys.readouterr().out.split())
    text, bad = re.subn(r",(8|9|10|11),(0\.5|ERR)", r",\1,ERR", log.read_text())
    log.write_text(text, encoding="utf-8")
    main(["judge", str(log), "--sheet", str(sheet)])
    assert judged["dropped"] == {"cells that are no number": bad}


def test_the_zone_applies_to_times_without_one(files, judged, capsys):
    sheet, log = files
    main(["judge", str(log), "--sheet", str(sheet), "--zone", "Europe/Vienna"])
    assert judged["samples"].time_s[0] == 1772434800.0  # type: ignore[attr-defined]
    assert "CET" in capsys.readouterr().out
    assert main(["judge", str(log), "--sheet", str(sheet), "--zone", "Vienna"]) == 2


def test_a_map_of_its_own_goes_before_the_sheet_s(files, judged, tmp_path, capsys):
    sheet, log = files
    sheet.write_text(sheet.read_text() + '[log.column]\ncurrent = "Strom"\n', encoding="utf-8")
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 2
    assert "no column 'Strom' (for current)" in capsys.readouterr().err
    own = tmp_path / "logger.toml"
    own.write_text('[column]\ncurrent = { header = "pressure", unit = "mA" }\n', encoding="utf-8")
    assert main(["judge", str(log), "--sheet", str(sheet), "--map", str(own)]) == 1
    assert judged["samples"].channels["current"][0] == 0.1  # type: ignore[attr-defined]


def test_bursts_go_along(files, judged, tmp_path):
    sheet, log = files
    fast = tmp_path / "fast.csv"
    fast.write_text("time,current\n" + "".join(f"{i / 5000:.4f},0.5\n" for i in range(3000)), encoding="utf-8")
    main(["judge", str(log), "--sheet", str(sheet), "--burst", str(fast)])
    assert judged["samples"].bursts[0].rate_hz == pytest.approx(5000)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("sheet_text_", "map_text", "message"),
    [
        ("[valve]\nid = 1\n", None, "press-4.toml: valve.id = 1"),
        (None, "seperator = ';'\n", 'logger.toml: seperator = ";": unknown key'),
        ("\xff", None, "not UTF-8"),
    ],
)
@pytest.mark.usefixtures("judged")
def test_faulty_sheets_and_maps_are_exit_two(files, tmp_path, capsys, sheet_text_, map_text, message):
    sheet, log = files
    if sheet_text_ is not None:
        sheet.write_text(sheet_text_, encoding="latin-1")
    own = tmp_path / "logger.toml"
    own.write_text(map_text or "", encoding="utf-8")
    assert main(["judge", str(log), "--sheet", str(sheet), "--map", str(own)]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.usefixtures("judged")
def test_files_that_are_not_there_are_exit_two(files, tmp_path, capsys):
    sheet, log = files
    assert main(["judge", str(tmp_path / "none.csv"), "--sheet", str(sheet)]) == 2
    assert main(["judge", str(log), "--sheet", str(tmp_path / "none.toml")]) == 2
    error = capsys.readouterr().err
    assert "none.csv: cannot be read: No such file" in error
    assert "none.toml: cannot be read: No such file" in error


def rows_of_a_healthy_valve(current_scale: float = 1.0) -> list[str]:
    """Two minutes of steps of 50 % with the currents and ramps of the sheet."""
    rate, demand, rows = 100, 0.0, []
    for i in range(rate * 120):
        wanted = (0.0, 0.5, 1.0, 0.5)[(i // (rate * 6)) % 4]
        demand += min(max(wanted - demand, -1 / (2.0 * rate)), 1 / (1.2 * rate))
        wobble = 0.002 * ((i * 7919) % 101 / 100 - 0.5)
        current = current_scale * (0.18 + 0.74 * demand + wobble)
        pressure = 12 + 198 * demand + 20 * wobble
        rows.append(f"{i / rate:.2f},{4 + 16 * wanted:.3f},{current:.4f},{pressure:.2f}")
    return ["time,command,current,pressure", *rows]


def test_the_line_that_a_misread_log_asks_for_makes_it_right(tmp_path, sheet_text, capsys):
    sheet, log, own = tmp_path / "s.toml", tmp_path / "log.csv", tmp_path / "map.toml"
    sheet.write_text(sheet_text, encoding="utf-8")
    log.write_text("\n".join(rows_of_a_healthy_valve(1000.0)) + "\n", encoding="utf-8")
    # A map that is wrong: its column without a unit is in A.
    own.write_text('[column]\ncurrent = "current"\n', encoding="utf-8")
    assert main(["judge", str(log), "--sheet", str(sheet), "--map", str(own)]) == 3
    said = " ".join(capsys.readouterr().out.split())
    line = 'current = { unit = "mA" }'
    assert f"Write {line} under [column] in the map" in said
    own.write_text(f"[column]\n{line}\n", encoding="utf-8")
    assert main(["judge", str(log), "--sheet", str(sheet), "--map", str(own)]) == 0
    capsys.readouterr()
    # Without a map no coil has hundreds of amperes, so they are mA, and that is said.
    assert main(["judge", str(log), "--sheet", str(sheet)]) == 0
    assert "current from current in mA" in " ".join(capsys.readouterr().out.split())


def test_the_true_judge_takes_what_is_read(tmp_path, sheet_text, capsys):
    """Steps of 50 % with the as-left currents and ramps: nothing is out."""
    sheet, log, target = tmp_path / "s.toml", tmp_path / "log.csv", tmp_path / "out.json"
    sheet.write_text(sheet_text, encoding="utf-8")
    log.write_text("\n".join(rows_of_a_healthy_valve()) + "\n", encoding="utf-8")
    code = main(["judge", str(log), "--sheet", str(sheet), "--json", str(target)])
    found = {q["id"]: q for q in json.loads(target.read_text(encoding="utf-8"))["quantities"]}
    assert code == 0, capsys.readouterr().out
    assert found["ramp_up"]["as_found"] == pytest.approx(1.2, rel=0.01)
    assert found["ramp_down"]["as_found"] == pytest.approx(2.0, rel=0.01)
    assert found["current_at_full"]["as_found"] == pytest.approx(0.92, abs=0.002)


def test_what_moved_is_shown_as_a_line_under_its_evidence(tmp_path, capsys):
    """A valve of the demo's plant, whose ramp up changes within the recording."""
    made = _recorded()
    sheet, log = tmp_path / "press-2.toml", tmp_path / "log.csv"
    sheet.write_text(made.toml, encoding="utf-8")
    columns = ("command", "current", "pressure", "enable", "pump_running")
    rows = zip(made.samples.time_s.tolist(), *(made.samples.channels[name].tolist() for name in columns), strict=True)
    log.write_text(
        "\n".join([f"time,{','.join(columns)}", *(",".join(f"{cell:.6f}" for cell in row) for row in rows)]) + "\n",
        encoding="utf-8",
    )
    assert main(["judge", str(log), "--sheet", str(sheet), "--zone", "Europe/Madrid"]) == 1
    page = capsys.readouterr().out
    found = page[page.index("Findings") :]
    told = " ".join(found.split())
    assert "Ramp up takes 2.10 s, left at 1.60 s." in told
    line = re.search(r"Ramp up: left at 1\.60 s, now 2\.10 ±[\d.]+ s, since 11:\d\d\. ([▁▂▃▄▅▆▇█]+)", told)
    assert line is not None, told
    heights = [" ▁▂▃▄▅▆▇█".index(sign) for sign in line.group(1)]
    assert heights == sorted(heights)  # a stroke up
    assert (heights[0], heights[-1]) == (1, 8)


def test_where_the_terminal_has_no_unicode_the_line_is_plain(judgement):
    from asleft.cli.judge import _pictures
    from asleft.cli.judged_file import JudgedFile

    made = _recorded()
    read: Any = None  # what the pictures need not
    file = JudgedFile(made.sheet, made.toml, made.samples, made.judgement, (), "Europe/Madrid", read)
    (line,) = _pictures(file, blocks=False).values()
    assert line.isascii()
    assert line.startswith("Ramp up: left at 1.60 s, now 2.10 +-")
    assert _pictures(replace(file, judgement=replace(judgement, findings=())), blocks=True) == {}


def _recorded():
    """As the page tests have it."""
    name = "fixture_recording"
    if name not in sys.modules:
        place = Path(__file__).parents[1] / "web" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, place)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name].recorded("press-2.clamp", "ramp-up", 0.5, 400.0, 200.0)


@pytest.mark.usefixtures("judged")
@pytest.mark.parametrize("more", ["", "judged_at,sha256,"])
def test_a_table_of_judgements_is_no_log(files, tmp_path, capsys, more):
    """As an inbox keeps one among its logs, and as --csv writes one."""
    sheet, log = files
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "night.csv").write_bytes(Path(log).read_bytes())
    (folder / "judgements.csv").write_text(
        f"{more}file,valve,status,out,found,sentence\nnight.csv,press-4.platen,good,0,0,As left.\n"
    )
    assert main(["judge", str(folder), "--sheet", str(sheet)]) == 1
    said = capsys.readouterr()
    assert "judgements.csv: a table of judgements and no log; left out" in said.err
    assert main(["judge", str(folder / "judgements.csv"), "--sheet", str(sheet)]) == 2
    assert "judgements.csv: a table of judgements and no log" in capsys.readouterr().err
