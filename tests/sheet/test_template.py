from __future__ import annotations

import re

import pytest
from asleft.sheet.as_left import LIMITS
from asleft.sheet.faults import SheetError
from asleft.sheet.reader import read_sheet
from asleft.sheet.template import new_sheet_text


def test_a_new_sheet_with_one_value_is_without_fault():
    sheet = read_sheet(
        new_sheet_text(valve="press-1.lift", values={"ramp_up": 1.5}, by="kl", at="2026-03-02T08:10:00Z")
    )
    assert sheet.as_left == {"ramp_up": 1.5}
    assert sheet.revision.by == "kl"
    assert sheet.revision.at is not None


def test_a_new_sheet_lacks_only_its_settings():
    with pytest.raises(SheetError) as caught:
        read_sheet(new_sheet_text(valve="press-1.lift"))
    assert [fault.key for fault in caught.value.faults] == ["as_left"]


@pytest.mark.parametrize("signal", ["4-20mA", "0-10V", "0-5V", "mA", "V"])
def test_every_comment_can_be_uncommented(signal):
    text = new_sheet_text(valve="press-1.lift", press='The "old" press', signal=signal)
    filled = re.sub(r"^# (?=[a-z_]+ = |\[)", "", text, flags=re.MULTILINE)
    filled = re.sub(r"^current = \"mA\".*\n|^pressure = \"psi\".*\n", "", filled, flags=re.MULTILINE)
    sheet = read_sheet(filled)
    assert set(sheet.as_left) == set(LIMITS)
    assert sheet.press == 'The "old" press'
    assert sheet.characteristic is not None
    assert sheet.instruments["current"].range_high == 2.0
    assert sheet.conditions.in_control_modes == (3,)


def test_every_line_says_its_unit_and_meaning():
    text = new_sheet_text(valve="press-1.lift")
    for quantity in LIMITS:
        assert re.search(rf"^# {quantity} = .*# \S+: \w", text, re.MULTILINE)
