"""While a store cannot be reached every page says so in a sentence, and comes back by itself."""

from __future__ import annotations

import sqlite3
import threading
import time
from urllib.parse import unquote

import pytest
from asleft.store.protocols import StoreUnavailable
from asleft.store.reader import EmbeddedReader
from asleft.web import ids
from asleft.web.app import create_app
from asleft.web.availability import HEADER, Availability, Place, Unreachable, Watched
from asleft.web.away import away_view, away_words
from asleft.web.when import PlantTime
from sqlalchemy.exc import IntegrityError, OperationalError

V = "press-2.clamp"
MADRID = PlantTime.named("Europe/Madrid")
AT = 1_795_532_527 * 10**9
RECORDS_DOWN = OperationalError("SELECT secret", {}, Exception("connection to server at 10.0.0.9 failed: refused"))
SAMPLES_DOWN = StoreUnavailable("http://10.0.0.7:8086 cannot be reached: connection refused")
PAGES = (
    "/",
    f"/valve/{V}",
    "/health",
    "/alarms",
    "/sheets",
    f"/sheets/{V}",
    f"/report/{V}.html",
    "/csv/presses",
    f"/csv/{V}/window",
    "/csv/health",
)


class Failing:
    """A store whose calls fail as long as it is told to, all of them or those named; it counts them."""

    def __init__(self, store, error: Exception, names: tuple[str, ...] = ()) -> None:
        self._store, self.error, self.names = store, error, names
        self.down, self.asked = True, 0

    def __getattr__(self, name):
        found = getattr(self._store, name)

        def call(*given, **named):
            self.asked += 1
            if self.down and (not self.names or name in self.names):
                raise self.error
            return found(*given, **named)

        return call


def back(availability: Availability) -> None:
    """Wait until the thread that asks has noticed."""
    end = time.monotonic() + 60
    while availability.away():
        assert time.monotonic() < end, "still away"
        time.sleep(0.01)


def waiting() -> int:
    return sum(thread.name.startswith("waits for") for thread in threading.enumerate())


def made(plant, door, *, samples=None, records=None):
    app = create_app(samples or plant, records or plant, door.access, clock_ns=lambda: plant.now)
    availability = app.server.extensions["asleft.availability"]
    availability.retry_s = 0.02
    return app.server.test_client(), availability


def dispatch(client):
    """What an open health page asks every two seconds."""
    body = {
        "output": f"..{ids.HEALTH_PARTS}.data...{ids.HEALTH_TAGS}.data..",
        "outputs": [{"id": ids.HEALTH_PARTS, "property": "data"}, {"id": ids.HEALTH_TAGS, "property": "data"}],
        "inputs": [{"id": ids.HEALTH_TIMER, "property": "n_intervals", "value": 1}],
        "state": [{"id": ids.HEALTH_TAGS, "property": "data", "value": None}],
        "changedPropIds": [f"{ids.HEALTH_TIMER}.n_intervals"],
    }
    return client.post("/_dash-update-component", json=body)


@pytest.mark.parametrize("which", ["samples", "records"])
def test_pages_answer_503_with_words_and_come_back(plant, door, which):
    store = Failing(plant, SAMPLES_DOWN if which == "samples" else RECORDS_DOWN)
    client, availability = made(plant, door, **{which: store})
    first = client.get("/csv/presses").get_data(as_text=True)
    for path in PAGES:
        answer = client.get(path)
        text = answer.get_data(as_text=True)
        if which == "samples" and path in ("/alarms", f"/sheets/{V}"):
            assert answer.status_code == 200, path  # it needs no reading
            continue
        assert answer.status_code == 503, path
        assert answer.headers["Retry-After"]
        assert '<nav aria-label="Pages"' in text
        assert "cannot be reached since 16:02." in text
        assert "What to look at" in text
        assert "data-away" in text
        assert "SELECT secret" not in text
    assert "connection" in first
    store.down = False
    back(availability)
    for path in PAGES:
        assert client.get(path).status_code == 200, path


def test_an_open_page_is_told_with_every_answer(plant, door):
    """Records answer, readings do not: the words are renewed, the plot over time is not."""
    store = Failing(plant, SAMPLES_DOWN, ("samples",))
    client, availability = made(plant, door, samples=store)
    assert client.get(f"/csv/{V}/window").status_code == 503
    answer = dispatch(client)
    assert answer.status_code == 200
    assert "48,231" in answer.get_data(as_text=True)
    said = unquote(answer.headers[HEADER])
    assert said.startswith("The readings cannot be reached since 16:02 (http://10.0.0.7:8086 cannot be reached")
    store.down = False
    back(availability)
    assert HEADER not in dispatch(client).headers


def test_a_lost_store_is_asked_by_one_thread_and_not_by_every_page(plant, door):
    store = Failing(plant, RECORDS_DOWN)
    client, availability = made(plant, door, records=store)
    availability.retry_s = 30.0
    others = waiting()
    assert client.get("/sheets").status_code == 503
    asked = store.asked
    for _ in range(20):
        assert client.get("/sheets").status_code == 503
    assert store.asked == asked
    assert waiting() == others + 1


