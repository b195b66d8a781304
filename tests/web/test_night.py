"""The night at a glance: what changed in which order, what people did, what was not watched; as page and table."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import datetime, time
from io import StringIO
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from asleft.alarms.events import EventKind
from asleft.judge.types import State, StateInterval
from asleft.store.actor import Actor
from asleft.web.evidence.scene import Text
from asleft.web.night.routes import ON_PAPER, USUAL, contents, shifts_in, since_last_shift
from asleft.web.night.view import MOST_LINES, Happened, drawing_of, night_view
from asleft.web.source import Source
from asleft.web.when import BadStretch, PlantTime, Stretch

S = 10**9
MINUTE, HOUR = 60 * S, 3600 * S
MADRID = ZoneInfo("Europe/Madrid")


def local(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=MADRID).timestamp()) * S


@pytest.fixture
def night(plant, desked, door):
    """From 22:00 to 06:00 with one of everything; the source, the door's store, the stretch."""
    from_ns, to_ns = local("2026-11-24T22:00"), local("2026-11-25T06:00")
    plant.now = to_ns
    plant.intervals = lambda _valve, a, b: [StateInterval(State.PRODUCING, (a - HOUR) / S, (b + HOUR) / S, "")]
    desked.raise_alarm("press-3.platen", "pressure-changed", "valve", 1, "It falls.", from_ns - 50 * HOUR)
    lost = desked.raise_alarm(
        "press-3.knock-out", "current-lost", "coil-wiring", 3, "None flows.", from_ns + 4 * HOUR,
        gone_ns=from_ns + 5 * HOUR,
    )  # fmt: skip
    ramp = desked.raise_alarm("press-2.clamp", "ramp-up-changed", "driver-setting", 2, "2.10 s.", from_ns + 3 * HOUR)
    desked.raise_alarm("press-2.clamp", "response-changed", "driver-setting", 1, "Later.", from_ns + 3 * HOUR + S)
    (raised,) = [one for one in desked.alarm_events("press-3.knock-out") if one.event is EventKind.RAISED]
    desked.append_alarm_events(
        [replace(raised, seq=3, event=EventKind.ACKNOWLEDGED, who="kl", at_ns=from_ns + 6 * HOUR, comment="seen")]
    )
    door.store.work.declare(
        "press-4.platen", from_ns + 2 * HOUR, "ramp being tuned", 0, from_ns + HOUR, Actor("mw", "")
    )
    door.store.verifications.put("press-1.platen", from_ns + 7 * HOUR, 3, "{}", Actor("rk", ""), accepted=True)
    source = Source(plant, desked, PlantTime(MADRID), lambda: plant.now, door.store.work)
    return source, door.store, Stretch(from_ns, to_ns), {"lost": lost, "ramp": ramp}


def test_everything_stands_in_its_order(night):
    source, store, stretch, _ = night
    view = night_view(source, store.verifications, stretch)
    told = [(one.what, one.valve, source.time.moment(one.at_ns, stretch.to_ns)) for one in view.entries]
    assert told == [
        (Happened.CHANGED, "press-3.platen", "24 Nov 22:00"),  # stood already: it begins with the night
        (Happened.WORKED, "press-4.platen", "24 Nov 23:00"),
        (Happened.CHANGED, "press-2.clamp", "01:00"),
        (Happened.CHANGED, "press-2.clamp", "01:00"),
        (Happened.CHANGED, "press-3.knock-out", "02:00"),
        (Happened.GONE, "press-3.knock-out", "03:00"),
        (Happened.SAID, "press-3.knock-out", "04:00"),
        (Happened.RECORDED, "press-1.platen", "05:00"),
    ]
    ramp, response = view.entries[2:4]
    assert (ramp.short, ramp.follows, response.follows) == ("ramp up changed", "", "follows from ramp up changed")
    assert view.entries[0].there_before
    assert view.entries[6].words == "no current although commanded acknowledged (“seen”)"
    assert [line.name.id for line in view.lines] == [  # the gravest first, what only stood already after what began
        "press-3.knock-out", "press-2.clamp", "press-3.platen", "press-4.platen", "press-1.platen",
    ]  # fmt: skip
    first = "First: clamp pressure of Press 2, ramp up changed, 01:00."
    assert view.headline == f"Three things changed since 24 Nov 22:00 on two valves. {first}"
    assert (
        "One stood already. Three are still there. People did three things. Every valve was watched" in view.subline
    )
    assert view.quiet == "Of three other valves there is nothing to tell."


