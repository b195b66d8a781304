from __future__ import annotations

import re
from dataclasses import replace

import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.protocols import Backfill
from asleft.web.presses.page import fleet, opening, others
from asleft.web.presses.view import Change, changes_between, first_sentence, headline, presses_view, together
from asleft.web.source import Source
from asleft.web.valve import page as valve_fragments
from asleft.web.valve.view import valve_view
from asleft.web.when import PlantTime


def test_worst_comes_first_and_every_status_is_in_words(source):
    view = presses_view(source)
    assert [row.status for row in view.rows] == [
        "failure",
        "out-of-specification",
        "maintenance-required",
        "maintenance-required",
        "function-check",
        "good",
        "good",
        "good",
    ]
    assert view.rows[0].status_words.startswith("failure since 15:20")
    assert view.rows[1].status_words == "out of specification since 14 Nov 05:02"
    assert view.rows[4].status_words == "function check"


def test_the_page_opens_with_what_a_colleague_would_say(source):
    view = presses_view(source)
    assert view.headline == (
        "Three of eight valves are as they were left. "  # the one that is worked on is not judged
        "Press 3, knock-out: commanded and enabled, but no current flows."
    )
    assert "One valve is in set-up or being worked on." in view.subline
    assert "One sends no data now." in view.subline


def test_only_what_changed_since_yesterday_is_listed(source):
    view = presses_view(source)
    assert [(c.valve.id, c.sort, c.words) for c in view.changes] == [
        ("press-3.knock-out", "New", "no current although commanded")
    ]


def test_changes_are_new_gone_or_of_status_alone():
    def judged(status: str, *kinds: str):
        return {
            "status": status,
            "findings": [{"kind": k, "severity": 1, "consequence_of": None, "onset": None} for k in kinds],
        }

    assert changes_between(judged("good"), judged("good")) == []
    assert changes_between(None, judged("failure", "current-lost")) == []
    assert changes_between(judged("good"), judged("failure", "current-lost")) == [
        ("New", "no current although commanded")
    ]
    assert changes_between(judged("failure", "current-lost"), judged("good")) == [
        ("Gone", "no current although commanded")
    ]
    assert changes_between(judged("good"), judged("function-check")) == [], "a set-up is no news"
    assert changes_between(judged("good"), judged("maintenance-required")) == [
        ("Changed", "good yesterday, maintenance required now")
    ]


def test_a_consequence_is_no_change_of_its_own():
    before = {"status": "good", "findings": []}
    now = {
        "status": "out-of-specification",
        "findings": [
            {"kind": "ramp-up-changed", "severity": 2, "consequence_of": None, "onset": None},
            {"kind": "response-changed", "severity": 1, "consequence_of": "ramp-up-changed", "onset": None},
        ],
    }
    assert changes_between(before, now) == [("New", "ramp up changed")]


def test_readings_that_do_not_fit_the_sheet_are_neither_as_left_nor_a_fault(plant, source):
    for judgement in plant._judgements.values():
        judgement["status"], judgement["findings"] = "good", []
    misread = plant._judgements["press-1.platen"]
    misread.update(status="function-check", fit={"fits": False}, sentence="These readings do not fit sheet 3: mA?")
    view = presses_view(source)
    assert view.headline.startswith("Seven of eight valves are as they were left.")
    assert "these readings do not fit sheet 3: mA?" in view.headline
    assert "One valve sends readings that do not fit the sheet." in view.subline
    assert "set-up" not in view.subline


def test_that_readings_begin_or_cease_to_fit_the_sheet_is_news():
    fits = {"status": "failure", "findings": [{"kind": "current-lost", "severity": 3}], "fit": {"fits": True}}
    misread = {"status": "function-check", "findings": [], "fit": {"fits": False}}
    assert changes_between(fits, misread) == [("New", "readings that do not fit the sheet")]
    assert changes_between(misread, fits) == [("Gone", "readings that do not fit the sheet")]
    assert changes_between(misread, misread) == []


def test_all_well_is_said_shortly(plant, source):
    for judgement in plant._judgements.values():
        judgement["status"], judgement["findings"] = "good", []
    assert presses_view(source).headline == "All eight valves are as they were left."


