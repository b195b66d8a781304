"""The report's pictures: axes at round numbers, like ramps over one another, the curve over that of commissioning."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.types import State, StateInterval
from asleft.web.figures import Chart, numeral, ticks
from asleft.web.report.state import curve_svg, state_report
from asleft.web.units import Pressures
from asleft.web.views.curve import curve_view
from asleft.web.views.ramps import ramps_view
from asleft.web.when import Stretch

V = "press-2.clamp"
I0, SPAN = 0.18, 0.74  # of the plant's sheet, A


def test_numbers_of_ticks_are_short():
    assert [numeral(v) for v in (0.30000000000000004, -2.0, 1000.0)] == ["0.3", "−2", "1000"]


def test_ticks_are_round_and_inside():
    assert ticks(0.18, 0.92, 6) == [0.2, 0.4, 0.6, 0.8]
    assert ticks(-20.0, 210.0, 5) == [0.0, 50.0, 100.0, 150.0, 200.0]
    assert ticks(1.0, 1.0, 5) == [1.0]


def test_what_is_beyond_stands_at_the_end_and_what_is_missing_breaks_the_line():
    chart = Chart((0.0, 10.0), (0.0, 1.0), "across", "upwards")
    assert chart.at_y(7.0) == chart.at_y(2.0) < chart.at_y(1.0) < chart.at_y(0.0) < chart.at_y(-3.0)
    chart.line([0, 1, 2, 3, 4], [0, 0.1, float("nan"), 0.2, 0.3], "trace")
    path = re.search(r'd="([^"]+)"', chart.pieces[0]).group(1)
    assert re.findall("[ML]", path) == ["M", "L", "M", "L"]


@pytest.mark.parametrize(("low", "moved"), [(0.05, True), (0.45, False)])
def test_the_keys_leave_the_words_of_a_line_in_their_corner_alone(low, moved):
    chart = Chart((0.0, 10.0), (0.0, 1.0), "across", "upwards")
    chart.across(low, "wanted at zero")
    chart.keys += [("left", "as left"), ("up", "way up")]
    drawn = chart.svg("a chart")
    at = {words: float(y) for y, words in re.findall(r'y="([0-9.]+)"[^>]*>([a-z ]+)</text>', drawn)}
    gaps = [abs(at["wanted at zero"] - at[key]) for key in ("as left", "way up")]
    assert min(gaps) >= 12.0
    assert (at["way up"] < at["wanted at zero"]) is moved  # else there is room below it


def test_ramps_of_the_report_lie_over_that_of_the_sheet(source):
    """The plant's ramp up takes 2.1 s where the sheet has 1.6 s; down it is as the sheet says."""
    view = ramps_view(source, V)
    for quantity, ramp_s in (("ramp_up", 2.1), ("ramp_down", 2.4)):
        strokes = view.of(quantity)
        assert len(strokes) >= 3
        for one in strokes:
            assert one.between_s() == pytest.approx(0.8 * ramp_s, rel=0.06)
    text = state_report(source, V, Stretch(source.now_ns() - 3600 * 10**9, source.now_ns()), "9.9")
    for way, quantity in (("up", "ramp_up"), ("down", "ramp_down")):
        svg = re.search(f'aria-label="Ramp {way}: [0-9]+ strokes[^>]*>.*?</svg>', text, re.DOTALL).group(0)
        assert svg.count('class="trace"') == len(view.of(quantity))
        assert svg.count('class="left"') == 1


def test_without_production_or_current_there_is_no_picture_of_them(source, plant):
    now = source.now_ns()
    real = plant.samples
    plant.samples = lambda *given: replace(
        real(*given), channels={k: v for k, v in real(*given).channels.items() if k != "current"}
    )
    assert "strokes over the ramp as left" not in state_report(source, V, Stretch(now - 3600 * 10**9, now), "9.9")
    plant.samples = real
    plant.intervals = lambda *_: [StateInterval(State.STOPPED, plant.now / 1e9 - 900, plant.now / 1e9, "")]
    assert "strokes over the ramp as left" not in state_report(source, V, Stretch(now - 3600 * 10**9, now), "9.9")


def test_the_curve_is_drawn_in_the_readers_unit(source, monkeypatch):
    view = curve_view(source, V)
    svg = curve_svg(view)
    assert "pressure, bar" in svg
    assert svg.count("h8l-4") == view.rising_a.size + view.falling_a.size
    assert 'class="band"' in svg
    monkeypatch.setattr("asleft.web.units.current", lambda: Pressures("MPa"))
    assert "pressure, MPa" in curve_svg(view)
    branches = ("rising_a", "rising_bar", "falling_a", "falling_bar", "left_a", "left_rising_bar", "left_falling_bar")
    empty = replace(view, **dict.fromkeys(branches, np.empty(0)))
    assert curve_svg(empty) is None


def test_the_report_has_them(source, plant):
    text = state_report(source, V, Stretch(plant.now - 3600 * 10**9, plant.now), "9.9")
    assert text.count('class="chart"') == 3
    assert "strokes over one another, scaled to the full span" in text
    without = state_report(source, "press-4.cushion", Stretch(plant.now - 3600 * 10**9, plant.now), "9.9")
    assert "Data coverage" in without
