"""A sheet by fields: what every field holds, what was typed over it, and that nothing else changes."""

from __future__ import annotations

import math
import tomllib
from datetime import UTC, datetime

import pytest
from asleft.sheet.compose import composed, field_of, fields_of, with_revision
from asleft.sheet.entries import ENTRIES, GROUPS, INSTRUMENTS, TOLERANCE, Entry, Form
from asleft.sheet.faults import SheetError
from asleft.sheet.model import QUANTITY_UNITS, Tolerance
from asleft.sheet.reader import read_sheet
from asleft.sheet.typed import NotUnderstood, number_of, text_of, value_of

FULL = """
[valve]
id = "press-4.platen"
press = "Press 4"
name = "platen pressure"
controls = "pressure"
[signal]
kind = "4-20mA"
at_zero = 4.0
at_full = 12.0
off_below = 1.0
made_by = "fixed steps"
[units]
pressure = "psi"
temperature = "degF"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
pressure_at_zero = 174
pressure_at_full = 3000
supply_voltage = 24.0
[tolerance]
ramp_up = 0.12
pressure_at_full = [-50.0, inf]
headroom = 12.0
[coil]
hot_temperature = 194.0
supply_minimum = 21.6
cable_resistance = 0.3
driver_drop = 1.0
duty_max = 0.95
driver_limit = 1.6
[characteristic]
current = [0.18, 0.4, 0.92]
rising = [174.0, 900.0, 3000.0]
falling = [174.0, 1000.0, 3000.0]
[conditions]
oil_temperature = [95.0, 131.0]
in_control_command = [20.0, 100.0]
[mode]
producing = [1, 4]
set_up = [2]
[instrument.current]
where = "sensor in the coil lead"
expanded_uncertainty = 0.004
low_pass_hz = 30.0
range = [0.0, 2.0]
[instrument.supply]
[log]
separator = ";"
[log.columns.command]
header = "Cmd [mA]"
[revision]
number = 3
at = 2026-03-02T08:10:00Z
by = "kl"
why = "pump replaced"
"""
AT = datetime(2026, 6, 2, 8, tzinfo=UTC)


def revised(typed: dict[str, str], toml: str = FULL) -> str:
    tables, faults = composed(toml, typed)
    assert faults == {}
    return with_revision(tables, 4, AT, "rs", "retuned")


def log_free(toml: str) -> str:
    """Without a log table, whose own keys are no business of these tests."""
    start, end = toml.index("[log]"), toml.index("[revision]")
    return toml[:start] + toml[end:]


PLAIN = log_free(FULL)


def test_every_entry_has_a_name_of_its_own_and_a_key_that_the_reader_knows() -> None:
    names = [entry.name for entry in ENTRIES]
    assert len(set(names)) == len(names)
    assert {name for name in QUANTITY_UNITS if name != "headroom"} <= set(names)
    assert sum(len(group.entries) for group in GROUPS) == len(ENTRIES)
    for entry in ENTRIES:
        bad = '[valve]\nid = "a"\n[signal]\nkind = "0-5V"\n[as_left]\nramp_up = 1.0\n'
        bad += f"[{entry.table}]\n{entry.key} = {{}}\n"
        if entry.table in ("valve", "signal", "as_left"):
            bad = bad.replace(f"[{entry.table}]\n{entry.key} = {{}}\n", "")
            bad = bad.replace(f"[{entry.table}]\n", f"[{entry.table}]\n{entry.key} = {{}}\n", 1)
            bad = (
                bad.replace(f'{entry.key} = "0-5V"\n', "").replace("ramp_up = 1.0\n", "") if entry.key in bad else bad
            )
        with pytest.raises(SheetError) as error:
            read_sheet(bad)
        assert not any("unknown key" in fault.limit for fault in error.value.faults), entry.path


def test_fields_typed_as_they_came_change_nothing() -> None:
    before = read_sheet(PLAIN)
    after = read_sheet(revised(fields_of(PLAIN), PLAIN))
    assert after.revision.number == 4
    for name in ("as_left", "tolerance", "coil", "characteristic", "conditions", "instruments", "signal"):
        assert getattr(after, name) == getattr(before, name), name
    assert after.entered_as_left == before.entered_as_left
    assert (after.press, after.name, after.entered_units) == (before.press, before.name, before.entered_units)


def test_a_table_that_no_field_shows_is_kept_word_for_word() -> None:
    assert tomllib.loads(revised({"ramp_up": "1.5"}))["log"] == tomllib.loads(FULL)["log"]


