from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.steps.points import DEAD_ZONE
from asleft.judge.types import ChartPoint
from asleft.web.control_chart import history_svg
from asleft.web.valve.slow import histories
from asleft.web.views.history import BINS, history_views, onset_of_quantity, trend_line, trend_words
from asleft.web.views.spans import extremes
from hypothesis import given
from hypothesis import strategies as st

V = "press-3.platen"
DAY = 86_400 * 10**9


def view_of(source, quantity, valve=V, stretch=None):
    return next(view for view in history_views(source, valve, stretch) if view.quantity == quantity)


def judged(plant, quantity, valve=V):
    return next(q for q in plant._judgements[valve]["quantities"] if q["id"] == quantity)


def iso_in(plants, plant, days):
    return plants.iso(plant.now + round(days * DAY))


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=400), st.integers(1, 60))
def test_what_is_kept_has_the_extremes_of_every_bin(values, width):
    times, values = np.arange(len(values), dtype=np.int64), np.array(values)
    kept = extremes(times, values, width, 0)
    assert np.all(np.diff(kept) > 0)
    for start in range(0, values.size, width):
        inside = kept[(kept >= start) & (kept < start + width)]
        part = values[start : start + width]
        assert values[inside].min() == part.min()
        assert values[inside].max() == part.max()


def test_a_lone_outlier_among_thousands_of_points_is_drawn_and_counted(plant, source, monkeypatch):
    hours = np.arange(3000)
    points = [ChartPoint("ramp_up", plant.now / 1e9 - 600 * float(h + 1), 1.6, 0.01) for h in hours[::-1]]
    for wild in (1231, 2222):
        points[wild] = replace(points[wild], value=2.6)
    monkeypatch.setattr(plant, "points", lambda _v, quantity, *_: points if quantity == "ramp_up" else [])
    view = view_of(source, "ramp_up")
    assert view.values.size <= 2 * (BINS + 1)
    assert view.values.max() == 2.6
    assert int(view.beyond.sum()) == 2
    assert "2 outside the tolerance" in view.words
    text = history_svg(view, source.time)
    assert re.search(r'class="beyond"', text)
    table = histories([view], V, source.time)
    assert table.count("outside</td>") == 2


def test_each_point_is_held_against_the_sheet_of_its_time(plant, source):
    cut = plant.now - 10 * DAY - 11 * 3600 * 10**9
    before = view_of(source, "ramp_up", "press-2.clamp")
    assert before.beyond[before.time_ns > cut].all()
    plant.revise("press-2.clamp", cut, ramp_up=2.1)
    view = view_of(source, "ramp_up", "press-2.clamp")
    assert [step.as_left for step in view.steps] == [1.6, 2.1]
    assert (view.as_left, round(view.low, 2), round(view.high, 2)) == (2.1, 1.89, 2.31)
    assert not view.beyond.any()
    assert 'class="revised"' in history_svg(view, source.time)
    assert 'class="revised"' not in history_svg(before, source.time)


def test_the_dead_zone_lies_round_what_was_measured_and_only_where_that_is_known(plant, source):
    found = judged(plant, "pressure_at_full")
    found["as_left_measured"] = 209.0
    view = view_of(source, "pressure_at_full")
    assert view.zone == pytest.approx((209.0 - DEAD_ZONE * 4.2, 209.0 + DEAD_ZONE * 4.2))
    assert 'class="zone"' in history_svg(view, source.time)
    found["as_left_measured"] = None
    assert view_of(source, "pressure_at_full").zone is None
    assert 'class="zone"' not in history_svg(view_of(source, "pressure_at_full"), source.time)
    assert view_of(source, "headroom").zone is None
    assert view_of(source, "hysteresis").zone == pytest.approx((3.1 - 0.5, 3.1 + 0.5))  # one side alone is judged


def test_headroom_has_a_least_and_no_as_left(source):
    view = view_of(source, "headroom")
    assert (view.as_left, view.low, view.high) == (None, 12.0, None)


