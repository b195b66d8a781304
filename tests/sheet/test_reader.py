from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from asleft.sheet.equipment import INSTRUMENT_CHANNELS
from asleft.sheet.faults import SheetError
from asleft.sheet.model import MadeBy, SignalKind, Tolerance, Where
from asleft.sheet.reader import read_sheet
from asleft.wire.block import CHANNEL_UNITS

SMALLEST = """\
[valve]
id = "press-4.platen"
[signal]
kind = "4-20mA"
[as_left]
ramp_up = 1.2
"""

FULL = """\
[valve]
id = "press-4.platen"
press = "Press 4"
name = "platen pressure"
controls = "pressure"
[signal]
kind = "4-20mA"
off_below = 2.5
made_by = "controller ramps"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
ramp_down = 2
dither_frequency = 150
dither_amplitude = 0.12
pressure_at_zero = 12.0
pressure_at_full = 210.0
hysteresis = 3.0
coil_resistance = 11.0
supply_voltage = 24.0
[tolerance]
ramp_up = 0.2
ramp_down = [-0.1, 0.3]
hysteresis = 1.5
supply_voltage = [-2.0, 3.0]
headroom = 15
[units]
pressure = "bar"
[coil]
hot_temperature = 90.0
supply_minimum = 21.6
cable_resistance = 0.3
driver_drop = 1.0
duty_max = 0.95
driver_limit = 1.6
[characteristic]
current = [0.18, 0.4, 0.6, 0.92]
rising = [12.0, 66.0, 119.0, 210.0]
falling = [12.0, 73.0, 126.0, 210.0]
[conditions]
oil_temperature = [35.0, 55.0]
in_control_command = [20.0, 100.0]
[mode]
producing = [1, 4]
set_up = [2]
in_control = [3]
[instrument.current]
where = "sensor in the coil lead"
expanded_uncertainty = 0.004
low_pass_hz = 30.0
range = [0.0, 2.0]
[log]
separator = ";"
[revision]
number = 3
at = 2026-03-02T09:10:00+01:00
by = "kl"
why = "pump replaced"
"""


def faults_of(text: str) -> dict[str, str]:
    with pytest.raises(SheetError) as caught:
        read_sheet(text, source="press-4.toml")
    return {fault.key: fault.limit for fault in caught.value.faults}


def test_id_kind_and_one_setting_are_enough():
    sheet = read_sheet(SMALLEST)
    assert sheet.valve == "press-4.platen"
    assert sheet.as_left == {"ramp_up": 1.2}
    assert (sheet.signal.unit, sheet.signal.at_zero, sheet.signal.at_full) == ("mA", 4.0, 20.0)
    assert sheet.signal.made_by is MadeBy.FIXED_STEPS
    assert sheet.controls == "pressure"
    assert sheet.revision.number == 1
    assert sheet.revision.at is None
    assert set(sheet.tolerance) == {"ramp_up", "headroom"}


def test_a_full_sheet_is_read_to_the_last_key():
    sheet = read_sheet(FULL)
    assert sheet.label == "Press 4 platen pressure"
    assert sheet.signal.off_below_pct == 2.5
    assert sheet.signal.made_by is MadeBy.CONTROLLER_RAMPS
    assert len(sheet.as_left) == 11
    assert sheet.as_left["ramp_down"] == 2.0
    assert sheet.tolerance["ramp_up"] == Tolerance(0.2, 0.2)
    assert sheet.tolerance["ramp_down"] == Tolerance(0.1, 0.3)
    assert sheet.tolerance["hysteresis"] == Tolerance(math.inf, 1.5)
    assert sheet.tolerance["supply_voltage"] == Tolerance(2.0, 3.0)
    assert sheet.tolerance["headroom"] == Tolerance(15.0, math.inf)
    assert sheet.coil.duty_max == 0.95
    assert sheet.coil.driver_limit_a == 1.6
    assert sheet.characteristic is not None
    assert sheet.characteristic.falling_bar == (12.0, 73.0, 126.0, 210.0)
    assert sheet.conditions.oil_temperature_degc == (35.0, 55.0)
    assert sheet.conditions.in_control_command_pct == (20.0, 100.0)
    instrument = sheet.instruments["current"]
    assert instrument.where is Where.OWN_SENSOR
    assert (instrument.expanded_uncertainty, instrument.range_low, instrument.range_high) == (0.004, 0.0, 2.0)
    assert sheet.revision.at == datetime(2026, 3, 2, 8, 10, tzinfo=UTC)
    assert (sheet.revision.number, sheet.revision.by, sheet.revision.why) == (3, "kl", "pump replaced")


