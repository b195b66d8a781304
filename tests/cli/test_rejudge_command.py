"""`asleft rejudge` over a small store, through the command line."""

from __future__ import annotations

import io
import json
import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from asleft.alarms.states import AlarmState, AlarmView
from asleft.cli import rejudge_table
from asleft.cli.errors import UserError
from asleft.cli.ink import Ink
from asleft.cli.main import main
from asleft.cli.progress import Progress
from asleft.cli.rejudge_settings import time_of, tolerance_of
from asleft.recorder import replay
from asleft.sim.model import default_valve
from asleft.sim.recording import simulate
from asleft.store.actor import Actor
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.store.work_log import open_work

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from blocks import blocks_of

START = datetime(2025, 11, 25, 12, 0, tzinfo=UTC)
START_S = START.timestamp()
MINUTES = 14
VALVE = "press-9.platen"
SHEET = """
[valve]
id = "press-9.platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.14
ramp_down = 2.0
pressure_at_zero = 12.0
pressure_at_full = 210.0
[revision]
number = 1
at = 2025-11-20T08:00:00Z
by = "kl"
why = "first"
"""


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    """A quarter of an hour of production whose ramp up takes 1.2 s, left at 1.14 s; a sheet on record."""
    folder = tmp_path_factory.mktemp("rejudge")
    (recording,) = simulate([default_valve()], [START_S], 60.0 * MINUTES, burst_every_s=120.0)
    blocks = list(blocks_of(recording, block_s=10))
    samples = open_samples(folder)
    samples.commit(blocks, (), blocks[-1].wall_ns)
    samples.close()
    records = open_records(folder / "records.db")
    records.put_sheet(
        SheetRecord(VALVE, 1, round(datetime(2025, 11, 20, 8, tzinfo=UTC).timestamp() * 1e9), "kl", "first", SHEET, 0)
    )
    records.close()
    return folder


def judged(data: Path, capsys, *options: str) -> tuple[int, str, str]:
    code = main(["rejudge", "--data", str(data), *options])
    said = capsys.readouterr()
    return code, said.out, said.err


def files(data: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(data.iterdir()) if path.suffix == ".db"}


def test_a_tighter_tolerance_would_have_alarmed(data, capsys) -> None:
    before = files(data)
    code, out, err = judged(data, capsys, "--tolerance", "ramp_up=0.02", "--json", str(data / "out.json"))
    assert code == 1
    assert f"{VALVE}: 0 alarms as now, 1 alarm with the other setting; 1 of 1 differ." in out
    (line,) = [line for line in out.splitlines() if "ramp-up-changed" in line]
    assert line.startswith("  *")
    assert line.split()[1:3] == ["ramp-up-changed", "driver-setting"]
    assert line.endswith("only with the other")
    assert err == f"{VALVE}: done in {err.rsplit('in ', 1)[1]}"
    found = json.loads((data / "out.json").read_text())
    (valve,) = found["valves"]
    assert valve["changed"] == ["tolerance of ramp_up: -0.02, +0.02"]
    (alarm,) = valve["alarms"]
    assert alarm["now"] is None
    assert alarm["other"]["cleared"] is None
    raised = datetime.fromisoformat(alarm["other"]["raised"])
    assert 0 < (raised - START).total_seconds() <= 60.0 * MINUTES
    assert "ramp" in alarm["other"]["evidence"].lower()
    assert files(data) == before


def test_declared_work_is_judged_under_neither(data, capsys, tmp_path) -> None:
    folder = tmp_path / "worked-on"
    shutil.copytree(data, folder)
    log = open_work(folder / "records.db")
    from_ns = round((START_S + 1.0) * 1e9)
    log.declare(VALVE, from_ns + 3600 * 10**9, "coil changed", 0, from_ns, Actor("kl", ""))
    log.close()
    code, out, _ = judged(folder, capsys, "--tolerance", "ramp_up=0.02")
    assert (code, out) == (0, f"{VALVE}: no alarm, under either setting.\n")