def test_what_was_not_watched_is_part_of_it(night, plant):
    source, store, stretch, _ = night
    whole = StateInterval(State.PRODUCING, stretch.from_ns / S, stretch.to_ns / S, "")
    hole = [
        StateInterval(State.PRODUCING, stretch.from_ns / S, (stretch.from_ns + HOUR) / S, ""),
        StateInterval(State.STOPPED, (stretch.from_ns + HOUR + 200 * S) / S, (stretch.from_ns + 2 * HOUR) / S, ""),
        StateInterval(State.PRODUCING, (stretch.from_ns + 3 * HOUR) / S, stretch.to_ns / S, ""),
    ]
    plant.intervals = lambda valve, *_: hole if valve == "press-1.ejector" else [whole]
    view = night_view(source, store.verifications, stretch)
    (blind,) = [one for one in view.entries if one.what is Happened.UNWATCHED]
    assert (blind.valve, blind.at_ns, blind.until_ns) == (
        "press-1.ejector", stretch.from_ns + 2 * HOUR, stretch.from_ns + 3 * HOUR,
    )  # fmt: skip
    assert "not watched for 60 min" in blind.words
    assert "One valve was not watched all the time." in view.subline


def test_what_was_not_watched_on_many_valves_alike_is_told_once(night, plant):
    source, store, stretch, _ = night
    later = [StateInterval(State.PRODUCING, (stretch.from_ns + HOUR) / S, stretch.to_ns / S, "")]
    plant.intervals = lambda _valve, *_: later
    view = night_view(source, store.verifications, stretch)
    blind = [one for one in view.entries if one.what is Happened.UNWATCHED]
    assert len(blind) == 8
    text = contents(source, view)
    assert text.count("not watched for 60 min") == 1
    assert ">eight valves</a>" in text
    assert text.count("<tr class=") == len(view.entries) - 7


def test_what_stood_already_and_got_worse_is_a_change_of_this_night(night, desked):
    source, store, stretch, _ = night
    (raised,) = desked.alarm_events("press-3.platen")
    at = stretch.from_ns + 5 * HOUR
    desked.append_alarm_events(
        [replace(raised, seq=2, event=EventKind.ESCALATED, at_ns=at, severity=2, evidence="It is out now.")]
    )
    view = night_view(source, store.verifications, stretch)
    worse = [one for one in view.entries if one.valve == "press-3.platen"]
    assert [(one.there_before, one.severity, one.words) for one in worse] == [
        (True, 2, "Pressure changed: It is out now. Likely the valve."),
        (False, 2, "Pressure changed got worse: It is out now."),
    ]
    assert "Three are still there." in view.subline  # it is there once


def test_a_revision_is_told_by_when_it_came_in_force(night, desked):
    source, store, stretch, _ = night
    record = desked.sheets("press-1.ejector")[-1]
    at = stretch.from_ns + 30 * MINUTE
    toml = record.toml.replace("number = 3", "number = 4")
    desked.put_sheet(replace(record, number=4, at_ns=at, by="mw", why="coil changed", toml=toml, entered_at_ns=at))
    view = night_view(source, store.verifications, stretch)
    (one,) = [one for one in view.entries if one.what is Happened.REVISED]
    assert (one.valve, one.at_ns, one.who, one.words) == (
        "press-1.ejector",
        at,
        "mw",
        "sheet 4 in force: coil changed",
    )


def test_a_night_in_which_nothing_happened_says_so(source, plant, door):
    plant.intervals = lambda _valve, a, b: [StateInterval(State.PRODUCING, a / S, b / S, "")]
    view = night_view(source, door.store.verifications, Stretch(plant.now - HOUR, plant.now))
    assert view.headline.startswith("Nothing changed since ")
    assert view.lines == []
    assert view.quiet == "Of no valve there is anything to tell."
    assert "<figure" not in contents(source, view)


def test_what_was_not_watched_is_not_said_to_be_unchanged(source, plant, door):
    stretch = Stretch(plant.now - HOUR, plant.now)
    plant.intervals = lambda *_: []
    view = night_view(source, door.store.verifications, stretch)
    assert view.headline.startswith("Nothing was watched since ")
    assert view.headline.endswith(": whether anything changed is not known.")
    plant.now += 60 * S  # the page is kept for some seconds
    half = [StateInterval(State.PRODUCING, stretch.from_ns / S, (stretch.from_ns + HOUR / 2) / S, "")]
    plant.intervals = lambda *_: half
    view = night_view(source, door.store.verifications, stretch)
    assert view.headline.startswith("Nothing was seen to change since ")
    assert view.headline.endswith("; not all of the time was watched.")


