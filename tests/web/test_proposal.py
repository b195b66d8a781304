"""Proposals on their page: of a recorded sweep, in the reader's unit, with the way into a revision."""

from __future__ import annotations

import html
import re
from urllib.parse import parse_qs, urlsplit

import pytest
from asleft.store.protocols import SheetRecord
from asleft.web import units
from asleft.web.csv_text import utc
from asleft.web.proposal import wanted_of

S = 10**9
V = "press-1.platen"
BARE = f'[valve]\nid = "{V}"\n[signal]\nkind = "4-20mA"\n[as_left]\nsupply_voltage = 24.0\n'


@pytest.fixture
def swept(plant, hands):
    hand = hands.Hand(plant.now - 1800 * S, [*hands.strokes(), *hands.sweep()])
    plant.hands.setdefault(V, []).append(hand)
    return f"/sheets/{V}/proposal?from={utc(hand.start_ns - 2 * S)}&to={utc(hand.end_ns)}"


def text_of(answer) -> str:
    return html.unescape(answer.get_data(as_text=True))


@pytest.mark.usefixtures("swept")
def test_a_sweep_is_chosen_and_gives_what_was_wanted(client):
    """66 bar rises at 0.4 A; 73 bar falls there; 119 bar rises at 0.6 A: of the fixture's own characteristic."""
    page = text_of(client.get(f"/sheets/{V}/proposal?zero=73&full=119&rate=100"))
    link = re.search(r'href="(/sheets/[^"]+/proposal\?from=[^"]+)"[^>]*>Sweep at', page).group(1)
    assert "zero=73&full=119&rate=100" in link
    page = text_of(client.get(link))
    assert ", shown above" in page
    assert 'value="119"' in page
    for words in (
        "wanted at zero: 73.0 bar",
        "wanted at full: 119.0 bar",
        "The technician decides",
        "stored in lines",
    ):
        assert words in page, words
    into = urlsplit(re.search(r'href="([^"]+)"[^>]*>Take these into a revision', page).group(1))
    values = {k: v[0] for k, v in parse_qs(into.query).items()}
    assert into.path == f"/sheets/{V}/revise"
    assert float(values["current_at_zero"]) == pytest.approx(0.4, abs=0.01)
    assert float(values["current_at_full"]) == pytest.approx(0.6, abs=0.01)
    assert float(values["ramp_up"]) == pytest.approx(265.0 * 0.2 / 100.0, rel=0.1)
    assert values["why"].startswith("proposed from the sweep of ")
    form = text_of(client.get(f"{into.path}?{into.query}"))
    assert f'value="{float(values["current_at_full"]):.3f}"' in form  # with the digits that currents are shown with
    assert "proposed from the sweep of " in form


def test_the_readers_unit_counts(client, swept):
    bar = text_of(client.get(f"{swept}&full=119"))
    client.set_cookie(units.COOKIE, "MPa")
    mega = text_of(client.get(f"{swept}&full=11.9"))
    value = [re.search(r"Proposed: ([0-9.]+) A at full", page).group(1) for page in (bar, mega)]
    assert value[0] == value[1]
    assert "Pressure at full command, MPa" in mega
    assert "wanted at full: 11.90 MPa" in mega


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("zero=much", "'much' is no number, as 100"),
        ("full=1001", "1001 bar: wanted is 0 to 1000 bar"),
        ("zero=-1", "-1 bar: wanted is 0 to 1000 bar"),
        ("rate=0", "0 bar per second: wanted is above 0 to 1000 bar per second"),
        ("full=nan", "'nan' is no number"),
        ("zero=120&full=60", "it must be higher than the pressure at zero command"),
    ],
)
def test_faults_stand_at_their_fields(client, swept, given, words):
    answer = client.get(f"{swept}&{given}")
    assert answer.status_code == 400
    page = text_of(answer)
    last = given.split("&")[-1].split("=")[0]
    assert re.search(rf'id="{last}-fault" class="wrong">{re.escape(words)}', page), words
    assert given.split("=")[-1] in page  # what was typed is still there


