"""Before and after a retune: what changed, what stayed, whether it is inside tolerance; on page and paper."""

from __future__ import annotations

import csv
import html
import re
import time
from io import BytesIO, StringIO
from urllib.parse import quote

import numpy as np
import pytest
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.web.app import create_app
from asleft.web.hrefs import retune_href
from asleft.web.retune.view import checked_stretches, proposed, retune_view
from asleft.web.when import BadStretch, PlantTime, Stretch
from pypdf import PdfReader

S = 10**9
DAY = 86_400 * S
V = "press-2.clamp"  # its ramp up went from 1.6 to 2.1 s ten and a half days ago


@pytest.fixture
def both(plant):
    now = plant.now
    return Stretch(now - 14 * DAY, now - 11 * DAY), Stretch(now - 10 * DAY, now - 7 * DAY)


@pytest.fixture
def client(plant, door):
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()


def text_of(answer) -> str:
    return html.unescape(answer.get_data(as_text=True))


def test_what_changed_is_told_from_what_stayed(source, both):
    view = retune_view(source, V, *both)
    by = {line.quantity: line for line in view.lines}
    ramp = by["ramp_up"]
    assert (ramp.word, ramp.verdict) == ("changed", "out")
    assert ramp.change.before == pytest.approx(1.6, abs=0.02)
    assert ramp.change.after == pytest.approx(2.1, abs=0.02)
    assert ramp.change.test == "paired t"
    assert by["ramp_down"].word == "changed, but by little"  # it drifts a hundredth of a second a day
    assert by["ramp_down"].change.same
    assert by["ramp_down"].verdict == "in"
    assert view.sentence == "Ramp up changed; ramp up is out of tolerance afterwards."
    assert view.hours[0] == pytest.approx(3 * 18.6, abs=1.0)


def test_without_production_nothing_is_compared(source, plant):
    march = plant.now - 250 * DAY
    view = retune_view(source, V, Stretch(march - DAY, march), Stretch(march, march + DAY))
    assert {line.word for line in view.lines} == {"not compared"}
    assert view.sentence == "Nothing can be compared: no setting was measured often enough in both stretches."


def produced_s(source, stretch) -> float:
    """Seconds of production in a stretch."""
    ends = (stretch.from_ns / S, stretch.to_ns / S)
    made = [
        one for one in source.records.intervals(V, stretch.from_ns, stretch.to_ns) if one.state is State.PRODUCING
    ]
    return sum(min(one.to_s, ends[1]) - max(one.from_s, ends[0]) for one in made)


def test_a_day_of_production_either_side_of_the_revision_is_proposed(source):
    before, after = proposed(source, V, None)
    assert before.to_ns == after.from_ns == source.records.sheets(V)[-1].at_ns
    assert produced_s(source, before) == pytest.approx(86_400)
    assert produced_s(source, after) == pytest.approx(86_400)
    assert proposed(source, V, 99) is None
    assert proposed(source, "press-9.none", None) is None


def test_stretches_that_are_none():
    for ends, words in (
        ((2, 1, 3, 4), "before: its beginning must lie before its end"),
        ((0, 1, 3, 3), "after: its beginning must lie"),
        ((0, 3, 2, 4), "before must end before after begins"),
        ((0, 50, 101, 300), "after: 199 days; at most 92"),
    ):
        with pytest.raises(BadStretch, match=words):
            checked_stretches(*(k * DAY for k in ends))


def test_the_page_and_its_papers(client, both):
    page = text_of(client.get(retune_href(V, *both)))
    assert "<h1>Ramp up changed; ramp up is out of tolerance afterwards.</h1>" in page
    assert "two one-sided tests at 5 %" in page
    assert page.count('class="chart"') >= 2  # both ramps
    assert "those of before dashed" in page
    link = re.search(r'href="([^"]+)"[^>]*>Report as PDF', page).group(1)
    assert link == retune_href(V, *both, "pdf")
    printed = " ".join(
        " ".join(p.extract_text() for p in PdfReader(BytesIO(client.get(link).get_data())).pages).split()
    )
    for words in ("ramp up, s 1.60 2.10 +0.499", "paired t, p below 0.001", "It is no safety validation", "SHA-256"):
        assert words in printed, words
    text = text_of(client.get(retune_href(V, *both, "html")))
    assert "<script" not in text


def test_the_same_as_a_table(client, both):
    answer = client.get(retune_href(V, *both, "csv"))
    rows = {row["name"]: row for row in csv.DictReader(StringIO(answer.get_data(as_text=True)))}
    assert rows["ramp_up"]["in_a_word"] == "changed"
    assert float(rows["ramp_up"]["change"]) == pytest.approx(0.5, abs=0.01)
    assert rows["ramp_up"]["verdict_after"] == "out"
    assert rows["pressure_at_full"]["unit"] == "bar"
    page = text_of(client.get(retune_href(V, *both)))
    assert "The ramps in numbers" in page
    row = re.search(r">up, after, stroke 1</th>(.*?)</tr>", page).group(1)
    times = [float(text) for text in re.findall(r">([\d.]+)</td>", row)]
    assert times == pytest.approx([0.1 * 2.1, 0.5 * 2.1, 0.9 * 2.1], abs=0.06)


