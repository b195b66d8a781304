"""What keeps readings from being stored is told as what it is, never as silence of presses or agents."""

from __future__ import annotations

import time
from functools import partial

import pytest
from asleft.store.protocols import Health, StoreUnavailable
from asleft.web.app import create_app
from asleft.web.availability import Availability, Place
from asleft.web.health import health_view
from asleft.web.presses.view import presses_view

LATE_NS = 90 * 10**9


def stop(plant, **details):
    """Nothing is stored any more; the recorder's word stays as it was, or says `details`."""
    row = plant.healths[0]
    plant.silent = True
    plant.now += LATE_NS
    if details:
        plant.healths[0] = Health("recorder", plant.now, {**row.details, **details})
    newest = plant.now - LATE_NS
    plant.newest_ns = lambda _valve: newest


@pytest.mark.parametrize(
    ("details", "words"),
    [
        ({"storing_fails": True, "last_error": "storing failed: http://h:8086 cannot be reached"},
         "Nothing can be stored at present; agents keep their blocks until it can be: http://h:8086 cannot be"),
        ({"broker_connected": False}, "The recorder has lost the broker"),
        ({}, "The recorder has not reported for 92 s: it does not run, or cannot write here."),
    ],
)  # fmt: skip
def test_the_first_page_blames_no_press(plant, source, details, words):
    stop(plant, **details)
    view = presses_view(source)
    assert "no data now" not in view.subline
    assert view.subline.startswith(words)
    assert "Whether the presses send data is not known here meanwhile." in view.subline
    assert {row.liveness.word for row in view.rows} == {"not known"}


def test_a_press_that_is_silent_is_still_called_so(source):
    assert "One sends no data now." in presses_view(source).subline


def test_a_full_disk_is_seen_by_the_pages_themselves(plant, source):
    """The recorder cannot say so: its word is on the same disk."""
    store = {"folder_bytes": 9_000_000_000, "free_bytes": 5_600_000, "sizes": []}
    plant.healths[0] = Health("recorder", plant.now, {**plant.healths[0].details, "store": store})
    stop(plant)
    source.free_bytes = lambda: 0
    view = health_view(source, "0.1.0")
    assert view.headline.startswith("The disk of the data folder is full (0 bytes free): nothing can be stored")
    assert "until it runs" not in view.headline
    facts = {fact.what: fact.value for fact in view.facts}
    assert facts["data folder"] == "9.0 GB, 0 bytes free on its disk"
    assert facts["disk full"] == "now"
    assert presses_view(source).subline.startswith("The disk of the data folder is full")
    source.free_bytes = lambda: 10**9
    assert "disk" not in health_view(source, "0.1.0").headline


def test_readings_set_aside_are_told_until_somebody_takes_them_away(plant, source):
    store = {"set_aside": ["quarantine.db.damaged-1", "samples.db.damaged-20261130T190300Z"]}
    details = plant.healths[0].details
    plant.healths[0] = Health("recorder", plant.now, {**details, "store": store})
    headline = health_view(source, "0.1.0").headline
    assert "set aside as samples.db.damaged-20261130T190300Z" in headline
    assert "asleft restore --readings" in headline
    plant.healths[0] = Health("recorder", plant.now, {**details, "store": {"set_aside": []}})
    assert "set aside" not in health_view(source, "0.1.0").headline


def test_pages_watch_their_stores_themselves(plant, door):
    """No page has asked for a reading; the first page says all the same that they are away."""
    down = {"is": True}

    def check():
        if down["is"]:
            raise StoreUnavailable("http://10.0.0.7:8086 cannot be reached: connection refused")

    plant.check = check
    app = create_app(plant, plant, door.access, clock_ns=lambda: plant.now)
    availability = app.server.extensions["asleft.availability"]
    availability.retry_s = 0.02
    availability.look(Place.SAMPLES)
    assert [one.place for one in availability.away()] == [Place.SAMPLES]
    assert "X-Asleft-Away" in app.server.test_client().get("/alarms").headers
    down["is"] = False


def test_watching_notices_a_loss_and_a_return_of_each_store(plant):
    down = dict.fromkeys(Place, False)

    def check(place):
        if down[place]:
            raise StoreUnavailable("cannot be reached")

    checks = {place: partial(check, place) for place in Place}
    availability = Availability(lambda: plant.now, retry_s=0.01, checks=checks)
    stop = availability.watch(0.01)

    def until(away):
        end_s = time.monotonic() + 60
        while {one.place for one in availability.away()} != away:
            assert time.monotonic() < end_s
            time.sleep(0.01)

    for away in ({Place.SAMPLES}, {Place.SAMPLES, Place.RECORDS}, {Place.RECORDS}, set()):
        down.update({place: place in away for place in Place})
        until(away)
    stop.set()


def test_the_first_page_says_that_the_readings_are_away(plant, source):
    from asleft.web.availability import Unreachable

    stop(plant)
    since = plant.now - 3600 * 10**9
    source.away = lambda: [Unreachable(Place.SAMPLES, since, "http://10.0.0.7:8086 cannot be reached")]
    view = presses_view(source)
    assert view.subline.startswith("The readings cannot be reached since 15:03: http://10.0.0.7:8086")
    assert health_view(source, "0.1.0").headline.startswith("The readings cannot be reached since 15:03")