def test_what_every_field_holds() -> None:
    fields = fields_of(PLAIN)
    assert fields["pressure_at_full"] == "3000"
    assert fields["tolerance__pressure_at_full"] == "-50 / inf"
    assert fields["tolerance__current_at_full"] == ""
    assert (fields["conditions__oil_temperature__low"], fields["conditions__oil_temperature__high"]) == ("95", "131")
    assert fields["conditions__ambient_temperature__low"] == ""
    assert fields["mode__producing"] == "1 4"
    assert fields["characteristic__rising"] == "174 900 3000"
    assert fields["instrument__current__where"] == "sensor in the coil lead"
    assert fields["signal__made_by"] == "fixed steps"


def test_each_section_is_changed_by_its_fields() -> None:
    sheet = read_sheet(
        revised(
            {
                "ramp_up": "1,5",
                "ramp_down": "2.5",
                "tolerance__ramp_up": "-0.1 / 0.2",
                "tolerance__pressure_at_full": "40",
                "tolerance__headroom": "",
                "coil__hot_temperature": "212",
                "coil__driver_drop": "",
                "conditions__oil_temperature__low": "",
                "conditions__oil_temperature__high": "",
                "conditions__ambient_temperature__low": "50",
                "conditions__ambient_temperature__high": "86",
                "mode__in_control": "4",
                "characteristic__falling": "174; 1100; 3000",
                "instrument__pressure__where": "controller's value",
                "instrument__pressure__expanded_uncertainty": "14.5",
                "instrument__pressure__range__low": "0",
                "instrument__pressure__range__high": "5800",
                "instrument__current__low_pass_hz": "",
                "valve__press": "Press 5",
                "signal__off_below": "",
            },
            PLAIN,
        )
    )
    assert (sheet.as_left["ramp_up"], sheet.as_left["ramp_down"]) == (1.5, 2.5)
    assert sheet.tolerance["ramp_up"] == Tolerance(0.1, 0.2)
    assert sheet.tolerance["pressure_at_full"].below == pytest.approx(40 * 0.0689476, abs=1e-4)
    assert sheet.tolerance["headroom"].below == 10.0
    assert sheet.coil.hot_temperature_degc == pytest.approx(100.0)
    assert sheet.coil.driver_drop_v is None
    assert sheet.conditions.oil_temperature_degc is None
    assert sheet.conditions.ambient_temperature_degc == pytest.approx((10.0, 30.0))
    assert sheet.conditions.in_control_modes == (4,)
    assert sheet.characteristic is not None
    assert sheet.characteristic.falling_bar[1] == pytest.approx(1100 * 0.0689476, abs=1e-3)
    assert sheet.instruments["pressure"].expanded_uncertainty == pytest.approx(14.5 * 0.0689476, abs=1e-4)
    assert sheet.instruments["pressure"].range_high == pytest.approx(400.0, abs=0.2)
    assert sheet.instruments["current"].low_pass_hz is None
    assert "supply" in sheet.instruments  # an entry without keys stays
    assert (sheet.press, sheet.signal.off_below_pct) == ("Press 5", 0.0)


def test_what_nobody_touched_keeps_every_digit_it_was_filed_with() -> None:
    exact = PLAIN.replace("ramp_up = 1.2", "ramp_up = 1.234567890123")
    assert read_sheet(revised(fields_of(exact), exact)).as_left["ramp_up"] == 1.234567890123
    assert "pressure_at_zero = 174\n" in revised(fields_of(PLAIN), PLAIN)  # as typed: no point


def test_a_setting_takes_its_tolerance_with_it() -> None:
    sheet = read_sheet(revised({"ramp_up": "", "tolerance__ramp_up": "0.12"}, PLAIN))
    assert "ramp_up" not in sheet.as_left
    assert "ramp_up" not in sheet.tolerance


def test_a_last_key_takes_its_table_with_it() -> None:
    text = revised({"mode__producing": "", "mode__set_up": ""}, PLAIN)
    assert "[mode]" not in text
    assert "[instrument.supply]" in text


def test_what_is_not_understood_stands_at_its_field() -> None:
    _, faults = composed(
        PLAIN,
        {
            "ramp_up": "soon",
            "coil__duty_max": "1,234",
            "tolerance__ramp_up": "1 / 2 / 3",
            "mode__producing": "one",
            "conditions__oil_temperature__low": "20",
            "conditions__oil_temperature__high": "",
            "conditions__ambient_temperature__low": "warm",
            "conditions__ambient_temperature__high": "30",
        },
    )
    assert faults == {
        "ramp_up": "'soon' is not a number",
        "coil__duty_max": "'1,234' may be read in two ways: write a point for the decimals, or no comma",
        "tolerance__ramp_up": "'1 / 2 / 3' is neither one number nor two, as -0.1 / 0.2",
        "mode__producing": "'one' is not a whole number",
        "conditions__oil_temperature__high": "missing: both ends, or neither",
        "conditions__ambient_temperature__low": "'warm' is not a number",
    }


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"ramp_up": "700"}, "ramp_up", "from 0 to 600 s"),
        ({"coil__duty_max": "1.5"}, "coil__duty_max", "above 0 and at most 1"),
        ({"conditions__oil_temperature__low": "140"}, "conditions__oil_temperature__low", "the lower first"),
        ({"conditions__oil_temperature__high": "600"}, "conditions__oil_temperature__low", "to 302 degF"),
        ({"instrument__current__expanded_uncertainty": "0"}, "instrument__current__expanded_uncertainty", "above 0"),
        ({"tolerance__ramp_up": "-1"}, "tolerance__ramp_up", "one number above 0"),
        ({"tolerance__ramp_down": "1"}, "tolerance__ramp_down", "has nothing to apply to"),
        ({"signal__kind": "5-25mA"}, "signal__kind", "must be one of"),
    ],
)
def test_what_the_reader_refuses_is_led_to_its_field(typed, field, words) -> None:
    with pytest.raises(SheetError) as error:
        read_sheet(revised({**fields_of(PLAIN), **typed}, PLAIN))
    (fault,) = error.value.faults
    assert words in fault.limit
    assert field_of(fault) == field


