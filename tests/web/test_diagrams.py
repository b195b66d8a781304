"""The report's pictures: axes at round numbers, like ramps over one another, the curve over that of commissioning."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.types import State, StateInterval
from asleft.web.figures.axes import Axes, numeral
from asleft.web.figures.curve_paper import curve_svg
from asleft.web.figures.strokes_paper import strokes_svg
from asleft.web.report.state import state_report
from asleft.web.stretch import Stretch
from asleft.web.units import Pressures
from asleft.web.views.curve import curve_view
from asleft.web.views.strokes import runs, strokes_views

V = "press-2.clamp"
I0, SPAN = 0.18, 0.74  # of the plant's sheet, A


def test_numbers_of_ticks_are_short():
    assert [numeral(v) for v in (0.30000000000000004, -2.0, 1000.0)] == ["0.3", "−2", "1000"]


def test_what_is_beyond_stands_at_the_end_and_what_is_missing_breaks_the_line():
    axes = Axes(0.0, 10.0, 0.0, 1.0)
    assert axes.x(12.0) == axes.x(10.0) > axes.x(0.0)
    assert axes.y(1.0) < axes.y(0.0) == axes.y(-3.0)
    assert re.findall("[ML]", axes.line([0, 1, 2, 3, 4], [0, 0.1, float("nan"), 0.2, 0.3])) == ["M", "L", "M", "L"]


def test_runs_are_whole_and_one_way():
    time_s = np.arange(0, 12, 0.5)
    values = np.interp(time_s, [0, 2, 4, 6, 8, 10, 12], [1.0, 1.0, 3.0, 3.0, 0.0, 0.0, 5.0])
    assert [(time_s[a], time_s[b]) for a, b in runs(time_s, values, 0.4, rising=True)] == [(2.0, 4.0)]
    assert [(time_s[a], time_s[b]) for a, b in runs(time_s, values, 0.4, rising=False)] == [(6.0, 8.0)]
    assert runs(time_s, values, 5.0, rising=True) == []
    assert runs(time_s[:2], values[:2], 0.1, rising=True) == []


def test_like_ramps_are_laid_over_one_another(source):
    up, down = strokes_views(source, V)
    assert (up.rising, down.rising) == (True, False)
    assert "20 strokes from 0.217 to 0.585 A" in up.words
    assert len(up.strokes) == 12
    for one in up.strokes:
        began = np.flatnonzero(one.expected_a > up.from_a + 0.02 * SPAN)[0]
        assert one.time_s[began] == pytest.approx(0.0, abs=0.1)
        # The plant's ramp up takes 2.1 s where the sheet has 1.6 s.
        middle = (up.from_a + up.to_a) / 2
        late = one.time_s[np.argmax(one.measured_a > middle)] - one.time_s[np.argmax(one.expected_a > middle)]
        assert late == pytest.approx(0.5 * (2.1 - 1.6) * (up.to_a - up.from_a) / SPAN, abs=0.04)
    assert max(np.abs(one.measured_a - one.expected_a).max() for one in down.strokes) < 0.02
    svg = strokes_svg(up)
    assert svg.count("M", svg.index('<path d="M'), svg.index('class="found"')) == 12
    assert f'aria-label="{up.words}"' in svg


def test_without_production_current_or_ramps_there_is_no_picture_of_them(source, plant):
    real = plant.samples
    plant.samples = lambda *given: replace(
        real(*given), channels={k: v for k, v in real(*given).channels.items() if k != "current"}
    )
    assert strokes_views(source, V) == []
    plant.samples = real
    plant.intervals = lambda *_: [StateInterval(State.STOPPED, plant.now / 1e9 - 900, plant.now / 1e9, "")]
    assert strokes_views(source, V) == []


def test_the_curve_is_drawn_in_the_readers_unit(source, monkeypatch):
    view = curve_view(source, V)
    svg = curve_svg(view)
    assert "pressure, bar" in svg
    assert svg.count("l2.6") == view.rising_a.size + view.falling_a.size
    assert 'class="band"' in svg
    monkeypatch.setattr("asleft.web.units.current", lambda: Pressures("MPa"))
    assert "pressure, MPa" in curve_svg(view)
    branches = ("rising_a", "rising_bar", "falling_a", "falling_bar", "left_a", "left_rising_bar", "left_falling_bar")
    empty = replace(view, **dict.fromkeys(branches, np.empty(0)))
    assert curve_svg(empty) is None


def test_the_report_has_them(source, plant):
    text = state_report(source, V, Stretch(plant.now - 3600 * 10**9, plant.now), "9.9")
    assert text.count('class="diagram"') == 3
    assert "Ramp up, 12 of 20 strokes" in text
    without = state_report(source, "press-4.cushion", Stretch(plant.now - 3600 * 10**9, plant.now), "9.9")
    assert "Data coverage" in without
