from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from asleft.sheet.diff import Change, compare, lines
from asleft.sheet.model import Revision
from asleft.sheet.reader import read_sheet
from asleft.sheet.revisions import faults_of_first, faults_of_next

TEXT = """\
[valve]
id = "press-4.platen"
[signal]
kind = "4-20mA"
[as_left]
ramp_up = 1.2
pressure_at_full = 210.0
[coil]
hot_temperature = 90
[revision]
number = 3
at = 2026-03-02T08:10:00Z
"""


def test_a_sheet_does_not_differ_from_itself():
    assert compare(read_sheet(TEXT), read_sheet(TEXT)) == ()


def test_a_changed_setting_brings_its_tolerance_along():
    new = read_sheet(TEXT.replace("ramp_up = 1.2", "ramp_up = 1.6"))
    changes = compare(read_sheet(TEXT), new)
    assert changes[0] == Change("as_left.ramp_up", 1.2, 1.6)
    assert lines(changes) == ["ramp up: 1.20 s → 1.60 s (+0.400 s)", "tolerance of ramp up: ±0.12 → ±0.16 s"]


def test_a_setting_that_came_is_one_change():
    new = read_sheet(TEXT.replace("ramp_up = 1.2", "ramp_up = 1.2\nramp_down = 2.0"))
    assert lines(compare(read_sheet(TEXT), new)) == ["ramp down: not given → 2.00 s"]
    assert lines(compare(new, read_sheet(TEXT))) == ["ramp down: 2.00 s → not given"]


def test_how_a_number_was_typed_makes_no_difference():
    new = read_sheet(TEXT.replace("210.0", "21000.0") + '[units]\npressure = "kPa"\n')
    assert compare(read_sheet(TEXT), new) == ()
    psi = 210.0 / 0.06894757293168361
    new = read_sheet(TEXT.replace("210.0", repr(psi * (1 + 1e-15))) + '[units]\npressure = "psi"\n')
    assert new.as_left != read_sheet(TEXT).as_left
    assert compare(read_sheet(TEXT), new) == ()


def test_other_entries_are_named_as_the_file_names_them():
    text = TEXT.replace("hot_temperature = 90", "hot_temperature = 95\ncable_resistance = 0.3")
    text = text.replace("number = 3", 'number = 4\nwhy = "new coil"').replace("4-20mA", "0-10V")
    text += "[mode]\nproducing = [5]\n[characteristic]\ncurrent = [0.1, 0.9]\nrising = [1, 2]\nfalling = [1, 2]\n"
    text += '[instrument.current]\nwhere = "controller\'s value"\n'
    found = lines(compare(read_sheet(TEXT), read_sheet(text)))
    assert "coil.hot_temperature: 90 °C → 95 °C" in found
    assert "coil.cable_resistance: none → 0.3 Ω" in found
    assert "revision.number: 3 → 4" in found
    assert "revision.why: none → new coil" in found
    assert "signal.kind: 4-20mA → 0-10V" in found
    assert "signal.at_full: 20 → 10" in found
    assert "mode.producing: [1] → [5]" in found
    assert "characteristic.current: none → [0.1, 0.9] A" in found
    assert "instrument.current.where: none → controller's value" in found


def following(**changes: object):
    sheet = read_sheet(TEXT)
    return replace(sheet, revision=replace(sheet.revision, **changes))


BEFORE = Revision(3, datetime(2026, 3, 2, 8, 10, tzinfo=UTC))
LATER = datetime(2026, 4, 1, tzinfo=UTC)


def test_a_higher_number_at_the_same_time_or_later_is_a_next_revision():
    assert faults_of_next("press-4.platen", BEFORE, following(number=4)) == []
    assert faults_of_next("press-4.platen", BEFORE, following(number=9, at=LATER)) == []


@pytest.mark.parametrize(
    ("valve", "changes", "key"),
    [
        ("press-5.platen", {"number": 4}, "valve.id"),
        ("press-4.platen", {"number": 3}, "revision.number"),
        ("press-4.platen", {"number": 2, "at": LATER}, "revision.number"),
        ("press-4.platen", {"number": 4, "at": datetime(2026, 3, 2, 8, 9, 59, tzinfo=UTC)}, "revision.at"),
        ("press-4.platen", {"number": 4, "at": None}, "revision.at"),
        ("press-4.platen", {"number": 4, "at": datetime(2026, 4, 1)}, "revision.at"),  # noqa: DTZ001
    ],
)
def test_what_is_no_next_revision(valve, changes, key):
    faults = faults_of_next(valve, BEFORE, following(**changes), source="new.toml")
    assert [fault.key for fault in faults] == [key]
    assert str(faults[0]).startswith("new.toml: ")


def test_a_first_revision_needs_its_time():
    assert faults_of_first(read_sheet(TEXT)) == []
    assert "missing" in str(faults_of_first(following(at=None))[0])