def test_a_decimal_point_ends_no_sentence():
    assert first_sentence("Ramp up takes 2.10 s; left at 1.60 s. Likely the driver.") == (
        "Ramp up takes 2.10 s; left at 1.60 s."
    )
    assert first_sentence("No stop") == "No stop"


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        (0, 8, "None of the eight valves is as it was left."),
        (1, 7, "One of the eight valves is as it was left."),
        (2, 6, "Two of eight valves are as they were left."),
        (0, 1, "The valve is not as it was left."),
        (1, 0, "The valve is as it was left."),
    ],
)
def test_none_one_and_some_are_said_as_a_person_would(source, good, bad, words):
    rows = {row.status: row for row in presses_view(source).rows}
    assert headline([rows["failure"]] * bad + [rows["good"]] * good).startswith(words)


def test_of_valves_that_are_not_judged_nothing_is_claimed(source):
    failed = next(row for row in presses_view(source).rows if row.status == "failure")
    said = headline([failed, replace(failed, status="not-judged")])
    assert said.startswith("None of the two valves is known to be as it was left.")


def test_each_row_says_whether_it_can_wait(source):
    view = presses_view(source)
    assert {row.name.id: row.wait for row in view.rows if row.wait} == {
        "press-3.knock-out": "see to it at once",
        "press-2.clamp": "see to it this shift",
        "press-3.platen": "can wait for the morning",
        "press-1.ejector": "can wait for the morning",
    }
    assert "out of specification since 14 Nov 05:02 · see to it this shift" in fleet(view)


def test_an_alarm_keeps_the_class_it_had_on_the_first_page_too(plant, source):
    at_ns = plant.now - 3600 * 10**9
    name = f"press-3.platen/pressure-changed/{at_ns}"
    said = ("judge", "", "press-3.platen", "pressure-changed", 2, "valve", "Out.", at_ns)
    plant.alarm_events_lately = lambda _since: [AlarmEvent(name, 1, EventKind.RAISED, at_ns, *said)]
    row = next(row for row in presses_view(source).rows if row.name.id == "press-3.platen")
    assert row.wait == "see to it this shift"


def test_bad_readings_stand_beside_the_verdict(plant, source, plants):
    said = plant._judgements["press-1.platen"]
    words = "1,200 readings could not be used (20 %): 1,200 failed."
    said.update(
        status="good", sentence="As left, from 80 % of the readings. Nothing moved since sheet 3.",
        findings=[plants.finding("data-missing", "data", plant.now, 1, words)],
    )  # fmt: skip
    row = next(row for row in presses_view(source).rows if row.name.id == "press-1.platen")
    assert (row.status_words, row.wait) == ("good", "data missing: can wait for the morning")
    assert row.sentence.startswith("As left, from 80 % of the readings.")
    assert not row.calm


def test_what_many_valves_have_in_common_is_news_once(source):
    names = [row.name for row in presses_view(source).rows]
    alike = [Change(name, "New", "data missing") for name in names[:3]]
    two = [Change(name, "Gone", "supply low") for name in names[:2]]
    told = together([*alike, *two])
    assert [(one.valve.name, one.sort, one.words) for one in told] == [
        ("three valves", "New", "data missing"), *((name.name, "Gone", "supply low") for name in names[:2]),
    ]  # fmt: skip


def test_an_empty_plant_says_what_to_do(plants):
    empty = plants.Plant(10**18, empty=True)
    view = presses_view(Source(empty, empty, PlantTime.named("UTC"), lambda: empty.now))
    assert view.empty
    text = opening(view)
    assert "No valve yet." in text
    assert 'href="/start"' in text
    assert "asleft judge LOG.csv" in text
    assert fleet(view) == ""
    assert headline([]) == "No valve yet."


def test_progress_of_history_is_summed_over_the_valves_that_wait(plant, source):
    plant._backfills = [
        Backfill("a", 0, 20, 60, False),
        Backfill("b", 0, 60, 60, True),
        Backfill("c", 0, 0, 60, False),
    ]
    view = presses_view(source)
    assert view.progress is not None
    assert view.progress.words.startswith("History is being judged: 20 of 120 windows.")
    assert 'aria-valuenow="20"' in opening(view)