def test_a_trend_is_drawn_into_the_future_to_the_day_it_reaches_the_tolerance(plants, plant, source):
    found = judged(plant, "pressure_at_full")
    found.update(
        trend_per_day=-0.4,
        trend_interval=[-0.5, -0.3],
        forecast=iso_in(plants, plant, 6.0),
        forecast_interval=[iso_in(plants, plant, 4.0), iso_in(plants, plant, 9.0)],
    )
    view = view_of(source, "pressure_at_full")
    assert view.trend.value_at(plant.now + 6 * DAY) == pytest.approx(210.0 - 4.2)
    assert "Moves by −0.40 bar a day; at this pace it reaches its tolerance about 30 Nov" in view.outlook
    assert "(between 28 Nov and 3 Dec)" in view.outlook
    text = history_svg(view, source.time)
    for name in ("trend", "fan", "reach"):
        assert f'class="{name}"' in text
    assert ">now<" in text
    past = (plant.now - 14 * DAY, plant.now - 7 * DAY)
    assert view_of(source, "pressure_at_full", stretch=past).trend is None  # it is of the present


def test_what_the_judge_does_not_say_of_a_trend_is_not_drawn(plant, source):
    found = judged(plant, "pressure_at_full")
    assert view_of(source, "pressure_at_full").trend is None
    found["trend_per_day"] = -0.4
    view = view_of(source, "pressure_at_full")
    text = history_svg(view, source.time)
    assert 'class="trend"' in text
    assert 'class="fan"' not in text
    assert ">now<" not in text
    middle = np.median(view.values)
    assert view.trend.value == pytest.approx(middle, abs=1.0)
    assert trend_line(found, np.array([1]), np.array([1.0])) is None


@pytest.mark.parametrize(
    ("early", "late", "words"),
    [
        (4.0, 9.0, "(between 28 Nov and 3 Dec)"),
        (4.0, None, "(not before 28 Nov, perhaps not at all)"),
        (None, None, "about 30 Nov"),
    ],
)
def test_a_forecast_says_how_sure_it_is(plants, plant, source, early, late, words):
    ends = [None if days is None else iso_in(plants, plant, days) for days in (early, late)]
    found = {
        "trend_per_day": 0.2,
        "as_left": 1.0,
        "tolerance": [None, 2.0],
        "forecast": iso_in(plants, plant, 6.0),
        "forecast_interval": ends,
    }
    line = trend_line(found, np.array([plant.now - DAY, plant.now]), np.array([1.6, 1.8]))
    assert line.value_at(plant.now + 6 * DAY) == pytest.approx(3.0)
    assert trend_words(line, "moves", source.time).endswith(words)


def test_a_chart_has_its_words_and_numbers_and_a_file(source):
    views = history_views(source, V)
    text = histories(views, V, source.time)
    assert text.count("<svg") == text.count("<details") == len(views)
    assert f'href="/csv/{V}/history?from=2026-11-03T' in text
    assert all(view.words in text for view in views)


def test_a_setting_that_stayed_is_not_marked_as_departed_by_its_pair():
    """Both pressures lead to one kind of finding; only the one that moved has an onset in its history."""
    finding = {"kind": "pressure-changed", "onset": "2026-11-14T02:10:00.000Z", "consequence_of": None}
    quantities = [
        {"id": "pressure_at_full", "verdict": "out", "tolerance_used": -140.0},
        {"id": "pressure_at_zero", "verdict": "in", "tolerance_used": 4.0},
    ]
    judgement = {"quantities": quantities, "findings": [finding]}
    assert onset_of_quantity(judgement, "pressure_at_full") is not None
    assert onset_of_quantity(judgement, "pressure_at_zero") is None
    quantities[1].update(verdict="out", tolerance_used=120.0)
    assert onset_of_quantity(judgement, "pressure_at_zero") is not None
