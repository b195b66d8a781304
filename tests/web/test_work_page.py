"""Work in progress in the browser's pages: declared, changed, ended, expired, and what is said meanwhile."""

from __future__ import annotations

import html
import re

import pytest
from asleft.store.actor import Actor
from asleft.store.work import WorkRefused
from asleft.web.presses.view import presses_view
from asleft.web.source import Source
from asleft.web.valve.page import opening
from asleft.web.valve.view import valve_view
from asleft.web.views.valves import during_work
from asleft.web.when import PlantTime
from asleft.web.work import until_of

S = 10**9
HOUR = 3600 * S
V = "press-2.clamp"
HREF = f"/work-in-progress/{V}"
KL = Actor("kl", "10.0.0.7")
MADRID = PlantTime.named("Europe/Madrid")


@pytest.fixture
def working(plant, door):
    """A source whose records say what is declared."""
    return Source(plant, plant, MADRID, lambda: plant.now, door.store.work)


def text_of(answer) -> str:
    text = answer.get_data(as_text=True)
    return html.unescape(text)


def declare(client, doors, **changes):
    page = text_of(client.get(HREF))
    seen = re.search(r'name="seen" value="(\d+)"', page).group(1)
    form = {doors.CSRF: doors.word_in(page), "act": "declare", "seen": seen, "until": "2026-11-24 18:00"}
    return client.post(HREF, data={**form, "why": "coil changed", **changes})


def test_it_is_declared_told_everywhere_and_ends_by_itself(client, doors, plant, door):
    assert "<h1>No work is declared on the clamp pressure of Press 2.</h1>" in text_of(client.get(HREF))
    answer = declare(client, doors, until="2026-11-24 16:20")
    assert (answer.status_code, answer.location) == (303, f"{HREF}?said=declared")
    sentence = "Work in progress until 16:20: coil changed, by technician. Not judged."
    page = text_of(client.get(answer.location))
    assert f"<h1>{sentence}</h1>" in page
    assert "Declared. Nothing is judged from now on, until it ends." in page
    assert 'value="2026-11-24 16:20"' in page
    assert ">End it now: judge again</button>" in page
    alarms = text_of(client.get("/alarms"))
    assert f'<a href="{HREF}">clamp pressure of Press 2</a>: {sentence}' in alarms
    assert door.trail()[-1] == ("technician", "127.0.0.1", "work declared", V, "coil changed")
    plant.now += 18 * 60 * S
    assert "No work is declared" in text_of(client.get(HREF))
    assert sentence not in text_of(client.get("/alarms"))
    assert "expired" in text_of(client.get(HREF))


def test_what_is_said_of_the_valve_while_it_is_worked_on(working, plant, door):
    before = valve_view(working, V)
    assert before.status == "out-of-specification"
    door.store.work.declare(V, plant.now + HOUR, "coil changed.", 0, plant.now, KL)
    (row,) = [row for row in presses_view(working).rows if row.name.id == V]
    sentence = "Work in progress until 17:02: coil changed, by kl. Not judged."
    assert (row.sentence, row.status, row.status_words) == (sentence, "function-check", "function check")
    assert row.state == "work in progress"
    view = valve_view(working, V)
    assert (view.sentence, view.status, view.since, view.state) == (
        sentence,
        "function-check",
        "",
        "work in progress",
    )
    assert view.lines == before.lines  # what was judged before stays
    assert [f.title for f in view.findings] == [f.title for f in before.findings]
    plant.now += HOUR
    assert valve_view(working, V).sentence == before.sentence


def test_a_valve_that_is_worked_on_does_not_count_as_left(working, plant, door):
    before = presses_view(working).headline
    good = next(row.name.id for row in presses_view(working).rows if row.status == "good")
    door.store.work.declare(good, plant.now + HOUR, "filter", 0, plant.now, KL)
    view = presses_view(working)
    assert (before[:4], view.headline[:5]) == ("Thre", "Two o")
    assert view.subline.startswith("Two valves are in set-up or being worked on.")


def test_a_valve_without_a_judgement_says_it_too(working, plant, door):
    plant._valves["press-9.new"] = ("Press 9", "new one")
    plant._judgements["press-9.new"] = None
    door.store.work.declare("press-9.new", plant.now + HOUR, "fitting", 0, plant.now, KL)
    assert valve_view(working, "press-9.new").sentence.startswith("Work in progress until 17:02: fitting")
    assert len(presses_view(working).rows) == 9


def test_evidence_of_danger_is_told_during_work(working, plant, door):
    door.store.work.declare(V, plant.now + HOUR, "coil changed", 0, plant.now, KL)
    work = door.store.work.work_standing(plant.now)[V]
    findings = [
        {"kind": "ramp-up-changed", "evidence": "Slow.", "severity": 3},
        {"kind": "pressure-unwanted", "evidence": "80 bar that nobody asked for.", "severity": 3},
    ]
    shown = during_work(working, {"status": "failure", "findings": findings, "sentence": "x."}, V, work)
    assert shown["status"] == "failure"
    assert shown["sentence"].endswith("Not judged. Even so: 80 bar that nobody asked for.")
    assert [f["kind"] for f in shown["findings"]] == ["pressure-unwanted"]