def test_a_mode_in_control_is_also_producing():
    conditions = read_sheet(FULL).conditions
    assert conditions.producing_modes == (1, 4, 3)
    assert conditions.set_up_modes == (2,)
    assert conditions.in_control_modes == (3,)


def test_naming_one_mode_takes_it_away_from_the_other_default():
    conditions = read_sheet(SMALLEST + "[mode]\nproducing = [2]\n").conditions
    assert conditions.producing_modes == (2,)
    assert conditions.set_up_modes == ()
    assert faults_of(SMALLEST + "[mode]\nproducing = [2]\nset_up = [2, 3]\n").keys() == {"mode.set_up"}


def test_values_are_stored_in_one_unit_and_kept_as_typed():
    text = SMALLEST.replace("ramp_up = 1.2", "ramp_up = 1200\npressure_at_full = 3000\ncurrent_at_full = 920")
    text += """
[tolerance]
pressure_at_full = 100
current_at_full = [-20, 30]
[units]
pressure = "psi"
current = "mA"
time = "ms"
temperature = "degF"
[conditions]
oil_temperature = [95, 131]
ambient_temperature = [59, 86]
[characteristic]
current = [200, 920]
rising = [100, 3000]
falling = [100, 3000]
[instrument.oil_temperature]
expanded_uncertainty = 1.8
range = [32, 212]
[instrument.pressure]
expanded_uncertainty = 10
"""
    sheet = read_sheet(text)
    assert sheet.as_left["ramp_up"] == 1.2
    assert sheet.as_left["current_at_full"] == 0.92
    assert sheet.as_left["pressure_at_full"] == pytest.approx(206.8427, abs=1e-4)
    assert sheet.entered_as_left == {"ramp_up": 1200.0, "pressure_at_full": 3000.0, "current_at_full": 920.0}
    assert sheet.entered_units["pressure"] == "psi"
    assert sheet.tolerance["pressure_at_full"].above == pytest.approx(6.894757, abs=1e-6)
    assert sheet.tolerance["current_at_full"] == Tolerance(0.02, 0.03)
    assert sheet.conditions.oil_temperature_degc == pytest.approx((35.0, 55.0))
    assert sheet.conditions.ambient_temperature_degc == pytest.approx((15.0, 30.0))
    assert sheet.characteristic is not None
    assert sheet.characteristic.current_a == (0.2, 0.92)
    oil = sheet.instruments["oil_temperature"]
    assert oil.expanded_uncertainty == pytest.approx(1.0)  # a difference: no shift of 32
    assert (oil.range_low, oil.range_high) == pytest.approx((0.0, 100.0))
    assert sheet.instruments["pressure"].expanded_uncertainty == pytest.approx(0.6894757)


def test_limits_are_stated_in_the_unit_of_the_file():
    text = SMALLEST.replace("ramp_up = 1.2", "pressure_at_full = 20000") + '[units]\npressure = "psi"\n'
    assert faults_of(text)["as_left.pressure_at_full"] == "must be above 0 and at most 14503.8 psi"


def test_all_faults_are_reported_at_once_with_source_key_value_and_limit():
    text = """\
[valve]
id = "Press 4"
pres = "x"
[signal]
kind = "4-20ma"
[as_left]
current_at_zero = 0.98
current_at_full = 0.92
ramp_up = 601
ramp_dwn = 2.0
headroom = 3
supply_voltage = "24"
dither_frequency = true
[tolerance]
ramp_up = -0.1
[units]
pressure = "PSI"
[revision]
number = 0
at = 2026-03-02
"""
    with pytest.raises(SheetError) as caught:
        read_sheet(text, source="press-4.toml")
    message = str(caught.value)
    assert len(message.splitlines()) == len(caught.value.faults) == 13
    assert 'press-4.toml: valve.pres = "x": unknown key; did you mean "press"?' in message
    assert "press-4.toml: as_left.ramp_up = 601: must be from 0 to 600 s" in message
    assert 'press-4.toml: as_left.ramp_dwn = 2.0: unknown key; did you mean "ramp_down"?' in message
    assert 'did you mean "psi"?' in message
    assert 'did you mean "4-20mA"?' in message
    assert "as_left.dither_frequency = true: must be a finite number" in message
    assert "revision.at = 2026-03-02: is a date alone" in message


