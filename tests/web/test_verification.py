"""Verification in the pages: recognised, graded, recorded; nothing accepted that is not complete or out."""

from __future__ import annotations

import csv
import hashlib
import html
import json
import re
from dataclasses import replace
from io import BytesIO, StringIO
from urllib.parse import quote

import pytest
from asleft.sheet.model import Instrument
from asleft.web import units
from asleft.web.checked import body
from asleft.web.csv_text import utc
from asleft.web.source import Source
from asleft.web.units import Pressures
from asleft.web.verification.record import known_of
from asleft.web.when import PlantTime
from pypdf import PdfReader

S = 10**9
V = "press-1.platen"


def text_of(answer) -> str:
    # papers hold a number and its unit together
    return html.unescape(answer.get_data(as_text=True)).replace("\u00a0", " ")


def done(plant, hands, ago_s: float, script=None, **changes):
    """Somebody did it that long ago; the stretch round it."""
    hand = hands.Hand(plant.now - round(ago_s * S), script or [*hands.strokes(), *hands.sweep()], **changes)
    plant.hands.setdefault(V, []).append(hand)
    return hand.start_ns - 2 * S, hand.end_ns


def query(prefix: str, stretch) -> str:
    return f"{prefix}from={quote(utc(stretch[0]))}&{prefix}to={quote(utc(stretch[1]))}"


def entered(**changes) -> dict[str, str]:
    usual = {
        "valve_plate": "DP-17 no. 4402", "coil_plate": "24 V, 11 ohm", "driver_type": "rail driver",
        "driver_serial": "0815", "dialled": "low 2.1, high 7.4", "pressure_id": "PT-3", "pressure_due": "2026-01-31",
        "pressure_range": "0 to 250 bar", "load_state": "stop", "technician": "technician", "witness": "",
        "remark": "after the pump was changed", "decision": "accepted",
    }  # fmt: skip
    return {**usual, **changes}


def file_it(client, doors, address: str, **changes):
    page = text_of(client.get(address))
    return client.post(address, data={doors.CSRF: doors.word_in(page), **entered(**changes)})


def test_the_page_begins_with_cautions_and_finds_what_was_recorded(client, plant, hands):
    done(plant, hands, 1800.0)
    page = text_of(client.get(f"/verification/{V}"))
    assert "<h1>Verify the platen pressure of Press 1.</h1>" in page
    assert "At 100 % command full pressure or full flow may result. Do not proceed if that is unsafe" in page
    assert page.count(">Sweep at ") == 1
    assert "after 2 other full cycles" in page
    assert "None has been filed yet." in page
    link = re.search(r'href="(/verification/press-1\.platen\?from=[^"]+)">Sweep', page).group(1)
    graded = text_of(client.get(link))
    assert "<h1>Everything that was observed is as left.</h1>" in graded
    assert "2 full cycles before the sweep." in graded
    assert "A sweep 0-100-0 %, 20 levels graded" in graded


def test_production_is_no_sweep(client):
    page = text_of(client.get(f"/verification/{V}"))
    assert "No sweep 0-100-0 % from" in page


def test_watching_says_what_is_missing_until_it_is_there(client, plant, hands):
    script = [*hands.strokes(), *hands.sweep()]
    hand = hands.Hand(plant.now, script)
    plant.hands[V] = [hand]
    began, address = plant.now, f"/verification/{V}?from={quote(utc(plant.now))}"
    plant.now = began + 20 * S
    page = text_of(client.get(address))
    assert "<h1>Not complete yet: 2 things are missing.</h1>" in page
    assert "Two conditioning cycles 0-100-0 % before the sweep: one yet." in page
    assert re.search(r'class="opening" id="check" data-renew', page)
    plant.now = began + 45 * S
    assert "On the way up, " in text_of(client.get(address))
    plant.now = hand.end_ns + S
    page = text_of(client.get(address))
    assert "Everything that was observed is as left." in page
    assert "Make a record: as found, nothing adjusted" in page


def test_a_ramp_that_was_turned_is_out_and_cannot_be_accepted(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0, up_s=2.1)
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert "Not as left: ramp up is 2.10 s, left at 1.60 s." in page
    address = f"/verification/{V}/record?{query('found_', stretch)}"
    refused = file_it(client, doors, address)
    assert refused.status_code == 400
    words = text_of(refused)
    assert '<a href="#decision">Decision</a>: it cannot be accepted: something is out of tolerance' in words
    assert "It cannot be accepted: something is out of tolerance as it was left." in words
    assert '<option value="accepted"' not in words, "the form offers only what can be accepted"
    assert 'value="PT-3"' in words  # nothing typed is lost
    assert file_it(client, doors, address, decision="not-accepted").status_code == 303


