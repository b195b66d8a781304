from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.catalogue.parts import LOOK_FIRST, PART_WORDS
from asleft.web.valve import page as fragments
from asleft.web.valve.slow import histories
from asleft.web.valve.view import bound_words, percent, sheet_lines, valve_view
from asleft.web.views.history import history_views
from asleft.web.words import CAUTIONS, look_first


def lines_of(source, valve):
    return {line.quantity: line for line in valve_view(source, valve).lines}


def test_the_sheet_reads_as_left_as_found_used_and_verdict(source):
    line = lines_of(source, "press-2.clamp")["ramp_up"]
    assert (line.as_left, line.as_found, line.tolerance, line.used, line.verdict_words) == (
        "1.60 s",
        "2.10 s",
        "±0.16",
        "+312 %",
        "out",
    )
    assert line.uncertainty == "±0.019"


def test_what_is_not_observed_says_why_and_what_is_known(source):
    line = lines_of(source, "press-2.platen")["ramp_up"]
    assert line.as_found == "–"
    assert line.used == "–"
    assert line.verdict_words == "not observed"
    assert line.remark == "the controller makes its own ramps; not slower than 0.800 s"


def test_a_bound_already_in_the_reason_is_not_said_twice(plant, source):
    for found in plant._judgements["press-2.platen"]["quantities"]:
        if found["id"] == "ramp_up":
            found["reason"] = "the controller makes its own; not slower than 0.8 s"
    assert (
        lines_of(source, "press-2.platen")["ramp_up"].remark == "the controller makes its own; not slower than 0.8 s"
    )


def test_bounds_read_both_ways():
    assert bound_words("ramp_up", {"below": 0.8}) == "not slower than 0.800 s"
    assert bound_words("ramp_up", {"above": 2.0}) == "not faster than 2.00 s"
    assert bound_words("current_at_full", {"above": 0.9}) == "at least 0.900 A"


def test_one_sided_tolerances_are_written_as_such(source):
    lines = lines_of(source, "press-1.platen")
    assert lines["hysteresis"].tolerance == "+2 only"
    assert lines["supply_voltage"].tolerance == "−2.4 only"


def test_a_finding_carries_evidence_part_onset_first_look_and_its_consequences(source):
    finding = valve_view(source, "press-2.clamp").findings[0]
    assert len(valve_view(source, "press-2.clamp").findings) == 1
    assert finding.title == "Ramp up changed"
    assert finding.since == "since 14 Nov 05:02"
    assert finding.parts == "Likely the driver's setting."
    assert finding.look_first.startswith("With the press made safe, compare")
    assert finding.consequences == ["Response changed: Pressure arrives 0.5 s later."]


def test_a_finding_says_how_its_alarm_stands_and_a_finding_without_one_why(source, plant):
    why = "No alarm yet: it is raised as soon as readings after the last alarm of this valve are judged."
    assert valve_view(source, "press-2.clamp").findings[0].alarm == why
    raised_ns = source.now_ns() - 3600 * 10**9
    event = AlarmEvent(
        f"press-2.clamp/ramp-up-changed/{raised_ns}",
        1,
        EventKind.RAISED,
        raised_ns,
        "judge",
        "",
        "press-2.clamp",
        "ramp-up-changed",
        2,
        "driver-setting",
        "Ramp up takes 2.10 s.",
        raised_ns,
    )
    source.records._events.append(event)
    told = valve_view(source, "press-2.clamp").findings[0].alarm
    assert told == f"Alarm not acknowledged, raised {source.time.moment(raised_ns, source.now_ns())}."
    assert told in fragments.findings(valve_view(source, "press-2.clamp"))
    source.records._events.append(replace(event, seq=2, event=EventKind.RETURNED))
    assert valve_view(source, "press-2.clamp").findings[0].alarm == why
    plant._judgements["press-2.clamp"]["state"] = "stopped"
    stands = valve_view(source, "press-2.clamp").findings[0].alarm
    assert stands.startswith("No alarm yet: the machine is not producing (stopped).")


def test_a_pair_that_cannot_be_told_apart_is_told_as_a_pair(source):
    parts = valve_view(source, "press-3.platen").findings[0].parts
    assert parts == "Likely the valve, or the pressure source. What is recorded cannot tell them apart."


def test_the_cautions_stand_where_a_reader_might_act(source):
    text = fragments.findings(valve_view(source, "press-2.clamp"))
    for words in ("relief valve", "ISO 16092-3", "accumulators", "no safety device", "Full command"):
        assert words in text
    assert len(CAUTIONS) == 4