def test_another_sheet_file_and_nothing_but_json(data, capsys, tmp_path) -> None:
    sheet = tmp_path / "tight.toml"
    sheet.write_text(SHEET.replace("[revision]", "[tolerance]\nramp_up = 0.02\n[revision]"))
    code, out, _ = judged(data, capsys, "--sheet", str(sheet), "--json", "-")
    assert code == 1
    (valve,) = json.loads(out)["valves"]
    assert [alarm["kind"] for alarm in valve["alarms"]] == ["ramp-up-changed"]


def test_a_change_without_consequence_is_no_difference(data, capsys) -> None:
    code, out, _ = judged(data, capsys, "--budget-years", "20", "--valve", VALVE)
    assert code == 0
    assert out == f"{VALVE}: no alarm, under either setting.\n"


def test_only_alarms_of_the_span_are_listed(data, capsys) -> None:
    code, out, _ = judged(data, capsys, "--tolerance", "ramp_up=0.02", "--to", "2025-11-25T12:00:03")
    assert (code, out) == (0, f"{VALVE}: no alarm, under either setting.\n")
    pairs = rejudge_table.paired([alarm("supply-low", 1.0, 2.0), alarm("coil-changed", 5.0)], [])
    for from_h, to_h, kinds in (
        (0.0, 0.9, []),
        (1.5, 4.0, ["supply-low"]),
        (3.0, 4.9, []),
        (6.0, 7.0, ["coil-changed"]),
    ):
        left = rejudge_table.within(pairs, *(round((START_S + 3600.0 * hour) * 1e9) for hour in (from_h, to_h)))
        assert [pair.either.kind for pair in left] == kinds


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "nothing to change"),
        (("--tolerance", "speed=1"), "there is no setting 'speed'"),
        (("--tolerance", "ramp_up=fast"), "wanted ramp_up=NUMBER"),
        (("--tolerance", "ramp_up=-1"), "must be above 0"),
        (("--tolerance", "coil_resistance=1"), "does not give coil_resistance"),
        (("--budget-years", "0"), "--budget-years 0"),
        (("--budget-years", "2", "--from", "yesterday"), "--from yesterday"),
        (("--budget-years", "2", "--from", "2030-01-01"), "nothing is stored between"),
        (("--budget-years", "2", "--valve", "press-1.x"), "no readings of it are stored; there are press-9.platen"),
        (("--budget-years", "2", "--zone", "Nowhere/At_all"), "--zone Nowhere/At_all"),
        (("--sheet", "no-such-file.toml"), "no-such-file.toml: cannot be read"),
    ],
)
def test_what_cannot_be_used_is_said(data, capsys, options, words) -> None:
    code, out, err = judged(data, capsys, *options)
    assert (code, out) == (2, "")
    assert words in err


def test_a_folder_without_readings(tmp_path, capsys) -> None:
    code, _, err = judged(tmp_path, capsys, "--budget-years", "2")
    assert code == 2
    assert "no readings are stored there" in err
    assert list(tmp_path.iterdir()) == []


def test_a_signal_of_another_unit(data, capsys, tmp_path) -> None:
    sheet = tmp_path / "volts.toml"
    sheet.write_text(SHEET.replace("4-20mA", "0-10V"))
    code, _, err = judged(data, capsys, "--sheet", str(sheet))
    assert code == 2
    assert "the command was recorded in 'mA'" in err