def test_a_long_wait_at_zero_is_no_stop(client, plant, hands):
    script = [*hands.strokes(), (400.0, 0.0), *hands.sweep()]
    stretch = done(plant, hands, 1800.0, script)
    assert "Everything that was observed is as left." in text_of(
        client.get(f"/verification/{V}?{query('', stretch)}")
    )


def test_five_steps_each_way_are_enough(client, plant, hands):
    stretch = done(plant, hands, 1800.0, [*hands.strokes(), *hands.sweep(step_pct=25)])
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert "Everything that was observed is as left." in page
    assert "8 levels graded" in page


@pytest.mark.parametrize("rate", [0.02, 0.03, 0.06])
def test_a_sweep_that_creeps_without_rests_is_not_complete(client, plant, hands, rate):
    n = round(1 / rate / 0.1)
    creep = [*((0.1, k / n) for k in range(1, n + 1)), (3.0, 1.0), *((0.1, 1 - k / n) for k in range(1, n + 1))]
    stretch = done(plant, hands, 1800.0, [*hands.strokes(), *creep, (4.0, 0.0)])
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert "<h1>Not complete yet" in page
    assert "on the way down: rest three seconds or more on each of its steps." in page


def test_as_left_comes_after_as_found(client, plant, hands):
    found = done(plant, hands, 1800.0)
    left = done(plant, hands, 3600.0)
    answer = client.get(f"/verification/{V}/record?{query('found_', found)}&{query('left_', left)}")
    assert answer.status_code == 400
    assert "left_from: as left comes after as found." in text_of(answer)


def test_without_pressure_a_pressure_valve_is_not_accepted_in_full(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    answer = file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}", load_state="none")
    assert answer.status_code == 400
    assert "pressures are in the sheet, and the load state says there were none" in text_of(answer)


def test_a_sweep_without_conditioning_is_not_accepted(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0, [(5.0, 0.0), *hands.sweep()])
    answer = file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}")
    assert answer.status_code == 400
    assert "it cannot be accepted, because it is not complete. Two conditioning cycles" in text_of(answer)


def test_found_adjusted_left_recorded(client, plant, hands, doors, door):
    found = done(plant, hands, 3600.0, up_s=2.1)
    left = done(plant, hands, 1800.0)
    page = text_of(client.get(f"/verification/{V}?{query('', left)}&{query('found_', found)}"))
    link = re.search(r'href="(/verification/[^"]+/record\?[^"]+)"[^>]*>Make a record: as found and', page).group(1)
    answer = file_it(client, doors, link)
    assert (answer.status_code, answer.location) == (303, f"/verification/{V}/1?said=filed")
    page = text_of(client.get(f"/verification/{V}/1"))
    assert "Verification record 1 of Press 1 platen pressure: Accepted as left, with calibration overdue" in page
    filed = client.get(f"/verification/{V}/1.json").get_data()
    body = json.loads(filed)
    assert body["as_found"]["outcome"] == "not-as-left"
    assert body["as_left"]["outcome"] == "as-left"
    assert body["sheet"]["revision"] == 3
    assert body["instruments"]["pressure"]["id"] == "PT-3"
    ramps = [
        next(q for q in body[k]["quantities"] if q["id"] == "ramp_up")["as_found"] for k in ("as_found", "as_left")
    ]
    assert ramps == pytest.approx([2.1, 1.6], abs=0.02)
    record = door.store.verifications.one(V, 1)
    assert record.digest == hashlib.sha256(filed).hexdigest()
    lines = [(line.action, line.who) for line in door.store.audit.newest(5)]
    assert ("verification filed", "technician") in lines
    assert "record 1, " in text_of(client.get("/verification"))


def test_what_was_taken_as_found_stays_known_until_the_record(client, plant, hands):
    found = done(plant, hands, 3600.0, up_s=2.1)
    page = text_of(client.get(f"/verification/{V}?{query('', found)}"))
    adjust = re.search(r'href="([^"]+)"[^>]*>Take this as found, and adjust', page).group(1)
    assert ">Sweep at" not in text_of(client.get(adjust)), "the one before is not offered as what was left"
    done(plant, hands, 600.0)
    page = text_of(client.get(adjust))
    assert page.count(">Sweep at") == 1
    sweep = re.search(r'href="([^"]+)">Sweep at', page).group(1)
    assert "found_from=" in sweep
    assert "Make a record: as found and, with this, as left" in text_of(client.get(sweep))
    form = f"{adjust}&plant_from=2026-11-24T15:50:00&plant_to=2026-11-24T15:55:00&do=grade"
    assert "found_from=" in client.get(form).location


