"""The pages of alarms, over a real records store: read, act, be refused in words."""

from __future__ import annotations

import re
from urllib.parse import quote

import pytest
from asleft.alarms.states import fold_all
from asleft.store.accounts import Role
from asleft.web.app import create_app
from asleft.web.source import Source
from asleft.web.views.alarms import alarm_href, alarms_view
from asleft.web.when import PlantTime

S = 10**9


@pytest.fixture
def alarms(desked, plant):
    return desked.raise_usual(plant.now)


def text_of(answer) -> str:
    return answer.get_data(as_text=True)


def send(client, doors, alarm: str, act: str, **fields):
    """Fill in the form of an act as the page gives it."""
    page = text_of(client.get(alarm_href(alarm)))
    seq = re.search(r'name="seq" value="(\d+)"', page)
    form = {doors.CSRF: doors.word_in(page), "act": act, "seq": seq.group(1), **fields}
    return client.post(alarm_href(alarm), data=form)


def state_of(desked, plant, alarm: str):
    (view,) = [v for v in fold_all(desked.alarm_events(alarm.split("/")[0]), plant.now) if v.alarm == alarm]
    return view


@pytest.mark.usefixtures("alarms")
def test_the_page_opens_with_what_hurries_most(client):
    page = text_of(client.get("/alarms"))
    assert (
        "<h1>Five alarms wait for somebody. At once: Press 3, knock-out, no current although commanded.</h1>" in page
    )
    assert (
        page.index("No current although commanded") < page.index("Ramp up changed") < page.index("Pressure changed")
    )
    assert "Follows from: ramp up changed." in page
    assert "gone by itself, not acknowledged" in page
    assert 'href="/alarms" aria-current="page">Alarms 5</a>' in page


def test_without_alarms_it_says_so(client):
    page = text_of(client.get("/alarms"))
    assert "No alarm waits for anybody." in page
    assert "Nobody has said yet what an alarm turned out to be" in page


def test_one_alarm_says_what_since_when_which_part_and_what_to_check(client, alarms):
    page = text_of(client.get(alarm_href(alarms["shift"])))
    for words in (
        "Ramp up changed: Ramp up takes 2.10 s, left at 1.60 s.",
        "Likely the driver&#x27;s setting.",
        "With the press made safe, compare what is dialled",
        "It can wait for a pause of production",
        "Response changed: Pressure arrives 0.5 s later.",
        "Isolate, lock out, support and bleed first.",
        "spare number or whom to call",
        "Was it changed on purpose?",
    ):
        assert words in page or words.replace("&#x27;", "'") in page, words
    assert re.search(r"/sheets/press-2\.clamp/revise\?ramp_up=2\.\d+&amp;why=ramp\+up\+changed", page)


def test_acknowledging_leaves_name_comment_and_trail(client, doors, desked, plant, alarms, door):
    answer = send(client, doors, alarms["now"], "acknowledged", comment="on  my way")
    assert (answer.status_code, answer.location) == (303, f"{alarm_href(alarms['now'])}?said=acknowledged")
    view = state_of(desked, plant, alarms["now"])
    assert (view.state.value, view.acknowledged_by) == ("acknowledged", "technician")
    page = text_of(client.get(answer.location))
    assert 'role="status">Acknowledged.</p>' in page
    assert "on my way" in page
    assert door.trail()[-1] == ("technician", "127.0.0.1", "alarm acknowledged", alarms["now"], "on my way")
    plant.now += 10 * S
    assert ">Alarms 4</a>" in text_of(client.get("/alarms"))


def test_shelving_ends_by_itself(client, doors, desked, plant, alarms):
    assert send(client, doors, alarms["shift"], "shelved", hours="2", comment="part is ordered").status_code == 303
    assert state_of(desked, plant, alarms["shift"]).state.value == "shelved"
    assert "Set aside (1)" in text_of(client.get("/alarms"))
    plant.now += 2 * 3600 * S
    assert state_of(desked, plant, alarms["shift"]).state.value == "unacknowledged"


def test_out_of_service_and_back(client, doors, desked, plant, alarms):
    send(client, doors, alarms["digest"], "out-of-service", comment="valve is taken out")
    assert state_of(desked, plant, alarms["digest"]).state.value == "out-of-service"
    send(client, doors, alarms["digest"], "in-service")
    assert state_of(desked, plant, alarms["digest"]).state.value == "unacknowledged"


def test_closing_moves_the_hit_rate(client, doors, desked, plant, alarms):
    assert send(client, doors, alarms["gone"], "found", found="supply", comment="fuse loose").status_code == 303
    view = state_of(desked, plant, alarms["gone"])
    assert (view.state.value, view.found) == ("normal", "supply")
    page = text_of(client.get("/alarms"))
    assert "right one in 1 of 1 case" in page
    assert "Past (1)" in page
    assert "it was the supply" in page


