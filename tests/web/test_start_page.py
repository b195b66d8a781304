"""The first-run guide: its examples are right, and it shows how far this plant has come."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from asleft.edge.config import parse_config
from asleft.store.protocols import Health
from asleft.web import start as words_start
from asleft.web.app import create_app
from asleft.web.source import Source
from asleft.web.start import start_view
from asleft.web.when import PlantTime

S = 10**9
UTC = PlantTime.named("UTC")


@pytest.fixture
def bare(plants):
    return plants.Plant(1_795_532_527 * S, empty=True)


def view_of(plant, *, accounts=False):
    return start_view(Source(plant, plant, UTC, lambda: plant.now), accounts=accounts)


def done(view):
    return [step.key for step in view.steps if step.done]


def text_of(answer) -> str:
    return html.unescape(answer.get_data(as_text=True))


@pytest.mark.parametrize(("text", "channels"), [(words_start.MODBUS_TOML, 4), (words_start.CSV_TOML, 3)])
def test_the_examples_are_what_the_agent_reads(text, channels):
    config = parse_config(text, "agent.toml", Path())
    assert config.valves == ("press-1.platen",)
    assert text.count("name = ") - ('name = "press-1"' in text) == channels


def test_nothing_yet(bare, monkeypatch):
    monkeypatch.setattr(bare, "health", list)
    view = view_of(bare)
    assert view.headline == "Nothing is set up yet. Five steps lead to the first judged valve."
    assert done(view) == []
    assert view.step("recorder").seen == "No recorder has ever reported to this store."
    assert view.step("agent").seen == "Nothing has arrived yet."
    assert view.step("sheet").seen.startswith("No sheet is filed.")
    assert view.waiting == []


def test_the_recorder_works_and_nothing_has_arrived(bare):
    bare.put_health(Health("recorder", bare.now))
    view = view_of(bare, accounts=True)
    assert done(view) == ["accounts", "recorder"]
    assert view.headline == "Three of five steps are left. Next: connect an agent to the instrument."


def test_an_agent_whose_valves_nobody_has_bound_is_told_with_the_command(bare):
    words = "agent hall-3 sends valve press-3.platen: asleft agents bind hall-3 press-3.platen"
    bare.put_health(Health("recorder", bare.now, {"refused": [{"agent": "hall-3", "words": words}]}))
    step = view_of(bare).step("agent")
    assert not step.done
    assert step.seen == f"Blocks arrive and are not stored: {words}."


def test_a_recorder_that_fell_silent_is_no_working_one(plant):
    plant.silent = True
    plant.now += 3600 * S
    step = view_of(plant).step("recorder")
    assert not step.done
    assert "has been silent for 60 min: start it again" in step.seen


def test_valves_that_send_without_a_sheet_lead_to_their_first(plant, monkeypatch):
    monkeypatch.setattr(plant, "sheet_valves", list)
    monkeypatch.setattr(plant, "valves", lambda: ["press-1.ejector"])
    view = view_of(plant)
    assert done(view) == ["recorder", "agent"]
    assert [one.href for one in view.waiting] == ["/sheets/press-1.ejector/revise"]
    assert view.waiting[0].words.startswith("sends data since ")
    assert view.step("sheet").seen == "No sheet is filed; one valve sends and has none: stored, not judged."
    assert "hall-1, hall-2" in view.step("agent").seen


def test_everything_is_done_in_a_plant_at_work(plant):
    view = view_of(plant, accounts=True)
    assert view.headline == "Everything is set up: valves send, have sheets and are judged."
    assert done(view) == ["accounts", "recorder", "agent", "sheet", "judged"]
    assert view.step("judged").seen == "Eight valves are judged."


def test_a_sheet_but_nothing_judged_yet(plant, monkeypatch):
    monkeypatch.setattr(plant, "judgement", lambda _valve: None)
    view = view_of(plant, accounts=True)
    assert done(view)[-1] == "sheet"
    assert view.headline == "One of five steps is left. Next: read the first sentence."


def test_the_page_folds_what_is_done_and_shows_what_is_not(bare, door):
    bare.put_health(Health("recorder", bare.now))
    app = create_app(bare, bare, door.access, clock_ns=lambda: bare.now)
    page = text_of(app.server.test_client().get("/start"))
    steps = re.findall(r'<li class="(\w+)" id="step-(\w+)"', page)
    assert steps == [
        ("open", "accounts"),
        ("done", "recorder"),
        ("open", "agent"),
        ("open", "sheet"),
        ("open", "judged"),
    ]
    assert 'family = "modbus-tcp"' in page
    assert 'family = "csv-replay"' in page
    assert "asleft users add NAME --role administrator --data DIR" in page
    assert "never in a safety circuit" in page
    assert 'id="steps" data-renew' in page


def test_the_page_knows_of_accounts(plant, door, doors):
    door.add_one_of_each()
    app = create_app(plant, plant, door.access, clock_ns=lambda: plant.now)
    client = app.server.test_client()
    assert client.get("/start").status_code == 303
    doors.sign_in(client, "viewer")
    page = text_of(client.get("/start"))
    assert "<h1>Everything is set up" in page
    assert "There are accounts" in page
    assert "Your account may look, and change nothing." in page
    assert "/sheets/new" not in page


def test_who_may_enter_is_led_to_each_valve_that_waits(client, plant):
    plant._valves["press-9.new"] = ("Press 9", "new one")
    page = text_of(client.get("/start"))
    assert '<a href="/sheets/press-9.new/revise">File the first sheet of press-9.new</a> – sends data since' in page
    assert 'href="/sheets/new"' in page


def test_an_empty_list_of_presses_leads_there(bare):
    from asleft.web.presses.page import opening
    from asleft.web.presses.view import presses_view

    assert 'href="/start"' in opening(presses_view(Source(bare, bare, UTC, lambda: bare.now)))


@pytest.fixture
def client(plant, desks, door, doors, tmp_path):
    desked = desks.Desked(plant, door, tmp_path / "door")
    door.add_one_of_each()
    made = create_app(plant, desked, door.access, clock_ns=lambda: plant.now).server.test_client()
    doors.sign_in(made, "technician")
    yield made
    desked.close()


def test_a_first_sheet_begins_with_the_valve_it_is_for(client, plant):
    page = text_of(client.get("/sheets/new"))
    assert "Of which valve is the first sheet?" in page
    assert "Valves that send and have no sheet" not in page
    plant._valves["press-9.new"] = ("Press 9", "new one")
    assert 'href="/sheets/press-9.new/revise"' in text_of(client.get("/sheets/new"))
    answer = client.get("/sheets/new?valve=press-12.lift")
    assert (answer.status_code, answer.location) == (303, "/sheets/press-12.lift/revise")
    answer = client.get("/sheets/new?valve=press-2.clamp")
    assert (answer.status_code, answer.location) == (303, "/sheets/press-2.clamp")


@pytest.mark.parametrize("valve", ["Press 1", "x" * 65, "<b>", "../login"])
def test_what_is_no_valve_id_is_said_at_its_field(client, valve):
    answer = client.get("/sheets/new", query_string={"valve": valve})
    assert answer.status_code == 400
    page = text_of(answer)
    assert "must be of a-z, 0-9, - and dots" in page
    assert 'aria-invalid="true"' in page
    assert "<b>" not in answer.get_data(as_text=True).split("<main", 1)[1]