def test_while_nobody_can_be_known_nothing_is_given_away(plant, door, monkeypatch):
    door.add_one_of_each()
    client, availability = made(plant, door)
    down = {"is": True}
    find = door.store.sessions.find
    client.set_cookie(door.access.cookie, "x" * 43)

    def failing(digest):
        if down["is"]:
            raise RECORDS_DOWN
        return find(digest)

    monkeypatch.setattr(door.store.sessions, "find", failing)
    monkeypatch.setattr(door.store.accounts, "any", lambda: failing("") is None)
    for path in ("/", "/alarms", "/csv/presses"):
        answer = client.get(path)
        text = answer.get_data(as_text=True)
        assert answer.status_code == 503
        assert "cannot be reached since 16:02." in text
        assert "10.0.0.9" not in text
        assert "10.0.0.9" not in answer.headers[HEADER]
        assert "press-2" not in text
    assert dispatch(client).get_data() == b""
    assert client.get("/assets/style.css").status_code == 200
    assert client.get("/assets/away.js").status_code == 200
    down["is"] = False
    back(availability)
    assert client.get("/alarms").location == "/login?next=%2Falarms"


def test_what_was_sent_is_not_kept_and_it_says_so(plant, door, doors):
    door.add_one_of_each()
    store = Failing(plant, RECORDS_DOWN)
    store.down = False
    client, _ = made(plant, door, records=store)
    doors.sign_in(client, "technician")
    store.down = True
    word = client.get_cookie(doors.CSRF).value
    answer = client.post(f"/sheets/{V}/revise", data={doors.CSRF: word, "by": "me"})
    text = answer.get_data(as_text=True)
    assert answer.status_code == 503
    assert "What you sent was not kept." in text
    assert "data-away" not in text  # it would be sent again


def test_a_statement_of_ours_that_is_wrong_is_not_called_away(plant, door):
    wrong = IntegrityError("INSERT", {}, Exception("UNIQUE"))
    client, availability = made(plant, door, records=Failing(plant, wrong))
    assert client.get("/sheets").status_code == 500
    assert availability.away() == []


def test_a_lock_a_full_disk_and_a_missing_file_lead_to_different_places():
    def look(place: Place, why: str) -> str:
        return " ".join(away_view(Unreachable(place, AT, why), MADRID, AT, known=True).look)

    assert "Another program holds the database" in look(Place.RECORDS, "database is locked")
    assert "disk of the data folder full" in look(Place.SAMPLES, "database or disk is full")
    assert "Do not delete" in look(Place.RECORDS, "database disk image is malformed")
    assert "data folder still there" in look(Place.RECORDS, "unable to open database file")
    assert "server that keeps the readings" in look(Place.SAMPLES, "http://h:8086 cannot be reached: refused")
    assert "database server run" in look(Place.RECORDS, "connection refused")


def test_both_away_are_told_in_one_line():
    lost = [Unreachable(Place.SAMPLES, AT, "a"), Unreachable(Place.RECORDS, AT + 1, "b")]
    assert away_words(lost, MADRID, AT, known=True).startswith(
        "The readings and records cannot be reached since 16:02 (a)."
    )
    assert away_words(lost, MADRID, AT, known=False).startswith(
        "The readings and records cannot be reached since 16:02."
    )
    assert away_words([], MADRID, AT, known=True) == ""


def test_what_a_store_of_records_says_through_the_other_is_of_the_records():
    availability = Availability(lambda: AT, retry_s=30.0)
    samples = Watched(Failing([], RECORDS_DOWN), Place.SAMPLES, availability)
    with pytest.raises(Unreachable) as caught:
        samples.copy()
    assert caught.value.place is Place.RECORDS
    assert [one.place for one in availability.away()] == [Place.RECORDS]


def test_a_locked_records_file_is_told_as_such(tmp_path):
    """A real lock, held by another connection."""
    path = tmp_path / "records.db"
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("CREATE TABLE t (x)")
    holder.execute("BEGIN EXCLUSIVE")
    reader = sqlite3.connect(path, timeout=0.05)
    availability = Availability(lambda: AT, retry_s=0.02)

    def ask():
        return reader.execute("SELECT * FROM t").fetchall()

    with (
        pytest.raises(Unreachable, match="records cannot be reached: database is locked"),
        availability.asking(Place.RECORDS, lambda: None),
    ):
        ask()
    holder.close()
    back(availability)
    with availability.asking(Place.RECORDS, lambda: None):
        assert ask() == []
    reader.close()


def test_a_data_folder_that_has_gone_is_no_empty_store(tmp_path):
    folder = tmp_path / "data"
    reader = EmbeddedReader(folder)
    assert reader.valves() == []  # not there yet
    folder.mkdir()
    assert reader.valves() == []
    folder.rmdir()
    with pytest.raises(StoreUnavailable, match="the data folder is not there any more"):
        reader.valves()
    folder.mkdir()
    assert reader.valves() == []
