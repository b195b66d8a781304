from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from asleft.web.valve.slow import ramps_figure, ramps_words
from asleft.web.views.ramps import MOST_STROKES, ramps_view, strokes_in

SECOND = 10**9
T0 = 1_790_000_000 * SECOND


def log_of(levels, *, hold_s=6.0, up_s=1.6, down_s=2.4, rate_hz=100, command_ramp_s=0.0, noise_a=0.0):
    """A driver that follows fixed steps with its own ramps: time (ns), command (mA), current (A)."""
    n = round(hold_s * rate_hz)
    wanted = np.repeat(np.array(levels, dtype=float) / 100, n)
    if command_ramp_s:
        wanted = limited(wanted, command_ramp_s, command_ramp_s, rate_hz)
    current = 0.18 + 0.74 * limited(wanted, up_s, down_s, rate_hz)
    noise = np.random.default_rng(4).normal(size=wanted.size) * noise_a
    return T0 + np.arange(wanted.size) * (SECOND // rate_hz), 4 + 16 * wanted, current + noise


def limited(wanted, up_s, down_s, rate_hz):
    out, now = np.empty(wanted.size), wanted[0]
    for k, target in enumerate(wanted):
        now += min(max(target - now, -1 / down_s / rate_hz), 1 / up_s / rate_hz)
        out[k] = now
    return out


@pytest.fixture
def sheet(source):
    return source.sheet("press-1.platen", source.now_ns())


def found(sheet, log, inside=None):
    return strokes_in(sheet, *log, inside or [(0, 2 * T0)])


def test_a_ramp_runs_straight_to_the_end_at_its_time_over_the_full_span_whatever_its_size(sheet):
    strokes = found(sheet, log_of([5, 55, 92, 40, 65, 5, 95, 5]))
    assert [(round(s.from_pct), round(s.to_pct)) for s in strokes if s.up] == [(5, 55), (5, 95)]  # 37 and 25: short
    for stroke in strokes:
        time_s = 1.6 if stroke.up else 2.4
        inside = (stroke.time_s > 0) & (stroke.time_s < 0.9 * time_s)
        assert stroke.way[inside] == pytest.approx(stroke.time_s[inside] / time_s, abs=0.03)
        assert stroke.way[stroke.time_s < -0.05] == pytest.approx(0, abs=0.01)
        assert stroke.way[-1] == pytest.approx(1, abs=0.01)
        assert stroke.time_s[-1] == pytest.approx(1.3 * time_s, rel=0.15)  # not the whole rest after it
        assert stroke.between_s() == pytest.approx(0.8 * time_s, rel=0.06)


def test_a_changed_ramp_shows_beside_that_of_the_sheet(sheet):
    slow = found(sheet, log_of([5, 95, 5, 95, 5], up_s=2.1, noise_a=0.0015))
    assert [s.between_s() for s in slow if s.up] == pytest.approx([0.8 * 2.1] * 2, rel=0.06)


def test_what_did_not_settle_or_was_no_jump_is_left_out(sheet):
    assert found(sheet, log_of([5, 95, 5, 95], hold_s=1.2)) == []
    assert found(sheet, log_of([5, 95, 5, 95], command_ramp_s=2.0)) == []
    assert found(sheet, log_of([50, 54, 50])) == []
    assert found(sheet, log_of([50])) == []
    none = (np.empty(0, np.int64), np.empty(0), np.empty(0))
    assert found(sheet, none) == []


@pytest.mark.parametrize(("rate_hz", "gap_s", "kept"), [(100, 0.4, 1), (100, 0.03, 2), (20, 0.0, 2)])
def test_a_stroke_with_a_hole_in_it_is_not_drawn_across_the_hole(sheet, rate_hz, gap_s, kept):
    """Readings that failed would else be a straight line to wherever the current was when they came back."""
    time_ns, command, current = log_of([5, 95, 5, 95, 5], hold_s=6.0, rate_hz=rate_hz)
    lost = (time_ns > T0 + 6.5 * SECOND) & (time_ns < T0 + (6.5 + gap_s) * SECOND)
    current = np.where(lost, np.nan, current)
    assert len([one for one in found(sheet, (time_ns, command, current)) if one.up]) == kept


def test_only_strokes_within_production_count(sheet):
    log = log_of([5, 95, 5, 95, 5])
    assert len(found(sheet, log)) == 4
    first = [(T0, T0 + 13 * SECOND)]
    assert len(found(sheet, log, first)) == 1
    assert found(sheet, log, [(0, 1)]) == []


def test_lost_readings_do_not_disturb(sheet):
    time_ns, command, current = log_of([5, 95, 5, 95, 5])
    current[::7] = np.nan
    command[3::50] = np.nan
    strokes = found(sheet, (time_ns, command, current))
    assert len(strokes) == 4
    assert all(np.isfinite(s.way).all() for s in strokes)


def test_few_and_recent_ones_are_shown(sheet):
    strokes = found(sheet, log_of([5, 95] * 12))
    assert sum(s.up for s in strokes) == MOST_STROKES
    assert strokes[-1].at_ns == max(s.at_ns for s in strokes) > T0 + 120 * SECOND
    assert all(s.way.size <= 160 for s in strokes)


def test_the_plants_ramps_lie_on_the_sheet_but_for_the_changed_one(source):
    for valve, up_s in (("press-1.platen", 1.6), ("press-2.clamp", 2.1)):
        view = ramps_view(source, valve)
        assert view.left_s == {"ramp_up": 1.6, "ramp_down": 2.4}
        for stroke in view.of("ramp_up"):
            assert stroke.between_s() == pytest.approx(0.8 * up_s, rel=0.1)
        assert view.of("ramp_down")


def test_each_reason_for_an_empty_plot_is_told(plant, source, monkeypatch):
    assert "no current reading" in ramps_view(source, "press-4.cushion").seen
    assert "No sheet" in ramps_view(source, "nope").seen
    monkeypatch.setattr(plant, "intervals", lambda *_: [])
    assert "No production" in ramps_view(source, "press-1.platen").seen
    monkeypatch.undo()
    whole = plant.samples
    still = lambda v, a, b: replace(s := whole(v, a, b), channels={**s.channels, "command": s.time_ns * 0.0 + 12})  # noqa: E731
    monkeypatch.setattr(plant, "samples", still)
    view = ramps_view(source, "press-1.platen")
    assert "those of the driver do not show" in view.seen
    assert "do not show" in ramps_words(view, "press-1.platen", source.time)


def test_no_stroke_from_before_a_revision_is_held_against_the_new_sheet(plant, source):
    plant.revise("press-1.platen", plant.now - 100 * SECOND, ramp_up=0.5)
    view = ramps_view(source, "press-1.platen")
    assert view.left_s["ramp_up"] == 0.5
    assert all(stroke.at_ns > plant.now - 100 * SECOND for stroke in view.strokes)


def test_the_figure_is_plain_json_with_the_sheets_line_and_band(source):
    figure = ramps_figure(ramps_view(source, "press-2.clamp"))
    assert json.loads(json.dumps(figure)) == figure
    left = [t for t in figure["data"] if t["name"] == "as left"]
    assert [t["x"][1] for t in left] == [1.6, 2.4]
    assert all(t["y"] == [0.0, 1.0, 1.0] for t in left)
    band = next(t for t in figure["data"] if t["name"] == "tolerance")
    assert band["x"] == pytest.approx([0, 1.44, 1.76, 0])
    bare = replace(ramps_view(source, "press-2.clamp"), left_s={}, tolerance={}, strokes=[])
    assert "none seen" in ramps_figure(bare)["layout"]["annotations"][0]["text"]


def test_the_ramps_are_told_in_words_numbers_and_a_file(source):
    text = ramps_words(ramps_view(source, "press-2.clamp"), "press-2.clamp", source.time)
    assert "left at 1.60 s, of which 1.28 s" in text
    assert "<table" in text
    assert "/csv/press-2.clamp/window?from=2026-11-24T" in text