@pytest.mark.parametrize(
    ("line", "key", "limit"),
    [
        ("ramp_up = -0.1", "as_left.ramp_up", "from 0 to 600 s"),
        ("ramp_up = nan", "as_left.ramp_up", "finite number"),
        ("ramp_up = inf", "as_left.ramp_up", "finite number"),
        ("current_at_full = 5.01", "as_left.current_at_full", "at most 5 A"),
        ("current_at_full = 0", "as_left.current_at_full", "above 0"),
        ("dither_frequency = 19.9", "as_left.dither_frequency", "from 20 to 500"),
        ("dither_frequency = 501", "as_left.dither_frequency", "from 20 to 500"),
        ("dither_amplitude = 0", "as_left.dither_amplitude", "above 0"),
        ("supply_voltage = 8.9", "as_left.supply_voltage", "from 9 to 60"),
        ("supply_voltage = 60.1", "as_left.supply_voltage", "from 9 to 60"),
        ("pressure_at_full = 1001", "as_left.pressure_at_full", "at most 1000 bar"),
        ("coil_resistance = 0", "as_left.coil_resistance", "above 0"),
        ("hysteresis = 51", "as_left.hysteresis", "from 0 to 50"),
    ],
)
def test_every_setting_has_its_range(line, key, limit):
    assert limit in faults_of(SMALLEST.replace("ramp_up = 1.2", line))[key]


@pytest.mark.parametrize(
    "line",
    [
        "current_at_zero = 0\ncurrent_at_full = 5",
        "ramp_up = 0\nramp_down = 600",
        "dither_frequency = 20",
        "dither_frequency = 500",
        "supply_voltage = 9",
        "supply_voltage = 36",
        "pressure_at_zero = 0\npressure_at_full = 1000",
    ],
)
def test_the_ends_of_the_ranges_are_taken(line):
    assert read_sheet(SMALLEST.replace("ramp_up = 1.2", line)).as_left


@pytest.mark.parametrize("quantity", ["current", "pressure"])
def test_full_must_lie_above_zero(quantity):
    text = SMALLEST.replace("ramp_up = 1.2", f"{quantity}_at_zero = 2.0\n{quantity}_at_full = 2.0")
    assert f"must be above {quantity}_at_zero = 2.0" in faults_of(text)[f"as_left.{quantity}_at_full"]


@pytest.mark.parametrize(
    "value", ["-0.1", "0", "[0.1, 0.2]", "[-0.1, -0.2]", "[-0.1]", "[-inf, inf]", "nan", '"1"', "[0, 0.1]"]
)
def test_a_tolerance_with_a_wrong_sign_or_shape_is_refused(value):
    assert "one number above 0" in faults_of(f"{SMALLEST}[tolerance]\nramp_up = {value}\n")["tolerance.ramp_up"]


def test_one_side_of_a_tolerance_may_be_left_open():
    sheet = read_sheet(f"{SMALLEST}[tolerance]\nramp_up = [-inf, 0.2]\n")
    assert sheet.tolerance["ramp_up"] == Tolerance(math.inf, 0.2)


def test_a_tolerance_needs_a_setting_to_apply_to():
    assert "nothing to apply to" in faults_of(f"{SMALLEST}[tolerance]\nramp_down = 0.2\n")["tolerance.ramp_down"]


def test_a_faulty_setting_does_not_make_its_tolerance_a_second_fault():
    text = SMALLEST.replace("ramp_up = 1.2", "ramp_up = 900") + "[tolerance]\nramp_up = 0.2\n"
    assert faults_of(text).keys() == {"as_left.ramp_up"}


