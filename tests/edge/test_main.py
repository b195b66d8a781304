from __future__ import annotations

from pathlib import Path

import pytest
from asleft.edge import main as command
from asleft.edge.once import REASONS, read_all_once
from asleft.edge.spool import Spool
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import Burst, Reason

SETTINGS = """
agent = "hall-2"
[[instrument]]
family = "csv-replay"
file = "log.csv"
valve = "press-1.one"
channel = [{ name = "command", unit = "mA" }, { name = "current", unit = "A" }]
"""


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text("time,command,current\n0,12,0.5\n100,12,broken\n")
    file = tmp_path / "box.toml"
    file.write_text(SETTINGS)
    return file


def test_check_says_what_it_found(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main([str(settings), "--check"]) == 0
    assert "good. Agent hall-2, 1 instruments, 1 valves, 100 Hz." in capsys.readouterr().out


def test_check_tries_the_files_of_a_secure_connection(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings.write_text(SETTINGS + '[broker]\nca_file = "no-such.crt"\n')
    assert command.main([str(settings), "--check"]) == 2
    said = capsys.readouterr().err
    assert "broker: the files for TLS" in said
    assert "no-such.crt" in said


def test_check_names_every_fault(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings.write_text(SETTINGS.replace("hall-2", "Hall 2").replace("valve =", "vlave ="))
    assert command.main([str(settings), "--check"]) == 2
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 3
    assert 'agent = "Hall 2": must be of a-z' in told
    assert 'instrument[1].vlave = "press-1.one": unknown key; did you mean "valve"?' in told


def test_a_new_agent_with_a_dot_is_refused_and_one_in_use_goes_on(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.write_text(SETTINGS.replace("hall-2", "hall.2"))
    assert command.main([str(settings), "--check"]) == 2
    assert "agent: 'hall.2': the agent's id has a '.', which some brokers use" in capsys.readouterr().err
    Spool(settings.parent / "spool.db", "hall.2", 1 << 20).close()
    assert command.main([str(settings), "--check"]) == 0


def test_a_missing_file_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main([str(tmp_path / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err


def test_once_shows_engineering_units(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main([str(settings), "--once"]) == 0
    out = capsys.readouterr().out
    assert "command       12.0000 mA" in out
    assert "current        0.5000 A" in out


def test_once_with_an_unusable_log(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (settings.parent / "log.csv").write_text("time,command\n0,1\n")
    assert command.main([str(settings), "--once"]) == 1
    assert "no column 'current'" in capsys.readouterr().err


def test_a_spool_that_cannot_be_opened_is_said(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (settings.parent / "spool.db").mkdir()
    assert command.main([str(settings)]) == 1
    assert "spool.db" in capsys.readouterr().err


def test_help_is_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        command.main(["--help"])
    assert ended.value.code == 0
    out = capsys.readouterr().out
    for words in ("--once", "--check", "no safety device", "lock out", "exit status"):
        assert words in " ".join(out.split())


class Instrument:
    name = "coupler"
    valves = (ValveForm("press-1.one", (ChannelForm("current", "A", True, 0.001), ChannelForm("mode", "1")), True),)
    closed = False

    def __init__(self, bursts: list[Burst]) -> None:
        self._bursts = bursts

    def open(self) -> None:
        self.closed = False

    def read_once(self, index: int) -> Reading:
        return Reading([250, 2.0], {0: Reason.NO_ANSWER})

    def read_bursts(self, index: int) -> list[Burst]:
        return self._bursts

    def close(self) -> None:
        self.closed = True


def test_a_failed_reading_is_named_in_words() -> None:
    import numpy as np

    instrument = Instrument([Burst("current", "A", 0, 5000.0, np.zeros(2500), 7)])
    lines, failed = read_all_once([instrument])
    assert failed == 1
    assert instrument.closed
    assert any("current" in line and "no usable answer in time" in line for line in lines)
    assert any("mode" in line and line.rstrip().endswith("2.0000") for line in lines)
    assert any("burst 7 of current: 2500 readings at 5000 Hz" in line for line in lines)
    assert any("no burst is waiting" in line for line in read_all_once([Instrument([])])[0])


def test_every_reason_has_words() -> None:
    assert set(REASONS) == set(Reason)