def test_every_part_has_words_and_a_first_look():
    assert set(LOOK_FIRST) == set(PART_WORDS)


def test_headroom_has_a_least_and_nothing_it_was_left_at(source):
    lines = {line.quantity: line for line in valve_view(source, "press-1.platen").lines}
    assert lines["headroom"].tolerance == "≥ 12"
    assert lines["headroom"].as_left == "–"
    assert lines["headroom"].as_found != "–"
    assert lines["supply_voltage"].tolerance == "−2.4 only"
    absent = sheet_lines({"quantities": [{"id": "headroom", "tolerance": None}]}, None)
    assert absent[0].tolerance == "–"


def test_an_unknown_valve_is_nothing(source):
    assert valve_view(source, "nope") is None


def test_a_sheet_filed_today_is_named_by_its_day_and_not_by_an_hour(plant, source):
    """Page and the foot of every printed sheet have the same words, and paper outlives the day."""
    at = datetime.fromtimestamp(plant.now / 1e9 - 3600, UTC)
    sheet = plant.effective_sheet("press-1.platen", plant.now)
    toml = re.sub(r"(?m)^at = .*$", f"at = {at:%Y-%m-%dT%H:%M:%SZ}", sheet.toml)
    plant.effective_sheet = lambda _valve, _at_ns: replace(sheet, toml=toml, number=77)
    words = valve_view(source, "press-1.platen").sheet_words
    assert f" of {source.time.day(plant.now)}, " in words
    assert not re.search(r"\d:\d", words)


def test_a_sheet_not_judged_yet_shows_what_was_left(plant, source):
    plant._judgements.pop("press-1.platen")
    view = valve_view(source, "press-1.platen")
    assert view.status == "not-judged"
    assert {line.quantity for line in view.lines} >= {"ramp_up", "current_at_full"}
    assert all(line.verdict_words == "not judged yet" for line in view.lines)
    assert sheet_lines(None, None) == []


def test_remarks_and_basis_are_shown(source):
    view = valve_view(source, "press-4.cushion")
    assert "repeatability only" in fragments.sheet_table(view)
    assert "pump running and enabled" in fragments.findings(view)


def test_history_stands_against_as_left_and_tolerance(source):
    views = {view.quantity: view for view in history_views(source, "press-2.clamp")}
    ramp = views["ramp_up"]
    assert (ramp.as_left, round(ramp.low, 2), round(ramp.high, 2)) == (1.6, 1.44, 1.76)
    assert ramp.onset_ns is not None
    before, after = ramp.values[ramp.time_ns < ramp.onset_ns], ramp.values[ramp.time_ns > ramp.onset_ns]
    assert np.median(after) - np.median(before) == pytest.approx(0.5, abs=0.02)
    assert "departed 14 Nov 05:02" in ramp.words
    assert views["current_at_full"].onset_ns is None
    assert views["hysteresis"].low is None


def test_history_pictures_have_words_and_numbers(source):
    text = histories(history_views(source, "press-2.clamp"), "press-2.clamp", source.time)
    assert text.count("<svg") == len(history_views(source, "press-2.clamp"))
    assert text.count("<details") == text.count("<svg")
    assert 'role="img"' in text
    assert 'class="onset"' in text
    assert "No history in this stretch" in histories([], "press-2.clamp", source.time)


def test_names_in_the_opening_are_escaped(plant, source):
    plant._judgements["press-1.platen"]["sentence"] = "<script>alert(1)</script>"
    assert "<script>" not in fragments.opening(valve_view(source, "press-1.platen"))


def test_a_trend_is_told_only_where_it_matters(plant, source):
    found = {q["id"]: q for q in plant._judgements["press-1.platen"]["quantities"]}
    found["pressure_at_full"]["trend_per_day"] = -0.1
    found["ramp_up"]["trend_per_day"] = 1e-6
    lines = lines_of(source, "press-1.platen")
    assert lines["pressure_at_full"].remark == "moves by −0.10 bar a day"
    assert lines["ramp_up"].remark == ""


def test_nothing_used_has_no_sign():
    assert [percent(used) for used in (-0.2, 0.4, 12.6, -88.0)] == ["0 %", "0 %", "+13 %", "−88 %"]


def test_data_is_looked_for_on_the_health_page_and_not_at_the_press():
    assert look_first("data").startswith("Check agent")
    assert look_first("coil").startswith("With the press made safe, measure")
    assert look_first("something new") == ""