def test_an_alarm_of_a_valve_that_is_worked_on_says_so(client, desked, plant, door):
    alarm = desked.raise_usual(plant.now)["shift"]
    assert "Work in progress" not in text_of(client.get(f"/alarms/{alarm}"))
    door.store.work.declare(V, plant.now + HOUR, "coil changed", 0, plant.now, KL)
    assert f'<a href="{HREF}">Work in progress until 17:02: coil changed, by kl. Not judged.</a>' in text_of(
        client.get(f"/alarms/{alarm}")
    )


def test_ended_early_it_is_judged_again_and_stays_on_record(client, doors, plant, door):
    declare(client, doors)
    plant.now += 600 * S
    page = text_of(client.get(HREF))
    seen = re.search(r'name="seen" value="(\d+)"', page).group(1)
    form = {doors.CSRF: doors.word_in(page), "act": "end", "seen": seen}
    answer = client.post(HREF, data=form)
    assert (answer.status_code, answer.location) == (303, f"{HREF}?said=ended")
    page = text_of(client.get(answer.location))
    assert "Ended. It is judged from now on." in page
    assert "16:12, ended by technician" in page
    assert [line[2] for line in door.trail()[-2:]] == ["work declared", "work ended"]
    again = client.post(HREF, data={**form, "seen": str(int(seen) + 1)})
    assert again.status_code == 409
    assert "There was nothing to end" in text_of(again)


def test_it_is_changed_by_declaring_anew(client, doors, plant, door):
    declare(client, doors)
    plant.now += 60 * S
    assert declare(client, doors, until="2026-11-25T06:30", why="coil and filter").status_code == 303
    assert "until 25 Nov 06:30: coil and filter, by technician" in text_of(client.get(HREF))
    assert len(door.store.work.work_of(V, 0, plant.now + HOUR)) == 2


def test_two_people_do_not_overwrite_each_other(client, doors, plant, door):
    page = text_of(client.get(HREF))
    door.store.work.declare(V, plant.now + HOUR, "of somebody else", 0, plant.now, KL)
    form = {doors.CSRF: doors.word_in(page), "act": "declare", "seen": "0", "until": "2026-11-24 18:00"}
    answer = client.post(HREF, data={**form, "why": "mine"})
    assert answer.status_code == 409
    page = text_of(answer)
    assert "Somebody was faster" in page
    assert 'value="mine"' in page
    assert "of somebody else, by kl" in page


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"until": "2026-12-01T16:03"}, "lies more than 7 days ahead"),
        ({"until": "2026-11-24T16:02"}, "must lie ahead"),
        ({"until": "this evening"}, "'this evening': wanted is a day and a time, as 2026-11-26T12:10"),
        ({"until": "9999-12-31T23:59"}, "7 days"),
        ({"until": "0001-01-01T00:00"}, "ahead"),
        ({"why": "  "}, "missing; whoever looks at the valve meanwhile must know"),
        ({"why": "x" * 201}, "has 201 characters, at most 200 are kept"),
        ({"act": "paint"}, "is nothing that can be done here"),
    ],
)
def test_what_is_refused_says_why_at_its_field_and_keeps_what_was_typed(client, doors, door, changes, words):
    answer = declare(client, doors, **changes)
    assert answer.status_code == 400
    page = text_of(answer)
    assert words in page
    assert f'value="{changes.get("until", "2026-11-24 18:00")}"' in page
    if "act" not in changes:
        assert 'aria-invalid="true"' in page
    assert door.store.work.work_events() == []


def test_a_form_without_its_number_changes_nothing(client, doors, door):
    assert declare(client, doors, seen="").status_code == 409
    assert declare(client, doors, seen="٣").status_code == 409
    assert door.store.work.work_events() == []


def test_an_unknown_valve_has_no_page(client, doors):
    assert client.get("/work-in-progress/press-99.none").status_code == 404
    form = {doors.CSRF: doors.word_in(text_of(client.get(HREF))), "act": "end", "seen": "0"}
    assert client.post("/work-in-progress/press-99.none", data=form).status_code == 404


def test_a_viewer_sees_it_and_is_told_that_nothing_can_be_entered(app, doors, plant, door):
    door.store.work.declare(V, plant.now + HOUR, "coil changed", 0, plant.now, KL)
    viewer = app.server.test_client()
    doors.sign_in(viewer, "viewer")
    page = text_of(viewer.get(HREF))
    assert "coil changed, by kl" in page
    assert "Your account may look, and change nothing." in page
    assert "<button" not in page.split("<main", 1)[1]
    assert "a raised platen can fall" in page


def test_the_pages_lead_there(plant, desked, door):
    source = Source(plant, desked, MADRID, lambda: plant.now, door.store.work)
    assert f'href="{HREF}"' in opening(valve_view(source, V))


def test_time_not_judged_is_counted(client, plant, monkeypatch):
    judgement = {**plant.judgement(V), "states": {"work-in-progress": 2.0}}
    monkeypatch.setattr(plant, "judgement", lambda _valve: judgement)
    assert "2 h of work in progress were not judged" in text_of(client.get(HREF)).replace("120 min", "2 h")


def test_plant_time_where_clocks_are_put_forward_or_back():
    with pytest.raises(WorkRefused, match="there is no 02:30 on that day in Europe/Madrid"):
        until_of(MADRID, "2026-03-29T02:30")
    assert until_of(MADRID, "2026-03-29T03:30") == 1_774_747_800 * S
    assert until_of(MADRID, "2026-10-25T02:30") == 1_792_888_200 * S  # the first of the two
    assert until_of(MADRID, "2026-11-24T18:00Z") == until_of(MADRID, "2026-11-24T19:00")
