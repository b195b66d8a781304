"""Many valves on one page: what is given a line, what is chosen by an address, and how often the stores are asked."""

from __future__ import annotations

import html
import json
from collections import Counter
from datetime import UTC, datetime

import flask
import pytest
from asleft.web import ids
from asleft.web.live import changed
from asleft.web.presses import page as page_module
from asleft.web.presses import view as view_module
from asleft.web.presses.page import _parts, choices, fleet, form, opening, others, renew
from asleft.web.presses.view import CHOICES, ROOMY_UP_TO, Filter, Subject, parse_filter, presses_view
from asleft.web.source import Source
from asleft.web.units import COOKIE
from asleft.web.views.valves import furthest_words, strip_words
from asleft.web.when import PlantTime

NOW_NS = 1_795_532_527 * 10**9


@pytest.fixture
def many(plants):
    return plants.Plant(NOW_NS, many=200)


@pytest.fixture
def large(many) -> Source:
    return Source(many, many, PlantTime.named("Europe/Madrid"), lambda: many.now)


def view_of(source: Source, search: str = ""):
    return presses_view(source, parse_filter(search))


def test_what_has_something_to_say_gets_a_line_worst_first_and_the_rest_its_name(large):
    view = view_of(large)
    assert view.dense
    assert [row.status for row in view.lines] == [
        *["failure"] * 2, *["out-of-specification"] * 2, *["maintenance-required"] * 3, *["function-check"] * 2,
        *["good"] * 3,
    ]  # fmt: skip
    assert [row.changes or row.liveness.word for row in view.lines[-3:]] == [
        ["gone: supply low"], "silent", ["gone: supply low"],
    ]  # fmt: skip
    assert len(view.calm) == 188
    text = fleet(view)
    assert text.count('<li class="line ') == 12
    assert text.index("Press 7 ") < text.index("Press 48 ") < text.index("Press 3 "), "failures as people count"
    assert "188 valves are as left, live, and as yesterday" in text
    assert "new: no current although commanded" in text
    assert "silent since 15:45" in text
    assert others(view, large).count('class="cell"') == 188
    assert others(view, large).index("Press 2 ") < others(view, large).index("Press 10 ")


def test_a_line_says_the_first_sentence_and_keeps_the_whole_at_hand(large):
    text = fleet(view_of(large))
    assert 'title="Ramp up takes 2.10 s; it was left at 1.60 s. Likely the driver\'s setting."' in html.unescape(text)
    assert ">Ramp up takes 2.10 s; it was left at 1.60 s.<" in text


def test_few_valves_keep_the_room_for_all_that_is_said(source, plants):
    view = view_of(source)
    assert not view.dense
    assert 'class="row failure"' in fleet(view)
    assert others(view, large) == choices(view) == form(view) == ""
    limit = plants.Plant(NOW_NS, many=ROOMY_UP_TO)
    assert not view_of(Source(limit, limit, source.time, lambda: NOW_NS)).many


def test_a_choice_of_few_among_many_has_room_again(large):
    view = view_of(large, "?status=out-of-specification&press=Press+3&q=ramp")
    assert [row.name.id for row in view.shown] == ["press-3.clamp"]
    assert 'class="row out-of-specification"' in fleet(view)
    assert others(view, large) == ""
    assert "<b>1 of 200 valves</b> is shown: out of specification, Press 3, “ramp”." in choices(view)
    assert view.headline == view_of(large).headline, "the plant is as it is, whatever is looked at"


@pytest.mark.parametrize(
    ("search", "count"),
    [
        ("?status=failure", 2),
        ("?status=good", 191),
        ("?status=changed", 4),
        ("?status=silent", 1),
        ("?press=Press+7", 4),
        ("?q=RAMP+owl", 0),
        ("?q=Ramp+left", 3),
        ("?q=supply low", 2),
        ("?q=press-48.platen", 1),
        ("?status=&press=&q=", 200),
        ("", 200),
        (None, 200),
    ],
)
def test_an_address_restores_the_view(large, search, count):
    view = view_of(large, search)
    assert len(view.shown) == count
    assert len(view_of(large, view.chosen.href[1:]).shown) == count, "the link it makes is the same view"


