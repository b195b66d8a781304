from __future__ import annotations

import hashlib
import json
import math

import pytest
from asleft.sheet.model import Tolerance
from asleft.store.accounts import Role
from asleft.web import ids
from asleft.web.app import create_app
from asleft.web.frame import unit_switch
from asleft.web.presses.page import fleet
from asleft.web.presses.view import presses_view
from asleft.web.units import BAR, CHOICES, COOKIE, Pressures, chosen, current
from asleft.web.valve.page import sheet_table
from asleft.web.valve.view import valve_view
from asleft.web.views.history import history_views
from flask import Flask

PSI, MPA = Pressures("psi"), Pressures("MPa")


def asked_in(unit: str):
    """A request of somebody who has chosen a unit."""
    return Flask("asked").test_request_context("/", headers={"Cookie": f"{COOKIE}={unit}"})


@pytest.mark.parametrize(("shown", "bar", "number"), [(MPA, 1.0, 0.1), (BAR, 1.0, 1.0), (PSI, 0.0689475729, 1.0)])
def test_the_factors_are_those_of_the_standard(shown, bar, number):
    assert shown.pressure(bar) == pytest.approx(number, rel=5e-10)


def test_ten_bar_are_one_megapascal_to_the_last_bit():
    assert [MPA.pressure(float(bar)) for bar in (1, 3, 7, 210)] == [0.1, 0.3, 0.7, 21.0]


@pytest.mark.parametrize(
    ("shown", "texts"),
    [
        (BAR, ["210.0 bar", "0.0 bar", "−1.2 bar", "–", "–"]),
        (PSI, ["3046 psi", "0 psi", "−17 psi", "–", "–"]),
        (MPA, ["21.00 MPa", "0.00 MPa", "−0.12 MPa", "–", "–"]),
    ],
)
def test_every_unit_resolves_about_a_tenth_of_a_bar(shown, texts):
    assert [shown.text(bar) for bar in (210.0, -0.001, -1.2, None, math.nan)] == texts


def test_only_pressures_are_converted():
    assert PSI.quantity("pressure_at_full", 210.0) == "3046 psi"
    assert PSI.quantity("ramp_up", 1.2) == "1.20 s"
    assert PSI.quantity("coil_resistance", 11.0) == "11.00 Ω"
    assert PSI.uncertainty("pressure_at_full", 1.0) == "±15"
    assert PSI.uncertainty("hysteresis", 1.0) == "±1.0"
    assert PSI.tolerance("pressure_at_full", Tolerance(4.2, 4.2)) == "±60.9"
    assert MPA.tolerance("pressure_at_full", Tolerance(math.inf, 4.2)) == "+0.42 only"
    assert BAR.note == ""
    assert "MPa" in MPA.note


def test_what_a_cookie_may_hold_is_bar_unless_it_is_a_choice():
    assert current() is BAR, "nobody asks"
    assert [chosen(word).unit for word in (None, "", "kPa", "PSI", "psi", "MPa")] == ["bar"] * 4 + ["psi", "MPa"]
    with asked_in("psi"):
        assert current() == PSI
    with asked_in("<b>"):
        assert current() == BAR


def test_the_valve_page_shows_them_and_says_what_stays_bar(source):
    with asked_in("psi"):
        view = valve_view(source, "press-2.clamp")
        text = sheet_table(view)
        words = next(h.words for h in history_views(source, "press-2.clamp") if h.quantity == "pressure_at_full")
    line = next(line for line in view.lines if line.quantity == "pressure_at_full")
    assert (line.as_left, line.as_found, line.tolerance, line.uncertainty) == (
        "3046 psi", "3042 psi", "±60.9", "±7.3",
    )  # fmt: skip
    assert text.count("sentences and evidence keep the bar") == 1
    assert "left at 3046 psi" in words
    assert "sentences and evidence" not in sheet_table(valve_view(source, "press-2.clamp"))


def test_the_strips_figures_are_read_out_in_the_unit_chosen(source):
    with asked_in("MPa"):
        text = fleet(presses_view(source))
    assert "(20.97 MPa)" in text
    assert "bar)" not in text


@pytest.fixture
def app(plant, door):
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now)


