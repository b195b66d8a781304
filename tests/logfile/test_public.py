"""A recording that others made of another kind of valve: nothing is taken for granted, nothing claimed."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.judge.judge import judge_log
from asleft.judge.types import Verdict
from asleft.logfile.door import OpenQuestionsError, look, read
from asleft.logfile.given import Given
from asleft.sheet.reader import read_sheet
from recording import SHEET

PATH = Path(__file__).parent / "public" / "ventilator_pressure_control.dat"
READ_SHEET = read_sheet(SHEET)


def test_layout_and_clock_are_plain() -> None:
    seen = look(PATH, Given())
    assert seen.table.header == ("time(sec)", "pc_setpoint", "pressure", "volume")
    assert seen.table.rows == 1107
    assert seen.log_map.time_format == "seconds"
    assert seen.log_map.header_lines == 3


def test_a_pressure_setpoint_and_a_pressure_without_units_are_asked_about() -> None:
    with pytest.raises(OpenQuestionsError) as caught:
        read(PATH, Given(signal=READ_SHEET.signal))
    assert {"pressure", "command"} <= {question.about for question in caught.value.questions}
    assert "the same numbers as pressure" in str(caught.value)


def test_whoever_insists_gets_no_word_of_ramps_and_currents() -> None:
    """Pneumatic, in a closed loop, without a current: the settings of a driver cannot be seen in it."""
    given = Given(
        signal=READ_SHEET.signal,
        columns={"command": "pc_setpoint", "current": "none"},
        units={"command": "mA", "pressure": "bar"},
    )
    judgement = judge_log(READ_SHEET, read(PATH, given).samples)
    by_id = {quantity.id: quantity for quantity in judgement.quantities}
    for name in ("current_at_zero", "current_at_full", "ramp_up", "ramp_down"):
        assert by_id[name].verdict is Verdict.NOT_OBSERVED
        assert by_id[name].as_found is None
        assert by_id[name].reason
    assert not [finding for finding in judgement.findings if finding.kind.startswith(("ramp", "current"))]