def test_addresses_are_short_and_what_means_nothing_is_named(large):
    assert Filter("failure", "Press 4", "a&b=c").href == "/?status=failure&press=Press+4&q=a%26b%3Dc"
    assert parse_filter("?status=failure&press=Press+4&q=a%26b%3Dc") == Filter("failure", "Press 4", "a&b=c")
    assert Filter().href == "/"
    chosen = parse_filter("?status=broken&press=Press+4")
    assert (chosen.status, chosen.press) == ("", "Press 4")
    assert chosen.fault.startswith("status = “broken” means nothing here; it is one of failure, out-of-spec")
    assert "“broken”" in choices(view_of(large, "?status=broken"))
    assert parse_filter("?q=" + "x" * 500).text == "x" * 100
    assert parse_filter("?" + "&".join(f"q={i}" for i in range(1000))) == Filter()
    text = choices(view_of(large, "?q=<script>")) + form(view_of(large, "?press=<b>"))
    assert "<script>" not in text
    assert '<b>"' not in text


def test_nothing_chosen_says_so_and_how_to_see_all(large):
    view = view_of(large, "?press=Press+99")
    assert "No valve is chosen by: Press 99. " in choices(view)
    assert 'href="/"' in choices(view)
    assert fleet(view) == others(view, large) == ""
    assert '<option value="Press 99" selected>' in form(view)


def test_statuses_are_links_that_keep_the_rest_of_the_choice(large):
    text = choices(view_of(large, "?q=ramp&status=failure"))
    assert 'href="/?status=out-of-specification&amp;q=ramp"' in text
    assert 'id="choose-failure" aria-current="true"' in text
    assert "failure 0" in text, "what is chosen stays there to be seen"
    assert "no data now" not in text, "nothing leads to nothing"
    assert set(CHOICES) >= {"failure", "good", "not-judged", "changed", "silent"}


def test_the_presses_to_choose_from_stand_as_people_count(large):
    text = form(view_of(large))
    assert text.index(">Press 2<") < text.index(">Press 10<") < text.index(">Press 50<")
    assert text.count("<option") == 51
    assert 'name="status" value="changed"' in form(view_of(large, "?status=changed"))


def test_what_changed_since_yesterday_is_one_sentence_with_a_way_to_all_of_it(large, many):
    text = opening(view_of(large))
    assert "Since yesterday: gone at <b>Press 11, platen pressure</b>: supply low; gone at" in text
    assert 'href="/?status=changed" id="changed">all 4</a>' in text
    for valve in ("press-7.ejector", "press-11.platen"):
        many.like[valve] = "press-1.platen"
    assert 'id="changed">show them</a>' in opening(view_of(Source(many, many, large.time, lambda: NOW_NS)))


class Counting:
    """Counts what a store is asked, from outside."""

    def __init__(self, store) -> None:
        self.store, self.asked = store, Counter()

    def __getattr__(self, name):
        self.asked[name] += 1
        return getattr(self.store, name)


@pytest.mark.parametrize("valves", [4, 200])
def test_a_renewal_asks_the_stores_the_same_few_times_however_many_valves(plants, valves):
    plant = plants.Plant(NOW_NS, many=valves)
    samples, records = Counting(plant), Counting(plant)
    source = Source(samples, records, PlantTime.named("UTC"), lambda: plant.now)
    _parts(source, "")
    assert samples.asked == {"all_spans": 1}
    assert records.asked.pop("health", 0) <= 1  # where a valve is silent: is it the valve?
    assert records.asked == {
        "effective_sheets": 1, "sheet_valves": 1, "judgements": 1, "judgements_at": 1, "backfills": 1,
        "alarm_events_lately": 1,
    }  # fmt: skip
    records.asked.clear()
    plant.now += 2 * 10**9
    _parts(source, "")
    assert "judgements_at" not in records.asked, "yesterday is not read again every two seconds"
    plant.now += 60 * 10**9
    _parts(source, "")
    assert records.asked["judgements_at"] == 1