def test_stretches_are_moved_by_the_plants_clock(client):
    ends = {"before_from": "2026-11-10 00:00", "before_to": "2026-11-12 00:00", "after_from": "2026-11-14T06:00",
            "after_to": "2026-11-15T06:00"}  # fmt: skip
    query = "&".join(f"plant_{key}={quote(text)}" for key, text in ends.items())
    answer = client.get(f"/retune/{V}?{query}")
    assert answer.status_code == 303
    assert "before_from=2026-11-09T23:00:00.000Z" in answer.location
    assert "after_to=2026-11-15T05:00:00.000Z" in answer.location


@pytest.mark.parametrize(
    ("address", "status", "words"),
    [
        ("/retune/no.such", 404, "Nothing is known of a valve"),
        (f"/retune/{V}?revision=99", 400, "revision = 99: this valve has no such revision"),
        (f"/retune/{V}?revision=two", 400, "revision = 'two': wanted is the number"),
        (f"/retune/{V}?before_from=2026-11-10T00:00:00Z", 400, "before_to = '': wanted is a time"),
        (f"/retune/{V}?plant_before_from=x", 400, "plant_before_from = 'x': wanted is a day and a time"),
    ],
)
def test_poor_addresses_are_answered_in_words(client, address, status, words):
    answer = client.get(address)
    assert answer.status_code == status
    assert words in text_of(answer)


def test_without_an_address_of_its_own_it_is_round_the_newest_revision(client, plant):
    page = text_of(client.get(f"/retune/{V}"))
    began = PlantTime.named("Europe/Madrid").full(plant.sheets(V)[-1].at_ns)
    assert f"After: {began} to " in page
    assert page.count("24.0 hours") == 2


def test_a_revision_of_a_sunday_is_compared_by_the_days_of_work_round_it(plant, source):
    """Work on weekdays, from six to ten in the evening; the sheet was revised on a Sunday."""
    sunday = plant.now // DAY * DAY
    while time.gmtime(sunday // S).tm_wday != 6:
        sunday -= DAY
    shifts = [sunday + k * DAY for k in range(-20, 20) if time.gmtime((sunday + k * DAY) // S).tm_wday < 5]
    made = [StateInterval(State.PRODUCING, (d + 6 * 3600 * S) / S, (d + 22 * 3600 * S) / S, "") for d in shifts]
    plant.intervals = lambda _, a, b: [one for one in made if one.to_s * S > a and one.from_s * S < b]
    plant.revise(V, sunday + 10 * 3600 * S)
    plant.now = sunday + 10 * DAY
    before, after = proposed(source, V, None)
    assert before.from_ns == sunday - 3 * DAY + 14 * 3600 * S  # eight hours of Thursday, sixteen of Friday
    assert after.to_ns == sunday + 2 * DAY + 14 * 3600 * S  # sixteen of Monday, eight of Tuesday
    assert [produced_s(source, one) for one in (before, after)] == pytest.approx([86_400, 86_400])
    plant.revise(V, sunday - 2 * DAY + 20 * 3600 * S)  # another revision bounds it
    plant._revisions[V].sort(key=lambda one: one.at_ns)
    assert proposed(source, V, None)[0].from_ns == sunday - 2 * DAY + 20 * 3600 * S


@pytest.mark.parametrize(
    ("scatter_a", "told"), [(2e-5, r"[+−]0\.0000\d+ to [+−]0\.0000\d+"), (0.0, r"within ±0\.0001")]
)
def test_an_interval_has_the_digits_that_tell_its_ends_apart(plant, client, both, scatter_a, told):
    rng = np.random.default_rng(3)
    quiet = [ChartPoint("current_at_zero", at, 0.18 + scatter_a * float(rng.normal()), 1e-6)
             for at in range(both[0].from_ns // S, both[1].to_ns // S, 3600)]  # fmt: skip
    real = plant.points
    plant.points = lambda valve, name, a, b: (
        [one for one in quiet if a <= one.at_s * S < b] if name == "current_at_zero" else real(valve, name, a, b)
    )
    page = text_of(client.get(retune_href(V, *both)))
    row = re.search(r'<th scope="row">current at zero, A</th>(.*?)</tr>', page).group(1)
    assert re.fullmatch(told, re.findall(r">([^<]*)</td>", row)[3]), row
    assert "0 to 0<" not in page


def test_pictures_of_before_and_after_have_a_legend(client, both):
    page = text_of(client.get(retune_href(V, *both)))
    ramp = re.search(r'aria-label="Ramp up: [^>]*>.*?</svg>', page, re.DOTALL).group(0)
    assert all(f">{words}</text>" in ramp for words in ("as left", "before", "after"))


def test_where_nothing_was_produced_there_it_is_round_the_onset(client, plant, monkeypatch):
    asked = plant.intervals
    month_ago = plant.now - 30 * DAY
    monkeypatch.setattr(plant, "intervals", lambda valve, a, b: asked(valve, a, b) if a > month_ago else [])
    page = text_of(client.get(f"/retune/{V}"))
    assert (
        "Nothing was produced round the newest revision: this is round 14 Nov 05:02, since when the leading" in page
    )
    assert "Ramp up changed; ramp up is out of tolerance afterwards." in page
    calm = text_of(client.get("/retune/press-1.platen"))
    assert "no setting was measured often enough in both stretches" in calm