def test_interrupted_it_ends_cleanly(data, capsys, monkeypatch) -> None:
    def interrupted(*_args: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(replay, "advance", interrupted)
    before = files(data)
    assert judged(data, capsys, "--budget-years", "2")[0] == 130
    assert files(data) == before


# --------------------------------------------------------------------------------------------- the table


def alarm(kind: str, raised_h: float, cleared_h: float | None = None, part: str = "driver-setting") -> AlarmView:
    raised_ns = round((START_S + 3600.0 * raised_h) * 1e9)
    return AlarmView(
        alarm=f"v/{kind}/{raised_ns}",
        valve="v",
        kind=kind,
        severity=2,
        part=part,
        evidence="",
        onset_ns=raised_ns,
        state=AlarmState.UNACKNOWLEDGED,
        active=cleared_h is None,
        acknowledged=False,
        raised_ns=raised_ns,
        returned_ns=None if cleared_h is None else round((START_S + 3600.0 * cleared_h) * 1e9),
        acknowledged_ns=None,
        acknowledged_by="",
        shelved_until_ns=None,
        aside=frozenset(),
        last_seq=1,
        last_ns=raised_ns,
    )


@pytest.mark.parametrize(
    ("now", "other", "difference"),
    [
        (alarm("supply-low", 1.0, 2.0), alarm("supply-low", 1.05, 2.0), ""),
        (alarm("supply-low", 1.0, 2.0), alarm("supply-low", 3.0, 4.0), "raised 2.0 h later, cleared 2.0 h later"),
        (alarm("supply-low", 1.0), alarm("supply-low", 0.5), "raised 30 min earlier"),
        (alarm("supply-low", 1.0, 2.0), alarm("supply-low", 1.0), "does not clear"),
        (alarm("supply-low", 1.0), alarm("supply-low", 1.0, 2.0), "clears"),
        (alarm("supply-low", 1.0), alarm("supply-low", 73.0), "raised 3.0 days later"),
        (alarm("supply-low", 1.0), alarm("supply-low", 1.0, part="supply"), "part supply"),
    ],
)
def test_one_event_under_two_settings(now, other, difference) -> None:
    (pair,) = rejudge_table.paired([now], [other])
    assert pair.difference == difference


def test_events_far_apart_and_other_kinds_are_not_the_same() -> None:
    now = [alarm("supply-low", 1.0, 2.0), alarm("coil-changed", 5.0)]
    other = [alarm("supply-low", 30.0, 31.0), alarm("coil-changed", 5.0), alarm("ramp-up-changed", 0.5)]
    pairs = rejudge_table.paired(now, other)
    assert [(pair.either.kind, pair.difference) for pair in pairs] == [
        ("ramp-up-changed", "only with the other"),
        ("supply-low", "only as now"),
        ("coil-changed", ""),
        ("supply-low", "only with the other"),
    ]


def test_the_table_is_in_the_zone_and_fits_plain_terminals() -> None:
    pairs = rejudge_table.paired([alarm("supply-low", 1.0, 2.0)], [])
    text = rejudge_table.table("v", pairs, Ink(unicode=False), UTC)
    assert "25 Nov 13:00 - 14:00" in text
    assert text.isascii()


def test_tolerances_and_times_as_given() -> None:
    assert tolerance_of("ramp_up=0.2")[1].below == 0.2
    assert tolerance_of("hysteresis=1")[1].below == float("inf")
    assert (tolerance_of("ramp_up=-0.1,0.3")[1].below, tolerance_of("ramp_up=-0.1,0.3")[1].above) == (0.1, 0.3)
    with pytest.raises(UserError, match="with -A below"):
        tolerance_of("ramp_up=0.1,0.3")
    assert time_of("--from", "2025-11-25T12:00", UTC) == time_of("--from", "2025-11-25T13:00+01:00", UTC)


# ------------------------------------------------------------------------------------------ the progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_on_a_terminal_and_in_a_file() -> None:
    now = [0.0]
    for stream in (Terminal(), io.StringIO()):
        now[0] = 0.0
        with Progress("v", 10.0, stream, now_s=lambda: now[0]) as progress:
            for k in range(1, 11):
                now[0] += 20.0
                progress.at(k)
        text = stream.getvalue()
        assert text.endswith("\n")
        assert "v: done in 3 min" in text
        assert ("\r" in text and " 50%, 100 s left" in text.replace("2 min", "100 s")) == stream.isatty()


def test_progress_of_what_cannot_say_how_far_it_is() -> None:
    stream = Terminal()
    with Progress("reading", 0.0, stream, now_s=lambda: 0.0):
        assert stream.getvalue() == "\rreading ..."
    assert stream.getvalue().endswith("\rreading: done in 0 s\n")


def test_progress_of_what_was_interrupted_ends_its_line() -> None:
    stream = Terminal()

    def interrupted() -> None:
        with Progress("v", 4.0, stream) as progress:
            progress.at(1.0)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert stream.getvalue().rstrip(" \n").endswith("v: ended at 25%")