def test_limits_are_those_of_bar_in_every_unit():
    for unit in units.CHOICES:
        shown = units.chosen(unit)
        assert wanted_of({"full": f"{shown.pressure(1000.0):.6g}"}, shown)[1] == {}
        assert "full" in wanted_of({"full": f"{shown.pressure(1001.0):.6g}"}, shown)[1]
    assert wanted_of({"full": "119,5"}, units.BAR)[0].full_bar == 119.5


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("?from=monday&to=x", 400, "from = 'monday': wanted is a time"),
        ("?from=2026-11-24T12:00:00Z", 400, "to = ''"),
        ("?from=2026-11-24T12:00:00Z&to=2026-11-24T11:00:00Z", 400, "from must lie before to."),
        ("?from=2026-11-24T01:00:00Z&to=2026-11-24T11:00:00Z", 400, "10.0 hours; a verification takes 2 at most"),
        ("?plant_from=soon&plant_to=x", 400, "plant_from = 'soon'"),
        ("", 200, "No sweep 0-100-0 % from"),
    ],
)
def test_poor_addresses_are_answered_in_words(client, query, status, words):
    answer = client.get(f"/sheets/{V}/proposal{query}")
    assert answer.status_code == status
    assert words in text_of(answer)


def test_production_proposes_nothing(client, plant):
    query = f"?from={utc(plant.now - 300 * S)}&to={utc(plant.now)}&full=100"
    page = text_of(client.get(f"/sheets/{V}/proposal{query}"))
    assert "There is no sweep 0-100-0 % in this stretch" in page
    assert "Take these" not in page


def test_a_stretch_is_taken_by_the_plants_clock(client):
    query = "plant_from=2026-11-24T12:00&plant_to=2026-11-24T12:05&do=take&full=119"
    answer = client.get(f"/sheets/{V}/proposal?{query}")
    to = f"/sheets/{V}/proposal?from=2026-11-24T11:00:00.000Z&to=2026-11-24T11:05:00.000Z&full=119"
    assert (answer.status_code, answer.location) == (303, to)


def test_links_lead_to_it_and_a_viewer_takes_nothing(app, client, swept, doors):
    assert f'href="/sheets/{V}/proposal"' in text_of(client.get(f"/sheets/{V}"))
    stretch = swept.split("?")[1]
    assert f'/sheets/{V}/proposal?{stretch}"' in text_of(client.get(f"/verification/{V}?{stretch}"))
    looking = app.server.test_client()
    doors.sign_in(looking, "viewer")
    page = text_of(looking.get(f"{swept}&full=119"))
    assert "Proposed: " in page
    assert "Take these" not in page
    assert "Your account may look, and change nothing." in page


def test_without_a_sheet_it_says_what_is_needed(client, desked, monkeypatch):
    assert client.get("/sheets/no.such/proposal").status_code == 404
    monkeypatch.setattr(desked, "effective_sheet", lambda *_: None)
    page = text_of(client.get(f"/sheets/{V}/proposal"))
    assert "This valve has no sheet. Proposals need one with its id, its command signal and any one setting" in page
    assert f'<a href="/sheets/{V}/revise">Make its sheet</a>' in page


def test_the_barest_sheet_will_do(client, desked, swept, monkeypatch):
    """The supply alone is as left: nothing to grade the sweep by, but its branches are there."""
    whole = text_of(client.get(f"{swept}&zero=73&full=119&rate=100"))
    record = SheetRecord(V, 1, 0, "kl", "", BARE, 0)
    monkeypatch.setattr(desked, "effective_sheet", lambda *_: record)
    page = text_of(client.get(f"{swept}&zero=73&full=119&rate=100"))
    sentence = re.search(r"<h1>(Proposed: [^<]+)</h1>", page).group(1)
    assert [float(x) for x in re.findall(r"[0-9]+\.[0-9]+", sentence)] == pytest.approx(
        [float(x) for x in re.findall(r"[0-9]+\.[0-9]+", re.search(r"<h1>([^<]+)</h1>", whole).group(1))], rel=0.01
    )
    assert "the press-1.platen" in text_of(client.get(f"/sheets/{V}/proposal"))  # it has no other name now
    assert "Needs coil resistance, hottest winding and lowest supply in the sheet" in page
