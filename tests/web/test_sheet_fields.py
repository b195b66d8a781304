"""A sheet by fields and as a table: every section, limits, faults, where numbers come from; the first one."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from asleft.sheet.compose import fields_of
from asleft.sheet.model import Tolerance
from asleft.sheet.reader import read_sheet
from asleft.web.sheets.sections import first_toml, form_of, instruments_table, sheet_table
from asleft.web.source import Source
from asleft.web.when import PlantTime

V = "press-2.clamp"
REVISE = f"/sheets/{V}/revise"


@pytest.fixture
def source(plant, desked):
    return Source(plant, desked, PlantTime.named("Europe/Madrid"), lambda: plant.now)


def text_of(answer) -> str:
    text = answer.get_data(as_text=True)
    return html.unescape(text)


def typed_in(page: str) -> dict[str, str]:
    """What fields and lists of the first form hold."""
    form = page.split('class="sheet-form"', 1)[1].split("</form>", 1)[0]
    held = dict(re.findall(r'<input id="(\w+)" name="\w+" type="text"(?: value="([^"]*)")?', form))
    for name, options in re.findall(r'<select id="(\w+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        held[name] = re.search(r'value="([^"]*)" selected', options).group(1)
    return held


def send(client, doors, href, **changes):
    page = text_of(client.get(href))
    after = re.search(r'name="after" value="(\d+)"', page).group(1)
    form = {doors.CSRF: doors.word_in(page), "act": "values", "after": after, **typed_in(page)}
    return client.post(href, data={**form, "why": "retuned", **changes})


def file_it(client, doors, href, preview):
    page = text_of(preview)
    assert preview.status_code == 200, page[-2500:]
    toml = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.DOTALL).group(1)
    return client.post(href, data={doors.CSRF: doors.word_in(page), "act": "file", "toml": toml})


def test_every_field_has_its_limits_beside_it(client):
    page = text_of(client.get(REVISE))
    for name, words in (
        ("ramp_up", "0 to 600 s; time the driver takes"),
        ("current_at_full", "above 0, to 5 A"),
        ("dither_frequency", "20 to 500 Hz"),
        ("supply_voltage", "9 to 60 V"),
        ("coil__hot_temperature", "20 to 250 °C"),
        ("tolerance__ramp_up", "empty: ±0.16 s"),
        ("tolerance__supply_voltage", "empty: −2.4 V only"),
        ("tolerance__dither_frequency", "only with its setting"),
        ("conditions__oil_temperature__low", "-40 to 150 °C"),
        ("instrument__current__expanded_uncertainty", "above 0, to 10000 A"),
    ):
        assert f'<small id="{name}-hint">{words}' in page, name
    assert "Tolerances <small>nothing given</small>" in page
    assert "Characteristic <small>3 of 3 fields filled</small>" in page
    assert "<details open" not in page.replace(' data-key="tolerance" open', " open")


def test_a_range_below_zero_is_written_with_a_minus_sign(client, doors):
    given = {"instrument__oil_temperature__range__low": "-10", "instrument__oil_temperature__range__high": "110"}
    preview = send(client, doors, REVISE, **given)
    assert file_it(client, doors, REVISE, preview).status_code == 303
    assert "−10 to 110 °C" in text_of(client.get(f"/sheets/{V}"))


def test_all_sections_are_filed_by_their_fields(client, doors, desked):
    preview = send(
        client,
        doors,
        REVISE,
        ramp_up="1,7",
        tolerance__ramp_up="-0.1 / 0.2",
        coil__hot_temperature="90",
        coil__supply_minimum="21.6",
        conditions__oil_temperature__low="35",
        conditions__oil_temperature__high="55",
        mode__in_control="4",
        instrument__current__where="sensor in the coil lead",
        instrument__current__expanded_uncertainty="0.004",
        instrument__current__range__low="0",
        instrument__current__range__high="2",
        characteristic__falling="12 74 127 210",
        valve__name="clamp",
    )
    said = text_of(preview)
    assert "ramp up: 1.60 s → 1.70 s" in said
    assert "tolerance of ramp up" in said
    assert file_it(client, doors, REVISE, preview).status_code == 303
    sheet = read_sheet(desked.sheets(V)[-1].toml)
    assert sheet.tolerance["ramp_up"] == Tolerance(0.1, 0.2)
    assert (sheet.coil.hot_temperature_degc, sheet.coil.supply_minimum_v) == (90.0, 21.6)
    assert sheet.conditions.oil_temperature_degc == (35.0, 55.0)
    assert sheet.conditions.in_control_modes == (4,)
    assert sheet.instruments["current"].expanded_uncertainty == 0.004
    assert sheet.instruments["current"].range_high == 2.0
    assert sheet.characteristic.falling_bar == (12.0, 74.0, 127.0, 210.0)
    assert sheet.name == "clamp"
    assert sheet.revision.number == 4


def test_faults_open_their_section_and_stand_at_their_fields(client, doors, desked):
    answer = send(
        client,
        doors,
        REVISE,
        coil__duty_max="1.5",
        conditions__oil_temperature__low="60",
        conditions__oil_temperature__high="50",
        instrument__pressure__range__low="0",
    )
    page = text_of(answer)
    assert answer.status_code == 400
    assert "missing: both ends, or neither" in page
    assert 'data-key="instrument__pressure" open' in page
    assert 'data-key="coil" open' not in page  # the reader is asked once all is understood
    answer = send(
        client, doors, REVISE, coil__duty_max="1.5", conditions__oil_temperature__low="60",
        conditions__oil_temperature__high="50", ramp_up="700",
    )  # fmt: skip
    page = text_of(answer)
    for name, words in (
        ("coil__duty_max", "must be above 0 and at most 1"),
        ("conditions__oil_temperature__low", "the lower first"),
        ("ramp_up", "must be from 0 to 600 s"),
    ):
        assert re.search(rf'id="{name}-fault" class="wrong">[^<]*{words}', page), name
    assert 'data-key="coil" open' in page
    assert typed_in(page)["coil__duty_max"] == "1.5"
    assert len(desked.sheets(V)) == 1


def test_a_list_that_was_sent_by_hand_with_nonsense_is_refused_at_its_field(client, doors):
    answer = send(client, doors, REVISE, signal__made_by="<b>magic</b>")
    page = text_of(answer)
    assert answer.status_code == 400
    assert 'id="signal__made_by-fault"' in page
    assert "<b>magic" not in answer.get_data(as_text=True)


def test_the_first_sheet_by_fields(client, doors, desked, plant):
    plant._valves["press-9.new"] = ("Press 9", "new one")
    href = "/sheets/press-9.new/revise"
    page = text_of(client.get(href))
    assert "The first sheet of press-9.new." in page
    held = typed_in(page)
    assert (held["signal__kind"], held["by"], held["why"]) == ("4-20mA", "technician", "first commissioning")
    assert page.index("<legend>Which valve</legend>") < page.index("<legend>As left</legend>")
    empty = send(client, doors, href)
    assert empty.status_code == 400
    assert "as_left: missing" in text_of(empty)
    preview = send(
        client,
        doors,
        href,
        valve__press="Press 9",
        valve__name="new one",
        signal__kind="0-10V",
        current_at_zero="0.2",
    )
    assert "It is the first sheet of this valve." in text_of(preview)
    assert file_it(client, doors, href, preview).status_code == 303
    (record,) = desked.sheets("press-9.new")
    sheet = read_sheet(record.toml)
    assert (sheet.press, sheet.signal.kind.value, sheet.as_left, record.number) == (
        "Press 9", "0-10V", {"current_at_zero": 0.2}, 1,
    )  # fmt: skip
    again = client.post(href, data={doors.CSRF: doors.word_in(page), "act": "values", "after": "0", **held})
    assert again.status_code == 409
    assert "has filed revision 1 since this form was filled from revision 0" in text_of(again)


def test_a_first_sheet_is_entered_in_the_unit_its_reader_thinks_in(client, doors, desked, plant):
    plant._valves["press-9.new"] = ("Press 9", "new one")
    href = "/sheets/press-9.new/revise"
    client.set_cookie("asleft_pressure", "psi")
    page = text_of(client.get(href))
    assert "Pressure at full (psi)" in page
    assert "above 0, to 14503.8 psi" in page
    form = {doors.CSRF: doors.word_in(page), "act": "values", "after": "0", "unit": "psi", **typed_in(page)}
    client.set_cookie("asleft_pressure", "MPa")  # chosen in another window meanwhile
    preview = client.post(href, data={**form, "pressure_at_full": "3000"})
    assert file_it(client, doors, href, preview).status_code == 303
    sheet = read_sheet(desked.sheets("press-9.new")[0].toml)
    assert sheet.as_left["pressure_at_full"] == pytest.approx(206.843, abs=1e-3)
    assert (sheet.entered_units, sheet.entered_as_left["pressure_at_full"]) == ({"pressure": "psi"}, 3000.0)


def test_an_uncertainty_of_the_command_is_in_the_signals_unit():
    toml = first_toml("press-9.new", "bar") + "[as_left]\ncurrent_at_zero = 0.1\ncurrent_at_full = 0.9\n"
    toml += "[instrument.command]\nexpanded_uncertainty = 0.012\nrange = [0.0, 25.0]\n[revision]\nnumber = 1\n"
    toml += 'at = 2026-01-01T00:00:00Z\nby = "rk"\nwhy = "new"\n'
    sheet = read_sheet(toml, source="")
    told = [row for section in instruments_table(fields_of(toml), sheet) for row in section.rows]
    assert ("Expanded uncertainty", "0.012 mA") in told
    assert ("Range", "0 to 25 mA") in told
    labels = {one.name: one.label for group in form_of(toml, sheet, {}, {}) for one in group.inputs}
    assert labels["instrument__command__expanded_uncertainty"] == "Expanded uncertainty (mA)"


def test_the_sheet_in_force_is_a_table(client):
    page = text_of(client.get(f"/sheets/{V}"))
    for words in (
        ">1.60 s</td>",
        ">±0.16 s</td>",
        ">default: 10 %, at least 0.05 s</td>",
        "Entered, sheet 3 of 8 May 2026, by rk.",
        "Not given, so not judged: dither frequency, dither amplitude, hysteresis.",
        "<dt>Ends</dt><dd>4 mA at 0 %, 20 mA at 100 %</dd>",
        "No uncertainty is given: every verdict is repeatability only.",
        "rising (bar)",
        "from coil, supply and current at full",
    ):
        assert words in page, words
    client.set_cookie("asleft_pressure", "psi")
    page = text_of(client.get(f"/sheets/{V}"))
    assert ">3046 psi</td>" in page
    assert "rising (psi)" in page


def test_where_a_number_comes_from_over_revisions(client, doors, desked, source, plant):
    assert file_it(client, doors, REVISE, send(client, doors, REVISE, ramp_up="1.7", by="kl")).status_code == 303
    plant.now += 1
    records = desked.sheets(V)
    judged = {
        "valve": V, "sheet_revision": 4, "quantities": [{"id": "ramp_up", "as_left_measured": 1.71}],
    }  # fmt: skip
    plant._judgements[V] = judged
    table = sheet_table(source, records, records[-1])
    rows = {row.label: row.origin for row in table.settings}
    assert rows["Ramp up"].startswith("Entered, sheet 4 of 24 Nov 2026, by kl. Measured when left: 1.71 s.")
    assert rows["Ramp down"].startswith("Entered, sheet 3 of 8 May 2026, by rk.")
    old = sheet_table(source, records, records[0])
    assert "Measured" not in {row.label: row.origin for row in old.settings}["Ramp up"]


def test_a_sheet_in_other_units_says_what_was_entered(source, desked):
    record = desked.sheets(V)[-1]
    text = record.toml.replace("[as_left]", '[units]\npressure = "psi"\n[as_left]').replace("= 210.0", "= 3000")
    text = re.sub(r"\[characteristic\].*?(?=\[revision\])", "", text, flags=re.DOTALL)
    sheet = read_sheet(text)
    (pressure,) = [
        one for group in form_of(text, sheet, {}, {}) for one in group.inputs if one.name == "pressure_at_full"
    ]
    assert (pressure.label, pressure.value) == ("Pressure at full (psi)", "3000")
    assert pressure.hint.startswith("above 0, to 14503.8 psi")
    table = sheet_table(source, [replace(record, toml=text)], replace(record, toml=text))
    row = next(row for row in table.settings if row.label == "Pressure at full")
    assert (row.value, row.origin[:20]) == ("206.8 bar", "Entered as 3000 psi,")
    assert table.curve == []


def test_a_sheet_that_this_program_cannot_read_any_more_shows_no_table(source, desked):
    record = replace(desked.sheets(V)[-1], toml="[valve]\n")
    assert sheet_table(source, [record], record) is None