def test_anybody_may_choose_and_is_led_back_to_where_they_were(app):
    client = app.server.test_client()
    for referrer, back in (
        ("http://localhost/valve/press-2.clamp?span=1h", "/valve/press-2.clamp?span=1h"),
        ("http://localhost/?status=failure", "/?status=failure"),
        ("http://elsewhere.example/valve/x", "/"),
        ("", "/"),
        ("http://localhost//elsewhere.example", "/"),
    ):
        answer = client.post("/units", data={"pressure": "psi"}, headers={"Referer": referrer})
        assert (answer.status_code, answer.location) == (303, back), referrer
    cookie = client.get_cookie(COOKIE)
    assert (cookie.value, cookie.http_only, cookie.path, cookie.secure) == ("psi", True, "/", False)
    assert cookie.max_age > 300 * 86_400
    assert 'aria-pressed="true" title="Show pressures in psi"' in client.get("/alarms").get_data(as_text=True)


def test_what_is_no_unit_is_refused_by_name(app):
    answer = app.server.test_client().post("/units", data={"pressure": "<torr>"})
    assert answer.status_code == 400
    assert answer.get_data(as_text=True) == "pressure = '<torr>': pressures are shown in one of bar, psi, MPa.\n"
    assert answer.mimetype == "text/plain"


def test_another_sites_page_cannot_choose_and_a_signed_in_form_repeats_its_word(app, door, doors):
    client = app.server.test_client()
    door.add_one_of_each()
    doors.sign_in(client, Role.VIEWER.value)
    assert client.post("/units", data={"pressure": "psi"}).status_code == 403
    assert (
        client.post("/units", data={"pressure": "psi"}, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    )
    word = doors.word_in(client.get("/alarms").get_data(as_text=True))
    assert client.post("/units", data={"pressure": "psi", "_csrf_token": word}).status_code == 303


def test_behind_tls_the_cookie_is_secure(plant, doors, tmp_path):
    door = doors.Door(tmp_path / "tls", lambda: plant.now, proxied=True)
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    assert "; Secure" in client.post("/units", data={"pressure": "MPa"}).headers["Set-Cookie"]
    door.close()


def test_two_people_read_one_plant_in_their_own_units(app):
    here, there = app.server.test_client(), app.server.test_client()
    here.post("/units", data={"pressure": "psi"})
    body = {
        "output": f"..{ids.PRESSES_PARTS}.data...{ids.PRESSES_TAGS}.data..",
        "outputs": [
            {"id": ids.PRESSES_PARTS, "property": "data"}, {"id": ids.PRESSES_TAGS, "property": "data"},
        ],
        "inputs": [{"id": ids.PRESSES_TIMER, "property": "n_intervals", "value": 1},
                   {"id": ids.URL, "property": "search", "value": ""}],
        "changedPropIds": [],
        "state": [{"id": ids.PRESSES_TAGS, "property": "data", "value": None}],
    }  # fmt: skip
    seen = [client.post("/_dash-update-component", json=body).get_data(as_text=True) for client in (here, there)]
    assert ["(3042 psi)" in text for text in seen] == [True, False]
    assert ["(209.7 bar)" in text for text in seen] == [False, True]


def test_a_switch_of_units_changes_nothing_that_is_stored(plant, door, desks, tmp_path):
    """Everything of the records' file, before and after somebody has looked at every page in every unit."""
    records = desks.Desked(plant, door, tmp_path)
    app = create_app(plant, records, door.access, clock_ns=lambda: plant.now)
    client = app.server.test_client()

    def kept() -> str:
        return hashlib.sha256((tmp_path / "records.db").read_bytes()).hexdigest()

    def pages() -> list[str]:
        paths = ("/sheets/press-2.clamp", "/sheets/press-2.clamp/file/3", "/report/press-2.clamp.html")
        return [client.get(path).get_data(as_text=True) for path in paths]

    before, judged = kept(), json.dumps(plant.judgement("press-2.clamp"), sort_keys=True)
    seen = {}
    for unit in CHOICES:
        client.post("/units", data={"pressure": unit})
        seen[unit] = pages()
        assert kept() == before, unit
    assert json.dumps(plant.judgement("press-2.clamp"), sort_keys=True) == judged
    assert len({texts[1] for texts in seen.values()}) == 1, "a sheet's file is as it was filed"
    assert len({texts[2] for texts in seen.values()}) == 3, "else nothing was switched"
    records.close()


def test_every_page_carries_the_same_switch(app):
    client = app.server.test_client()
    for path in ("/", "/valve/press-2.clamp", "/alarms", "/nowhere"):
        assert unit_switch(BAR, "") in client.get(path).get_data(as_text=True), path
    assert "_csrf_token" not in unit_switch(BAR, "")
    assert 'name="_csrf_token" value="w&#34;"' in unit_switch(PSI, 'w"')