@pytest.mark.parametrize(
    ("old", "new", "key", "limit"),
    [
        ("current = [0.18, 0.4, 0.6, 0.92]", "current = [0.18, 0.6, 0.4, 0.92]", "characteristic.current", "ascend"),
        ("current = [0.18, 0.4, 0.6, 0.92]", "current = [0.18, 0.4, 0.4, 0.92]", "characteristic.current", "ascend"),
        ("rising = [12.0, 66.0, 119.0, 210.0]", "rising = [12.0, 66.0]", "characteristic.rising", "as many numbers"),
        ("rising = [12.0, 66.0,", "rising = [12.0, 166.0,", "characteristic.rising", "must not fall"),
        ("falling = [12.0, 73.0, 126.0", "falling = [12.0, 60.0, 100.0", "characteristic.falling", "exchanged"),
        ("falling = [12.0, 73.0", "falling = [12.0, 1073.0", "characteristic.falling[2]", "from 0 to 1000 bar"),
        ("oil_temperature = [35.0, 55.0]", "oil_temperature = [55.0, 35.0]", "conditions.oil_temperature", "lower"),
        ("supply_minimum = 21.6", "supply_minimum = 25.0", "coil.supply_minimum", "must not be above as_left"),
        ("duty_max = 0.95", "duty_max = 1.1", "coil.duty_max", "at most 1"),
        ("driver_limit = 1.6", "driver_limit = 0", "coil.driver_limit", "above 0"),
        ('where = "sensor', 'where = "a sensor', "instrument.current.where", "did you mean"),
        ("[instrument.current]", "[instrument.curent]", "instrument.curent", 'did you mean "current"'),
        ("range = [0.0, 2.0]", "range = [2.0, 0.0]", "instrument.current.range", "lower"),
        (
            "expanded_uncertainty = 0.004",
            "expanded_uncertainty = 0",
            "instrument.current.expanded_uncertainty",
            "above",
        ),
        ('made_by = "controller ramps"', 'made_by = "plc"', "signal.made_by", "must be one of"),
        ('controls = "pressure"', 'controls = "force"', "valve.controls", "must be one of"),
        ('separator = ";"', 'seperator = ";"', "log.seperator", 'did you mean "separator"'),
        ("number = 3", "number = 3.5", "revision.number", "whole number"),
        ("at = 2026-03-02T09:10:00+01:00", "at = 2026-03-02T09:10:00", "revision.at", "no zone"),
        ("at = 2026-03-02T09:10:00+01:00", 'at = "2026-03-02"', "revision.at", "without quotes"),
        ("at = 2026-03-02T09:10:00+01:00", "at = 1970-03-02T09:10:00Z", "revision.at", "from 1990"),
        ("[mode]", "[modes]", "modes", 'did you mean "mode"'),
        ("producing = [1, 4]", "producing = [1, 1]", "mode.producing", "different whole numbers"),
        ('press = "Press 4"', 'press = "Press\\n4"', "valve.press", "printable"),
    ],
)
def test_conflicts_and_misspellings_are_named(old, new, key, limit):
    assert old in FULL
    assert limit in faults_of(FULL.replace(old, new))[key]


def test_a_curve_may_dip_as_measured_curves_do():
    assert read_sheet(
        FULL.replace("rising = [12.0, 66.0,", "rising = [12.0, 11.0,").replace("falling = [12.0", "falling = [12.5")
    )


@pytest.mark.parametrize("valve", ["Press4", "press 4", "-press", "press.", "", "p" * 65, "pré", "a/b", "a#"])
def test_an_id_that_cannot_be_a_topic_is_refused(valve):
    assert "valve.id" in faults_of(SMALLEST.replace("press-4.platen", valve))


@pytest.mark.parametrize("valve", ["p", "press-4.platen", "4", "p" * 64])
def test_ids_within_the_rules_are_taken(valve):
    assert read_sheet(SMALLEST.replace("press-4.platen", valve)).valve == valve


@pytest.mark.parametrize("missing", ["valve", "signal", "as_left"])
def test_the_three_tables_are_required(missing):
    kept = {
        "valve": '[valve]\nid = "a"\n',
        "signal": '[signal]\nkind = "0-5V"\n',
        "as_left": "[as_left]\nramp_up = 1\n",
    }
    text = "".join(table for name, table in kept.items() if name != missing)
    assert faults_of(text).keys() == {missing}