def test_a_stretch_is_graded_against_the_sheet_of_its_time(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    page = text_of(client.get(f"/sheets/{V}/revise"))
    after = re.search(r'name="after" value="(\d+)"', page).group(1)
    toml = text_of(client.get(f"/sheets/{V}/file/{after}"))
    at = utc(plant.now)
    toml = re.sub(r"number = \d+", f"number = {int(after) + 1}", toml)
    toml = re.sub(r"(?m)^at = .*$", f"at = {at}", toml).replace("ramp_up = 1.6", "ramp_up = 3.0")
    filed = client.post(f"/sheets/{V}/revise", data={doors.CSRF: doors.word_in(page), "act": "file", "toml": toml})
    assert filed.status_code == 303, text_of(filed)
    plant.now += 60 * S
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert f"Graded against sheet {after}." in page
    assert "Everything that was observed is as left." in page


def test_the_paper_says_all_that_an_auditor_asks(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    assert file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}").status_code == 303
    text = text_of(client.get(f"/verification/{V}/1.html"))
    reader = PdfReader(BytesIO(client.get(f"/verification/{V}/1.pdf").get_data()))
    printed = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for words in (
        "As found; nothing was adjusted", "DP-17 no. 4402", "0815", "low 2.1, high 7.4", "2026-01-31, overdue",
        "cylinder against its stop, valve in control", "% of command a second up", "JCGM 106:2012",
        "SHA-256 of its file",
        "Not observed, and why", "supply voltage:", "It is not a safety validation", "Carried out by: technician",
        "Witnessed by", "At 100 % command full pressure or full flow may result", "after the pump was changed",
    ):  # fmt: skip
        assert words in text, words
        assert words in printed, words
    assert "<script" not in text
    assert re.search(r"(src|href)=", text) is None


def test_a_record_filed_before_readings_over_time_were_kept_is_shown_without_them(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    assert file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}").status_code == 303
    now = text_of(client.get(f"/verification/{V}/1.html"))
    record = json.loads(client.get(f"/verification/{V}/1.json").get_data(as_text=True))
    time, shown = PlantTime.named("Europe/Madrid"), Pressures("psi")
    sheet = Source(plant, plant, time, lambda: plant.now).sheet(V, plant.now)
    drawn = str(body(record["as_found"], sheet, time, shown))
    assert drawn.count("over time</figcaption>") == now.count("over time</figcaption>") == 3
    assert re.search(r"since 15:\d\d:\d\d", drawn)  # the plant's time
    assert "Pressure over the whole stretch, psi." in drawn
    del record["as_found"]["courses"]
    assert "over time" not in str(body(record["as_found"], sheet, time, shown))


def test_tables_for_a_spreadsheet(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    live = client.get(f"/csv/{V}/verification?{query('', stretch)}")
    assert live.mimetype == "text/csv"
    rows = list(csv.DictReader(StringIO(live.get_data(as_text=True))))
    ramp = next(row for row in rows if row["what"] == "setting" and row["name"] == "ramp_up")
    assert (ramp["wanted"], ramp["unit"], ramp["verdict"]) == ("1.6", "s", "in")
    assert float(ramp["found"]) == pytest.approx(1.6, abs=0.02)
    assert (ramp["tolerance_low"], ramp["tolerance_high"]) == ("-0.16", "0.16")
    assert sum(row["what"] == "pressure of a step" for row in rows) == 20
    assert file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}").status_code == 303
    client.set_cookie("asleft_pressure", "MPa")
    filed = list(csv.DictReader(StringIO(client.get(f"/verification/{V}/1.csv").get_data(as_text=True))))
    full = next(row for row in filed if row["name"] == "pressure_at_full")
    assert (full["part"], full["wanted"], full["unit"]) == ("as found", "21", "MPa")
    assert client.get(f"/csv/{V}/verification?from=x&to=y").status_code == 400
    assert (
        client.get("/csv/no.such/verification?from=2026-11-24T10:00:00Z&to=2026-11-24T10:05:00Z").status_code == 404
    )


def test_what_is_wrong_is_said_at_its_field(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    address = f"/verification/{V}/record?{query('found_', stretch)}"
    answer = file_it(
        client, doors, address, load_state="", technician="  ", decision="", remark="x" * 2001, gauge_due="soon"
    )
    words = text_of(answer)
    assert answer.status_code == 400
    for fault in (
        '<a href="#load_state">Load state</a>: say in which load state it was done', "say who carried it out",
        '<a href="#decision">Decision</a>: say whether it is accepted', "2001 characters; at most 2000 are kept",
        "'soon' is no date as 2027-03-31",
    ):  # fmt: skip
        assert fault in words, fault
    assert words.index('<a href="#gauge_due">Gauge read beside it: calibration due</a>') < words.index("<h1>")


def test_a_stroke_that_turned_back_is_shown_with_how_much_of_its_ramp_was_seen(client, plant, hands, doors):
    turned = [(5.0, 0.0), (0.4, 1.0), (5.0, 0.0), (0.4, 1.0), (5.0, 0.0)]
    stretch = done(plant, hands, 1800.0, [*turned, *hands.sweep()])
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert "<h1>Not complete yet" in page
    assert "A full stroke up: the command in one step over four fifths of its range or more" in page
    assert "of the ramp seen, % of the span" in page
    answer = file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}")
    assert answer.status_code == 400
    assert "it cannot be accepted, because it is not complete." in text_of(answer)


def test_an_overdue_calibration_is_in_the_headline(client, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    assert file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}").status_code == 303
    words = "Accepted as left, with calibration overdue: pressure, due 2026-01-31.</h1>"
    assert words in text_of(client.get(f"/verification/{V}/1"))
    assert words in text_of(client.get(f"/verification/{V}/1.html"))


def test_the_form_knows_what_the_sheet_says_of_the_instruments(source):
    sheet = source.sheet(V, source.now_ns())
    known = {
        "current": Instrument(expanded_uncertainty=0.004),
        "pressure": Instrument(range_low=0.0, range_high=250.0),
    }
    assert known_of(replace(sheet, instruments=known), units.chosen("MPa")) == {
        "current_uncertainty": "0.004 A", "pressure_range": "0 to 25 MPa",
    }  # fmt: skip


def test_how_many_valves_have_a_record_is_said_as_a_person_would(client, plant, hands, doors):
    assert "<h1>No valve has a verification record here yet.</h1>" in text_of(client.get("/verification"))
    stretch = done(plant, hands, 1800.0)
    file_it(client, doors, f"/verification/{V}/record?{query('found_', stretch)}")
    assert "<h1>One of eight valves has a verification record here.</h1>" in text_of(client.get("/verification"))


@pytest.mark.parametrize(
    ("address", "status", "words"),
    [
        ("/verification/no.such", 404, "Nothing is known of a valve"),
        (f"/verification/{V}/7", 404, "There is no record 7"),
        (f"/verification/{V}?from=monday", 400, "from = 'monday': wanted is a time"),
        (f"/verification/{V}?from=2026-11-24T12:00:00Z&to=2026-11-24T11:00:00Z", 400, "from must lie before to."),
        (f"/verification/{V}?from=2026-11-23T12:00:00Z&to=2026-11-24T11:00:00Z", 400, "23.0 hours; a verification"),
        (f"/verification/{V}/record", 400, "a record needs a stretch in which it was found"),
        (f"/verification/{V}?plant_from=tomorrow&plant_to=x", 400, "plant_from = 'tomorrow': wanted is a day"),
    ],
)  # fmt: skip
def test_poor_addresses_are_answered_in_words(client, address, status, words):
    answer = client.get(address)
    assert answer.status_code == status
    assert words in text_of(answer)


def test_a_stretch_is_taken_by_the_plants_clock(client):
    answer = client.get(f"/verification/{V}?plant_from=2026-11-24T12:00&plant_to=2026-11-24T12:05&do=grade")
    assert answer.location == f"/verification/{V}?from=2026-11-24T11:00:00.000Z&to=2026-11-24T11:05:00.000Z"


def test_a_viewer_sees_and_files_nothing(app, plant, hands, doors):
    stretch = done(plant, hands, 1800.0)
    client = app.server.test_client()
    doors.sign_in(client, "viewer")
    page = text_of(client.get(f"/verification/{V}?{query('', stretch)}"))
    assert "Everything that was observed is as left." in page
    assert "Make a record" not in page
    assert "Your account may look, and change nothing." in page