def test_limits_are_told_in_the_sheets_own_units() -> None:
    by_name = {entry.name: entry for entry in ENTRIES}
    units = {"pressure": "psi", "temperature": "degF"}
    assert by_name["pressure_at_full"].limits.words(units) == "above 0, to 14503.8 psi"
    assert by_name["ramp_up"].limits.words(units) == "0 to 600 s"
    assert by_name["coil__hot_temperature"].limits.words({}) == "20 to 250 °C"
    assert by_name["coil__hot_temperature"].limits.words(units) == "68 to 482 °F"
    oil = next(group for group in INSTRUMENTS if group.key == "instrument__oil_temperature").entries[1]
    assert oil.limits.words(units) == "above 0, to 18000 °F"
    assert by_name["instrument__current__low_pass_hz"].limits.words({}) == "above 0, to 1000000 Hz"


def test_numbers_and_lists_as_people_write_them() -> None:
    tolerance = TOLERANCE.entries[0]
    assert value_of(tolerance, "0,5") == 0.5
    assert value_of(tolerance, "[-0.1, 0.2]") == [-0.1, 0.2]
    assert value_of(tolerance, "-inf / 0.2") == [-math.inf, 0.2]
    numbers = Entry("characteristic", "current", "", Form.NUMBERS)
    assert value_of(numbers, "[0.1, 0.2,  0.3]") == [0.1, 0.2, 0.3]
    assert value_of(numbers, "0,1 0,25") == [0.1, 0.25]
    assert text_of(numbers, True) == ""
    for text in ("nan", "inf", "1e999", "", "0x10"):
        with pytest.raises(NotUnderstood):
            number_of(text)


COMMENTED = """\
# platen of press 4, see drawing 12

[valve]
id = "press-4.platen"
press = 'Press 4'          # the big one

[signal]
kind = "4-20mA"

# measured with the clamp of the workshop
[as_left]
current_at_zero = 0.180    # after the new driver
ramp_up = 1.20
ramp_down = 0.8

[tolerance]
ramp_up = 0.12             # agreed with production

# only the workshop's words below
[revision]
number = 3
at = 2026-03-02T08:10:00Z  # before the shift
by = "kl"
why = "pump replaced"
"""


def test_what_a_person_wrote_beside_the_values_stays():
    typed = {"ramp_up": "1.5", "coil__driver_drop": "1.2", "instrument__current__low_pass_hz": "30"}
    text = revised(typed, COMMENTED)
    for line in COMMENTED.splitlines():
        if "#" in line and not line.startswith("at ="):
            assert line in text.splitlines(), line
    assert "before the shift" not in text  # it was about the revision before
    assert "current_at_zero = 0.180 " in text
    assert "press = 'Press 4'" in text
    sheet = read_sheet(text)
    assert (sheet.as_left["ramp_up"], sheet.coil.driver_drop_v, sheet.revision.number) == (1.5, 1.2, 4)
    assert sheet.instruments["current"].low_pass_hz == 30.0


def test_a_comment_outlives_the_last_key_of_its_table():
    text = revised({"ramp_up": ""}, COMMENTED)
    assert "# only the workshop's words below" in text
    sheet = read_sheet(text)
    assert "ramp_up" not in sheet.as_left
    assert "ramp_up" not in sheet.tolerance


def test_tables_that_lie_apart_in_the_file_are_found():
    apart = "[instrument.supply]\nlow_pass_hz = 9.0\n" + PLAIN.replace("[instrument.supply]\n", "")
    sheet = read_sheet(revised({"instrument__supply__low_pass_hz": "5", "ramp_up": "1.5"}, apart))
    assert sheet.instruments["supply"].low_pass_hz == 5.0
    assert sheet.instruments["current"].low_pass_hz == 30.0
    assert sheet.as_left["ramp_up"] == 1.5