def test_spare_and_contact_are_kept_for_the_valve_or_for_all(client, doors, alarms):
    send(client, doors, alarms["digest"], "contact", spare="V-4711", contact="workshop, 3300", scope="part")
    assert "V-4711" in text_of(client.get(alarm_href(alarms["digest"])))
    answer = send(client, doors, alarms["digest"], "contact", spare="x" * 201, contact="", scope="valve")
    assert (answer.status_code, "at most 200 are kept" in text_of(answer)) == (400, True)


@pytest.mark.parametrize(
    ("act", "fields", "words"),
    [
        ("shelved", {"hours": "8"}, "say why"),
        ("shelved", {"hours": "-1", "comment": "x"}, "no number of hours"),
        ("shelved", {"hours": "9999", "comment": "x"}, "at most 14 days"),
        ("found", {"found": "gremlins"}, "nothing that can be found"),
        ("returned", {}, "for the measurement to say"),
        ("forgotten", {}, "nothing that can be done"),
        ("unshelved", {}, "not shelved"),
    ],
)
def test_what_cannot_be_done_is_told_and_changes_nothing(client, doors, desked, alarms, act, fields, words):
    before = desked.alarm_events()
    answer = send(client, doors, alarms["shift"], act, **fields)
    assert answer.status_code == 400
    assert words in text_of(answer)
    assert 'role="alert"' in text_of(answer)
    assert desked.alarm_events() == before


def test_who_was_slower_is_told(client, doors, app, desked, alarms):
    page = text_of(client.get(alarm_href(alarms["shift"])))
    other = app.server.test_client()
    doors.sign_in(other, "administrator")
    assert send(other, doors, alarms["shift"], "acknowledged").status_code == 303
    form = {doors.CSRF: doors.word_in(page), "act": "acknowledged", "seq": "1"}
    answer = client.post(alarm_href(alarms["shift"]), data=form)
    assert answer.status_code == 409
    assert "Somebody was faster" in text_of(answer)
    assert len([e for e in desked.alarm_events("press-2.clamp") if e.alarm == alarms["shift"]]) == 2


def test_a_viewer_sees_no_form_and_may_not_post(app, doors, alarms, desked):
    viewer = app.server.test_client()
    doors.sign_in(viewer, "viewer")
    page = text_of(viewer.get(alarm_href(alarms["shift"])))
    assert "Your account may look, and change nothing." in page
    assert 'name="act"' not in page
    form = {doors.CSRF: doors.word_in(page), "act": "acknowledged", "seq": "1"}
    assert viewer.post(alarm_href(alarms["shift"]), data=form).status_code == 403
    assert len(desked.alarm_events()) == 6


def test_without_the_pages_word_nothing_is_done(client, alarms, desked):
    form = {"act": "acknowledged", "seq": "1"}
    assert client.post(alarm_href(alarms["shift"]), data=form).status_code == 403
    assert len(desked.alarm_events()) == 6


def test_without_accounts_the_page_says_why_nothing_can_be_entered(plant, desked, door, alarms):
    open_app = create_app(plant, desked, door.access, clock_ns=lambda: plant.now)
    page = text_of(open_app.server.test_client().get(alarm_href(alarms["shift"])))
    assert "There are no accounts yet" in page


@pytest.mark.usefixtures("alarms")
def test_an_alarm_that_is_not_there(client):
    for alarm in ("press-2.clamp/ramp-up-changed/1", "nothing", "a/b/c/d"):
        answer = client.get(f"/alarms/{quote(alarm)}")
        assert answer.status_code == 404
        assert "There is no alarm of that name." in text_of(answer)


def test_what_stands_in_a_comment_is_text(client, doors, alarms):
    send(client, doors, alarms["now"], "acknowledged", comment="<script>alert(1)</script>")
    page = text_of(client.get(alarm_href(alarms["now"])))
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_short_one_of_the_shift_is_in_no_list(desked, plant):
    desked.raise_alarm("press-2.clamp", "ramp-up-changed", "driver-setting", 2, "Slow.", plant.now - 30 * S)
    source = Source(plant, desked, PlantTime.named("Europe/Madrid"), lambda: plant.now)
    assert alarms_view(source).waiting == []
    assert source.waiting_alarms() == 0
    plant.now += 40 * S
    assert len(alarms_view(source).waiting) == 1
    assert source.waiting_alarms() == 1


@pytest.mark.usefixtures("alarms")
def test_every_role_may_look(app, doors):
    for role in Role:
        someone = app.server.test_client()
        doors.sign_in(someone, role.value)
        assert someone.get("/alarms").status_code == 200


@pytest.mark.parametrize(
    "path", ["/alarms/press-2.clamp/ramp-up-changed/1", "/sheets/x/revise?why=a", "/report/x.pdf"]
)
def test_a_link_from_a_letter_leads_through_the_door_and_back(app, path):
    answer = app.server.test_client().get(path)
    assert (answer.status_code, answer.location) == (303, f"/login?next={quote(path, safe='')}")