def test_valves_of_which_nothing_was_judged_are_not_counted_as_left(source):
    good = next(row for row in presses_view(source).rows if row.status == "good")
    blind = replace(good, status="not-judged", sentence="Nothing judged yet: ramps (no current reading).")
    assert headline([blind, good, good]).startswith("Two of three valves are as they were left.")
    assert "nothing judged yet" in headline([blind, good, good])


def test_a_silent_valve_is_told_from_a_live_one(source):
    rows = {row.name.id: row for row in presses_view(source).rows}
    assert rows["press-1.platen"].liveness.live
    assert rows["press-1.platen"].liveness.age == "0.8 s old"
    assert not rows["press-4.cushion"].liveness.live
    assert rows["press-4.cushion"].liveness.age == "since 15:45"


def test_a_valve_without_a_sheet_says_so(plant, source, monkeypatch):
    monkeypatch.setattr(plant, "effective_sheet", lambda _valve, _at: None)
    monkeypatch.setattr(plant, "judgement", lambda _valve: None)
    row = presses_view(source).rows[0]
    assert row.status == "not-judged"
    assert "asleft sheet put" in row.sentence
    assert row.name.name == row.name.id


def test_names_typed_by_people_cannot_carry_markup(plant, source):
    plant._valves["press-1.platen"] = ("Press <b>1", "a&b")
    text = fleet(presses_view(source))
    assert "Press &lt;b&gt;1" in text
    assert "a&amp;b" in text


def test_a_hundred_valves_are_drawn_lightly(plant, source):
    plant._valves = {f"press-{i}.platen": (f"Press {i}", "platen pressure") for i in range(100)}
    plant._judgements = {valve: plant._judge(valve) for valve in plant._valves}
    view = presses_view(source)
    assert len(view.lines) + len(view.calm) == len(view.rows) == 100
    text = fleet(view) + others(view, source)
    assert text.count('id="row-') == 100
    assert len(text) < 130_000


def test_not_observed_is_drawn_and_told_with_its_reason(source):
    text = fleet(presses_view(source))
    assert 'class="unseen"' in text
    assert "not observed: the controller makes its own ramps" in text


def test_while_history_is_being_judged_nothing_is_claimed_of_today(plant, source, monkeypatch):
    plant._backfills = [Backfill(valve, 0, 20, 60, False) for valve in plant.valves()]
    judgement = {**plant._judgements["press-1.platen"], "to": "2026-11-05T09:00:00Z"}
    monkeypatch.setattr(plant, "judgement", lambda _valve: judgement)
    view = presses_view(source)
    assert view.headline == "So far, all eight valves are as they were left."
    assert "Since yesterday" not in view.subline
    row = view.rows[0]
    assert row.status_words == "good, judged until 5 Nov 10:00"
    assert row.state == ""
    assert "state not judged yet" in fleet(view)


def test_a_judgement_of_a_moment_ago_is_not_dated(source):
    assert all("judged until" not in row.status_words for row in presses_view(source).rows)


def test_yesterday_is_a_day_ago(plant, source, monkeypatch):
    asked: list[int] = []
    monkeypatch.setattr(plant, "judgement_at", lambda _valve, at_ns: asked.append(at_ns))
    presses_view(source)
    assert set(asked) == {plant.now - 24 * 3600 * 10**9}


def test_a_silent_valve_never_reads_good(source):
    """What was judged when it was last heard is said as that, in the list and at the head of its page."""
    silent = next(row for row in presses_view(source).rows if row.name.id == "press-4.cushion")
    assert (silent.status, silent.liveness.live) == ("good", False)
    assert silent.heard.status == "not-judged"
    assert silent.heard.words == "as left when last heard"
    assert silent.heard.sentence.startswith("Silent since 15:45. When last heard: as left. No current")
    listed = re.search(r"<li[^>]*not-judged.*?</li>", fleet(presses_view(source)), re.DOTALL).group(0)
    head = valve_fragments.opening(valve_view(source, "press-4.cushion"))
    for shown in (listed, head):
        assert "as left when last heard" in shown
        assert not re.search(r"\bgood\b", shown)


def test_a_live_valve_reads_as_it_was_judged(source):
    row = next(row for row in presses_view(source).rows if row.name.id == "press-1.platen")
    assert (row.heard.status, row.heard.words, row.heard.sentence) == (row.status, row.status_words, row.sentence)