def test_names_alone_are_not_sent_again_while_nothing_changes_and_the_form_never_by_the_clock(large, many):
    fresh, tags = renew(large, "", None)
    assert set(fresh) == {
        ids.PRESSES_OPENING, ids.PRESSES_CHOICES, ids.PRESSES_FILTER, ids.PRESSES_FLEET, ids.PRESSES_CALM,
    }  # fmt: skip
    many.reading_lag_ns = 1_300_000_000
    many._valves["press-9.ejector"] = ("Press 9A", "ejector")
    later, again = renew(large, "", tags)
    assert ids.PRESSES_FLEET in later
    assert ids.PRESSES_FILTER not in later, "a new press must not wipe what somebody types"
    assert again[ids.PRESSES_FILTER] == tags[ids.PRESSES_FILTER]
    assert ids.PRESSES_FILTER in renew(large, "?status=changed", again)[0], "whoever asks first, clock or address"
    assert changed(_parts(large, ""), tags)[0].keys() >= {ids.PRESSES_FILTER}
    many.reading_lag_ns = 1_900_000_000
    assert set(renew(large, "", again)[0]) == {ids.PRESSES_FLEET}, "only ages have changed"


def _drawn_of(monkeypatch, module, name, whose) -> list[str]:
    """Of whom a function of a module is called from now on."""
    seen, real = [], getattr(module, name)

    def watched(*given):
        seen.append(whose(given))
        return real(*given)

    monkeypatch.setattr(module, name, watched)
    return seen


def test_a_renewal_draws_what_changed_anew_and_nothing_else(large, many, monkeypatch):
    _, tags = renew(large, "", None)
    rows = _drawn_of(monkeypatch, view_module, "_row", lambda given: given[1].valve)
    cells = _drawn_of(monkeypatch, page_module, "_cell", lambda given: given[0].name.id)
    many.now += 2 * 10**9
    many._judgements = {valve: json.loads(json.dumps(one)) for valve, one in many._judgements.items()}  # as stored
    _, tags = renew(large, "", tags)
    assert rows == cells == []

    changed_one = many._judgements["press-7.cushion"]
    changed_one["quantities"][0]["tolerance_used"] = -41.0
    fresh, _ = renew(large, "", tags)
    assert rows == cells == ["press-7.cushion"]
    assert "−41 %" in fresh[ids.PRESSES_CALM]


def test_what_the_day_or_the_unit_or_the_reader_changes_is_drawn_anew(large, many, monkeypatch):
    before = {row.name.id: row.status_words for row in view_of(large).rows}
    rows = _drawn_of(monkeypatch, view_module, "_row", lambda given: given[1].valve)
    many.now += 86_400 * 10**9
    after = {row.name.id: row.status_words for row in view_of(large).rows}
    assert len(rows) == 200, "a time of today is another day's tomorrow"
    assert before.keys() == after.keys()
    rows.clear()
    with flask.Flask("units").test_request_context(headers={"Cookie": f"{COOKIE}=psi"}):
        shown = {row.name.id: strip_words(row.strip) for row in view_of(large).rows}
    assert len(rows) == 200
    assert " psi)" in shown["press-7.cushion"]
    assert " bar)" in strip_words(next(row for row in view_of(large).rows if row.name.id == "press-7.cushion").strip)


def test_of_a_judgement_that_lags_the_row_says_until_when_again_when_it_moved_on(large, many, monkeypatch):
    valve, judged = "press-7.cushion", dict(many.judgements())
    monkeypatch.setattr(many, "judgements", lambda: judged)

    def words():
        return next(row.status_words for row in view_of(large).rows if row.name.id == valve)

    assert "judged until" not in words()
    said = []
    for minutes in (30, 20):
        at = datetime.fromtimestamp(many.now / 1e9 - 60 * minutes, UTC)
        judged[valve] = {**judged[valve], "to": at.isoformat()}
        said.append(words())
    assert all("judged until" in one for one in said)
    assert said[0] != said[1]


def test_a_strip_is_read_out_shortly_by_what_is_furthest(large):
    rows = {row.name.id: row for row in view_of(large).rows}
    assert furthest_words(rows["press-1.platen"].strip) == ("Furthest from as left: headroom, +28 %, in (25.4 %).")
    assert furthest_words(rows["press-39.platen"].strip).endswith("; 2 not observed.")
    assert furthest_words([]) == "Nothing observed yet."


def test_every_word_must_occur_and_the_press_be_the_very_one():
    subject = Subject("good", "Press 1", changed=False, silent=False, text="press 1 ejector as left.")
    assert Filter(text="left EJECTOR").takes(subject)
    assert not Filter(text="left clamp").takes(subject)
    assert not Filter(press="Press 10").takes(subject)