def test_shifts_are_counted_by_the_plants_clock():
    time_of = PlantTime(MADRID)
    for now, began in (
        ("2026-11-25T08:00", "2026-11-25T06:00"),
        ("2026-11-25T06:10", "2026-11-24T22:00"),  # the shift has only just begun
        ("2026-11-25T05:00", "2026-11-24T22:00"),
        ("2026-10-25T04:30", "2026-10-24T22:00"),  # clocks were put back at three
    ):
        stretch = since_last_shift(time_of, local(now), USUAL)
        assert (stretch.from_ns, stretch.to_ns) == (local(began), local(now)), now
    assert shifts_in("05:30, 17:30") == (time(5, 30), time(17, 30))
    assert shifts_in(None) == USUAL
    for bad in ("", "25", "six", "06,14,", "06:00+01:00"):
        with pytest.raises(BadStretch, match="wanted are times of the day"):
            shifts_in(bad)


def test_the_page_is_whole_in_its_first_answer(client, desked, plant):
    alarm = desked.raise_alarm(
        "press-2.clamp", "ramp-up-changed", "driver-setting", 2, "2.10 s.", plant.now - 2 * HOUR
    )
    text = client.get("/night").get_data(as_text=True)
    assert "<h1>One thing changed since 14:00. Clamp pressure of " in text
    assert ">Press 2</span>, ramp up changed, 14:02.</h1>" in text
    assert f'href="/alarms/{alarm}"' in text
    assert 'class="picture"' in text
    assert re.search(r'<a href="/night" aria-current="page">Night</a>', text)
    other = client.get("/night?shifts=03,13:30").get_data(as_text=True)
    assert "One thing changed since 13:30." in other


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("shifts=25", "wanted are times of the day"),
        ("from=x", "wanted is a time as"),
        ("from=2026-11-24T10:00:00Z&amp;to=2026-11-24T09:00:00Z".replace("&amp;", "&"), "from must lie before to"),
        ("from=2026-01-01T00:00:00Z", "days; at most 14 are given"),
        ("plant_from=2026-11-30T10:00", "from must lie before to, and before now"),
        ("plant_from=x", "wanted is a day and a time"),
    ],
)
def test_a_stretch_that_is_none_is_told(client, query, words):
    answer = client.get(f"/night?{query}")
    assert answer.status_code == 400
    assert words in answer.get_data(as_text=True)
    assert client.get(f"/csv/night?{query}").status_code == 400


def test_the_same_as_a_table(client, desked, plant):
    desked.raise_alarm("press-2.clamp", "ramp-up-changed", "driver-setting", 2, "2.10 s.", plant.now - 2 * HOUR)
    answer = client.get("/csv/night")
    assert answer.headers["Content-Disposition"].startswith('attachment; filename="asleft-night-')
    rows = list(csv.DictReader(StringIO(answer.get_data(as_text=True))))
    (row,) = [row for row in rows if row["what"] == "changed"]
    assert (row["valve"], row["severity"], row["there_before"]) == ("press-2.clamp", "2", "no")
    assert row["at_plant"].endswith("+01:00")


def test_only_the_gravest_valves_are_drawn_and_all_are_listed(plants, desks, door, tmp_path):
    plant = plants.Plant(1_795_532_527 * S, many=40)
    made = desks.Desked(plant, door, tmp_path / "many")
    try:
        for valve in plant.valves():
            made.raise_alarm(valve, "ramp-up-changed", "driver-setting", 2, "<b>2.10 s.", plant.now - HOUR)
        source = Source(plant, made, PlantTime(MADRID), lambda: plant.now)
        view = night_view(source, door.store.verifications, Stretch(plant.now - 2 * HOUR, plant.now))
        names = [one for one in drawing_of(source, view).pieces if isinstance(one, Text) and one.bold]
        assert len(names) == MOST_LINES
        text = contents(source, view)
        assert text.count("<tr class=") == len(view.entries) >= 40
        assert text.count(" later") == len(view.entries) - ON_PAPER
        assert "26 more valves are in the list." in text
        assert "<b>2.10" not in text
    finally:
        made.close()


def test_words_in_a_row_do_not_lie_over_each_other(night):
    source, store, stretch, _ = night
    pieces = drawing_of(source, night_view(source, store.verifications, stretch)).pieces
    rows: dict[float, list[tuple[float, float]]] = {}
    for one in pieces:
        if isinstance(one, Text) and one.at[0] > 200 and one.anchor == "start":
            rows.setdefault(one.at[1], []).append((one.at[0], one.at[0] + 6.0 * len(one.text)))
    assert sum(len(spans) for spans in rows.values()) >= 5
    for spans in rows.values():
        spans.sort()
        assert all(b[0] >= a[1] for a, b in pairwise(spans))
