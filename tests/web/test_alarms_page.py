"""The pages of alarms, over a real records store: read, act, be refused in words."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from dataclasses import replace
from urllib.parse import quote

import pytest
from asleft.alarms.events import EventKind
from asleft.alarms.states import fold_all
from asleft.store.accounts import Role
from asleft.store.protocols import StoreUnavailable
from asleft.web.app import create_app
from asleft.web.hrefs import alarm_href
from asleft.web.source import Source
from asleft.web.valve.view import valve_view
from asleft.web.views.alarms import alarms_view
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
    assert '<h1>Five alarms wait for somebody. At once: <span class="held">Press 3</span>, ' in page
    assert ">knock-out</span>, no current although commanded.</h1>" in page
    assert (
        page.index("No current although commanded") < page.index("Ramp up changed") < page.index("Pressure changed")
    )
    assert "Follows from: ramp up changed." in page
    assert "gone since 23 Nov 12:02, not acknowledged" in page
    assert 'href="/alarms" aria-current="page">Alarms 5</a>' in page


def test_without_alarms_it_says_so(client):
    page = text_of(client.get("/alarms"))
    assert "No alarm waits for anybody." in page
    assert "Nobody has said yet what an alarm turned out to be" in page


def test_one_alarm_says_what_since_when_which_part_and_what_to_check(client, alarms):
    page = text_of(client.get(alarm_href(alarms["shift"])))
    for words in (
        "Ramp up changed: the slope of rising current fell from 0.463 to",  # what is measured now
        "When it was raised, 14 Nov 05:02: Ramp up takes 2.10 s, left at 1.60 s.",
        "See to it this shift",
        "Likely the driver's setting.",
        "With the press made safe, compare what is dialled",
        "It can wait for a pause of production",
        "Response changed: Pressure arrives 0.5 s later.",
        "Isolate, lock out, support and bleed first.",
        "spare number or whom to call",
        "Was it changed on purpose?",
    ):
        assert words in html.unescape(page), words
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


# ---------------------------------------------------------------------------------------- getting worse, and gone


def get_worse(desked, plant, alarm: str, severity: int = 2) -> None:
    """The measurement lifts an alarm into a higher class, as the recorder would write it."""
    last = [event for event in desked.alarm_events(alarm.split("/")[0]) if event.alarm == alarm][-1]
    plant.now += 60 * S
    worse = replace(
        last, seq=last.seq + 1, event=EventKind.ESCALATED, at_ns=plant.now, who="judge", comment="",
        severity=severity, part="pressure-source", evidence="Pressure at full is out of tolerance.",
    )  # fmt: skip
    desked.append_alarm_events([worse])


def test_a_drift_that_got_worse_waits_again_in_its_new_class(client, doors, desked, plant, alarms):
    send(client, doors, alarms["digest"], "acknowledged", comment="seen")
    get_worse(desked, plant, alarms["digest"])
    page = text_of(client.get("/alarms"))
    listed = page[page.index("Not acknowledged") : page.index("Past") if "Past" in page else len(page)]
    assert "not acknowledged since it got worse, 16:03" in listed
    assert "Then it was: can wait for the morning." in listed
    page = text_of(client.get(alarm_href(alarms["digest"])))
    for words in ("See to it this shift", "It can wait for a pause of production", ">got worse<", ">raised<"):
        assert words in page, words
    assert "Pressure at full is out of tolerance. See to it this shift." in page  # in the log
    assert 'name="act" value="acknowledged"' in page


def test_a_class_that_has_fallen_keeps_the_alarm_and_says_so(client, desked, plant, alarms):
    get_worse(desked, plant, alarms["digest"])  # the judgement still says 1
    page = text_of(client.get(alarm_href(alarms["digest"])))
    assert "By what is measured now: can wait for the morning. But an alarm keeps the most urgent class" in page


def test_gone_says_what_was_measured_and_that_it_is_not_put_right(client, doors, desked, plant, alarms):
    view = state_of(desked, plant, alarms["shift"])
    words = "Sheet 4 was changed to meet it: ramp up from 1.60 s to 2.10 s. That repaired nothing by itself."
    gone = replace(
        desked.alarm_events("press-2.clamp")[0], alarm=view.alarm, seq=view.last_seq + 1, event=EventKind.RETURNED,
        at_ns=plant.now, comment=words,
    )  # fmt: skip
    desked.append_alarm_events([gone])
    page = text_of(client.get(alarm_href(alarms["shift"])))
    assert "<h1>Gone: ramp up changed.</h1>" in page
    assert f"Gone since 16:02. {words} Gone says only that it is not measured any more" in page
    assert "see to it this shift" not in page.lower().split("who did what")[0], "it hurries nobody"
    send(client, doors, alarms["shift"], "found", found="intended", comment="on purpose")
    page = text_of(client.get(alarm_href(alarms["shift"])))
    assert "Gone says only" not in page
    assert "technician closed it: it was changed on purpose." in page


def test_closing_ends_shelving_and_out_of_service(client, doors, desked, plant, alarms):
    send(client, doors, alarms["shift"], "shelved", hours="8", comment="part is ordered")
    send(client, doors, alarms["shift"], "out-of-service", comment="valve is out")
    send(client, doors, alarms["shift"], "found", found="supply", comment="fuse")
    view = state_of(desked, plant, alarms["shift"])
    assert (view.state.value, view.aside, view.shelved_until_ns) == ("acknowledged", frozenset(), None)


def test_what_was_thought_likely_is_the_first_to_choose(client, alarms):
    page = text_of(client.get(alarm_href(alarms["digest"])))
    offered = re.findall(r'<option value="([^"]*)"', page[page.index('id="found"') :])
    assert offered[:2] == ["valve", "pressure-source"]
    assert re.search(r'<option value="valve" selected', page)


def test_list_valve_page_and_alarm_name_the_same_parts(client, source, alarms):
    words = "Likely the valve, or the pressure source."
    assert words in text_of(client.get("/alarms"))
    assert words in text_of(client.get(alarm_href(alarms["digest"])))
    assert valve_view(source, "press-3.platen").findings[0].parts.startswith(words)


def test_what_has_just_begun_is_listed_and_calls_nobody(client, desked, plant):
    desked.raise_alarm("press-2.platen", "model-misfit", "driver", 1, "It behaves unlike the sheet.", plant.now - S)
    page = text_of(client.get("/alarms"))
    assert "No alarm waits for anybody." in page
    listed = page[page.index("Just begun") :]
    assert "Behaves unlike any setting of the sheet" in listed
    assert "called from 16:12 on, if it lasts until then" in listed


# ------------------------------------------------------------------------------------------ one cause across valves

DATA = "1,200 readings could not be used (20 %): 1,200 failed."
ON_HALL_1 = ("press-1.ejector", "press-1.platen", "press-2.clamp", "press-2.platen")


@pytest.fixture
def failing(desked, plant):
    """Readings of four valves on one agent fail; their verdicts stand."""
    at_ns = plant.now - 3600 * S
    return [
        desked.raise_alarm(valve, "data-missing", "data", 1, DATA, at_ns + k * 30 * S)
        for k, valve in enumerate(ON_HALL_1)
    ]


def test_one_data_path_is_one_alarm_with_the_valves_under_it(client, failing):
    page = text_of(client.get("/alarms"))
    assert 'First: four valves on agent <span class="held">hall-1</span>, data missing.</h1>' in page
    assert 'aria-current="page">Alarms 1</a>' in page
    assert page.count("1,200 readings could not be used (20 %)") == 1, "what is the same of each is said once"
    assert "The verdict on each valve stays; it rests on the readings that did come." in page
    for alarm in failing:
        assert f'href="{alarm_href(alarm)}"' in page


def test_it_is_acknowledged_for_all_of_them_at_once(client, doors, desked, plant, failing, door):
    page = text_of(client.get(alarm_href(failing[0])))
    assert "for all four valves of this alarm" in page
    form = page[page.index('name="act" value="acknowledged"') :].split("</form>")[0]
    members = re.findall(r'name="member" value="([^"]+)"', form)
    form = {
        doors.CSRF: doors.word_in(page), "act": "acknowledged", "seq": "1", "all": "yes", "member": members,
    }  # fmt: skip
    assert client.post(alarm_href(failing[0]), data=form).status_code == 303
    assert {state_of(desked, plant, alarm).state.value for alarm in failing} == {"acknowledged"}
    assert [line[2] for line in door.trail()[-4:]] == ["alarm acknowledged"] * 4


def test_for_one_valve_alone_the_others_stay(client, doors, desked, plant, failing):
    page = text_of(client.get(alarm_href(failing[1])))
    form = {doors.CSRF: doors.word_in(page), "act": "acknowledged", "seq": "1"}
    assert client.post(alarm_href(failing[1]), data=form).status_code == 303
    assert [state_of(desked, plant, alarm).acknowledged for alarm in failing] == [False, True, False, False]


def test_somebody_who_was_faster_with_one_of_them_stops_all(client, doors, desked, plant, failing):
    page = text_of(client.get(alarm_href(failing[0])))
    send(client, doors, failing[2], "acknowledged")
    form = {
        doors.CSRF: doors.word_in(page), "act": "acknowledged", "seq": "1", "all": "yes",
        "member": [f"{alarm} 1" for alarm in failing[1:]],
    }  # fmt: skip
    answer = client.post(alarm_href(failing[0]), data=form)
    assert (answer.status_code, "Somebody was faster" in text_of(answer)) == (409, True)
    assert [state_of(desked, plant, alarm).acknowledged for alarm in failing] == [False, False, True, False]


@pytest.mark.usefixtures("failing")
def test_the_instrument_is_named_where_the_agent_says_so(client, plant):
    row = next(row for row in plant.healths if row.source == "agent/hall-1")
    said = {**row.details, "details": {"failing_on": json.dumps({"plc-1": ON_HALL_1})}}
    plant.healths[plant.healths.index(row)] = replace(row, details=said)
    assert "four valves on instrument plc-1 of agent hall-1" in text_of(client.get("/alarms"))


@pytest.mark.usefixtures("failing")
@pytest.mark.parametrize("said", ["{", "[1]", '{"plc-1": 5}', '{"plc-1": [5, null]}', "[" * 100_000, 7, None])
def test_what_an_agent_says_of_its_instruments_may_be_nonsense(client, plant, said):
    row = next(row for row in plant.healths if row.source == "agent/hall-1")
    plant.healths[plant.healths.index(row)] = replace(row, details={**row.details, "details": {"failing_on": said}})
    assert "four valves on agent hall-1" in text_of(client.get("/alarms"))


@pytest.mark.usefixtures("failing")
def test_alarms_are_listed_while_samples_cannot_be_reached(client, plant):
    def away():
        raise StoreUnavailable("samples are away")

    plant.feeds = away
    page = text_of(client.get("/alarms"))
    assert "Four alarms wait for somebody." in page


def test_the_csv_has_a_row_for_each_valve_and_says_what_they_share(client, failing):
    rows = list(csv.DictReader(io.StringIO(text_of(client.get("/csv/alarms")))))
    assert [row["alarm"] for row in rows] == failing
    assert {row["shared_by"] for row in rows} == {"four valves on agent hall-1"}


def test_a_rise_of_class_is_in_the_csv_with_what_was_said_at_raising(client, desked, plant, alarms):
    get_worse(desked, plant, alarms["digest"])
    rows = {row["alarm"]: row for row in csv.DictReader(io.StringIO(text_of(client.get("/csv/alarms"))))}
    assert set(rows) == set(alarms.values())
    worse = rows[alarms["digest"]]
    assert (worse["class"], worse["class_at_raising"], worse["escalated_plant"][:16]) == (
        "this shift", "morning digest", "2026-11-24T16:03",
    )  # fmt: skip
    assert worse["evidence_at_raising"] == "Pressure at equal current has fallen steadily, current has not."
