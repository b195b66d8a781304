from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.types import State
from asleft.web.valve.slow import curve_figure, curve_words
from asleft.web.views.curve import MOST_DOTS, curve_view, steady_dots


def test_dots_of_production_lie_on_the_curve_and_know_their_branch(source):
    view = curve_view(source, "press-1.platen")
    assert view.rising_a.size > 10
    assert view.falling_a.size > 10
    line = 12 + (view.rising_a - 0.18) / 0.74 * 198
    assert np.abs(view.rising_bar - line).max() < 4
    # The cycle rises to 55, 65 and 92 % and falls to 40 and 5 %.
    reached = (view.rising_a - 0.18) / 0.74
    assert reached.min() > 0.5
    fallen = (view.falling_a - 0.18) / 0.74
    assert fallen.max() < 0.45


def test_the_load_and_not_the_valve_makes_the_pressure_of_an_approach():
    time_ns = np.arange(0, 10_000, 20, dtype=np.int64) * 10**6
    current = np.where(time_ns < 500 * 10**6, 0.2, 0.6)
    slow = 20 + time_ns / 1e9 * 15  # steady current, pressure still on its way
    assert steady_dots(time_ns, current, slow)[0].size == 0
    held = np.full(time_ns.size, 110.0)
    assert steady_dots(time_ns, current, held)[0].size > 30


def test_no_more_dots_than_a_screen_can_show_and_none_from_nothing():
    time_ns = np.arange(0, 600_000, 20, dtype=np.int64) * 10**6
    current = np.where(time_ns < 10**9, 0.7, 0.5)
    at_a, _, up = steady_dots(time_ns, current, np.full(time_ns.size, 100.0))
    assert at_a.size == MOST_DOTS
    assert not up.any()
    assert steady_dots(time_ns[:1], np.ones(1), np.ones(1))[0].size == 0
    assert steady_dots(time_ns, np.full(time_ns.size, np.nan), np.ones(time_ns.size))[0].size == 0


def test_a_valve_without_current_has_no_curve_and_says_so(source):
    assert curve_view(source, "press-4.cushion") is None
    assert "needs a current and a pressure" in curve_words(None)


def test_without_production_the_commissioned_curve_stands_alone(plant, source, monkeypatch):
    monkeypatch.setattr(plant, "intervals", lambda *_: [])
    view = curve_view(source, "press-1.platen")
    assert view.rising_a.size == 0
    assert view.left_a.size == 4
    assert "No production" in curve_words(view)


def test_a_stop_inside_the_window_leaves_no_dots(plant, source, monkeypatch):
    whole = curve_view(source, "press-1.platen")
    real = plant.intervals

    def late(valve, from_ns, to_ns):
        # The same production, but all save its last minute was spent in set-up.
        last = real(valve, from_ns, to_ns)[-1]
        middle_s = last.to_s - 60.0
        return [
            replace(last, state=State.SET_UP, from_s=last.to_s - 3600.0, to_s=middle_s),
            replace(last, state=State.PRODUCING, from_s=middle_s, to_s=last.to_s),
        ]

    monkeypatch.setattr(plant, "intervals", late)
    part = curve_view(source, "press-1.platen")
    assert whole.seen == part.seen, "the same window"
    assert 0 < part.rising_a.size + part.falling_a.size < 0.7 * (whole.rising_a.size + whole.falling_a.size)


def test_the_branches_differ_in_shape_and_words(source):
    figure = curve_figure(curve_view(source, "press-1.platen"))
    assert json.loads(json.dumps(figure)) == figure
    by_name = {trace["name"]: trace for trace in figure["data"]}
    assert by_name["found, rising"]["marker"]["symbol"] == "triangle-up"
    assert by_name["found, falling"]["marker"]["symbol"] == "triangle-down-open"
    assert "dash" in by_name["as left, falling"]["line"]
    text = curve_words(curve_view(source, "press-1.platen"))
    assert "as left, rising" in text
    assert "<table" in text


def test_branches_are_named_where_they_are_and_not_in_a_legend(source):
    view = curve_view(source, "press-1.platen")
    layout = curve_figure(view)["layout"]
    assert not layout["showlegend"]
    rising, falling = layout["annotations"]
    assert rising["text"] == "rising: ▲ found,<br>solid as left"
    assert falling["text"] == "falling: ▽ found,<br>dashed as left"
    for label, branch in ((rising, view.left_rising_bar), (falling, view.left_falling_bar)):
        assert label["y"] == pytest.approx(np.interp(label["x"], view.left_a, branch), abs=0.1)
    assert (rising["xanchor"], rising["yanchor"]) == ("left", "top")  # a rising branch lies below a falling one
    assert (falling["xanchor"], falling["yanchor"]) == ("right", "bottom")
    left = view.left_a
    alone = replace(view, **dict.fromkeys(("left_a", "left_rising_bar", "left_falling_bar"), np.empty(0)))
    assert [one["text"] for one in curve_figure(alone)["layout"]["annotations"]] == [
        "rising: ▲ found",
        "falling: ▽ found",
    ]
    for one in curve_figure(alone)["layout"]["annotations"]:
        assert left[0] <= one["x"] <= left[-1]
    none = replace(view, rising_a=np.empty(0), rising_bar=np.empty(0))
    assert curve_figure(none)["layout"]["annotations"][0]["text"] == "rising: solid as left"


def test_the_tolerance_hangs_unevenly_where_the_sheet_says_so(plant, source):
    plant.revise("press-1.platen", plant.now - 86_400 * 10**9)
    record = plant._revisions["press-1.platen"][0]
    uneven = record.toml + "[tolerance]\npressure_at_full = [-3.0, 8.0]\n"
    plant._revisions["press-1.platen"][0] = replace(record, toml=uneven)
    view = curve_view(source, "press-1.platen")
    low, high = view.band_bar
    assert np.minimum(view.left_rising_bar, view.left_falling_bar) - low == pytest.approx(3.0)
    assert high - np.maximum(view.left_rising_bar, view.left_falling_bar) == pytest.approx(8.0)
    assert replace(view, tolerance_bar=None).band_bar is None


def test_dots_are_of_one_sheet_alone(plant, source):
    whole = curve_view(source, "press-1.platen")
    plant.revise("press-1.platen", plant.now - 60 * 10**9)
    part = curve_view(source, "press-1.platen")
    assert 0 < part.rising_a.size < whole.rising_a.size
    assert part.seen == "Production from 16:01 to 16:02, steady stretches."