def test_an_empty_file_says_what_is_missing():
    assert faults_of("").keys() == {"valve", "signal", "as_left"}


def test_an_empty_as_left_is_refused():
    assert "at least one of: current_at_zero" in faults_of(SMALLEST.replace("ramp_up = 1.2", ""))["as_left"]


def test_a_table_written_as_a_value_is_refused():
    assert "must be a table" in faults_of('signal = "4-20mA"\n[valve]\nid = "a"\n[as_left]\nramp_up = 1\n')["signal"]


def test_text_that_is_no_toml_is_refused_with_its_line():
    with pytest.raises(SheetError, match=r"press-4.toml: not readable as TOML: .*line 2"):
        read_sheet("[valve]\nid = press\n", source="press-4.toml")


@pytest.mark.parametrize(
    ("kind", "ends"), [("4-20mA", ("mA", 4, 20)), ("0-10V", ("V", 0, 10)), ("0-5V", ("V", 0, 5))]
)
def test_the_standard_signals_have_their_ends(kind, ends):
    signal = read_sheet(SMALLEST.replace("4-20mA", kind)).signal
    assert (signal.unit, signal.at_zero, signal.at_full) == ends


@pytest.mark.parametrize(
    ("lines", "ends", "kind"),
    [
        ('unit = "mA"\nat_zero = 4\nat_full = 12', ("mA", 4, 12), SignalKind.EXPLICIT),
        ('unit = "V"\nat_zero = 10\nat_full = 0', ("V", 10, 0), SignalKind.EXPLICIT),
        ('unit = "V"\nat_zero = 0\nat_full = -10', ("V", 0, -10), SignalKind.EXPLICIT),
        ('kind = "4-20mA"\nat_zero = 20\nat_full = 4', ("mA", 20, 4), SignalKind.MA_4_20),
    ],
)
def test_part_and_inverted_ranges_are_taken(lines, ends, kind):
    signal = read_sheet(SMALLEST.replace('kind = "4-20mA"', lines)).signal
    assert (signal.unit, signal.at_zero, signal.at_full) == ends
    assert signal.kind is kind
    assert signal.demand(ends[1]) == 0.0
    assert signal.demand(ends[2]) == 1.0


@pytest.mark.parametrize(
    ("lines", "key", "limit"),
    [
        ('kind = "-10..+10V"', "signal.kind", "two-coil valve is two entries"),
        ('kind = "±10V"', "signal.kind", "two-coil valve is two entries"),
        ('unit = "V"\nat_zero = -10\nat_full = 10', "signal.at_full", "two-coil valve is two entries"),
        ('unit = "V"\nat_zero = 1', "signal.at_full", "missing"),
        ("at_zero = 1\nat_full = 9", "signal.unit", "missing"),
        ("off_below = 1", "signal.kind", "missing"),
        ('unit = "V"\nat_zero = 1\nat_full = 1.2', "signal.at_full", "differ"),
        ('unit = "V"\nat_zero = 0\nat_full = 20', "signal.at_full", "from -12 to 12"),
        ('kind = "0-10V"\nunit = "mA"', "signal.unit", 'must be "V"'),
        ('kind = "4-20mA"\noff_below = 51', "signal.off_below", "from 0 to 50"),
    ],
)
def test_signals_that_cannot_be_are_refused(lines, key, limit):
    assert limit in faults_of(SMALLEST.replace('kind = "4-20mA"', lines))[key]


def test_instruments_are_of_the_channels_on_the_wire():
    assert set(INSTRUMENT_CHANNELS) <= set(CHANNEL_UNITS)


def test_a_supply_of_48_volts_is_taken():
    lines = "ramp_up = 1.2\nsupply_voltage = 48.0"
    sheet = read_sheet(SMALLEST.replace("ramp_up = 1.2", lines) + "\n[coil]\nsupply_minimum = 43.0\n")
    assert (sheet.as_left["supply_voltage"], sheet.coil.supply_minimum_v) == (48.0, 43.0)
