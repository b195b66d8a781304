from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.types import State, StateInterval
from asleft.store.protocols import Overview
from asleft.web.figures.window import RAW_TRACES, extension, window_figure
from asleft.web.fragments.plots import window_words
from asleft.web.views.live import LiveCursor, first_minute, since
from asleft.web.views.spans import SPANS, Choice
from asleft.web.views.window import BINS, bin_width, current_tolerance_a, raw_lines, window_view

LIVE = Choice(SPANS["1min"])
SECOND = 10**9


def test_expected_and_measured_agree_on_a_healthy_valve_and_part_on_a_changed_ramp(source):
    for valve, largest in (("press-1.platen", 0.02), ("press-2.clamp", 0.5)):
        view = window_view(source, valve, LIVE)
        measured, expected = view.lines["current"], view.lines["expected"]
        at = np.interp(expected.time_ns, measured.time_ns, measured.values)
        difference = np.abs(at - expected.values)
        assert np.median(difference) < 0.01
        assert difference.max() < largest
        if valve == "press-2.clamp":
            assert difference.max() > 0.05


def test_a_window_is_thinned_to_what_a_screen_can_show(source):
    for key in ("1min", "10min"):
        view = window_view(source, "press-1.platen", Choice(SPANS[key]))
        for line in view.lines.values():
            assert line.values.size <= 2 * BINS + 4
        assert set(view.lines) == {"command", "current", "pressure", "expected"}


def test_long_spans_come_from_overviews_alone(plant, source, monkeypatch):
    def refuse(*_):
        raise AssertionError("raw readings asked for")

    monkeypatch.setattr(plant, "samples", refuse)
    for key in ("1h", "8h", "1d", "1w", "3w"):
        view = window_view(source, "press-1.platen", Choice(SPANS[key]))
        assert set(view.envelopes) == {"command", "current", "pressure"}
        figure = window_figure(view, source.time, live=False)
        assert len(json.dumps(figure)) < 400_000


def test_a_valve_without_current_has_no_such_line_but_is_told_what_is_expected(plant, source):
    view = window_view(source, "press-4.cushion", Choice(SPANS["10min"], plant.now - 3600 * SECOND))
    assert "current" not in view.lines
    assert "expected" in view.lines
    assert set(view.figures()) == {"command", "pressure", "expected"}


def test_the_tolerance_of_current_runs_from_zero_to_full(source):
    sheet = source.sheet("press-1.platen", source.now_ns())
    band = current_tolerance_a(sheet, np.array([0.0, 0.18, 0.92, 2.0, np.nan]))
    assert band[:4] == pytest.approx([0.0148] * 4, rel=0.02)
    assert np.isnan(band[4])


def test_onsets_and_states_lie_in_the_window(source):
    view = window_view(source, "press-2.clamp", Choice(SPANS["3w"]))
    assert [o.words for o in view.onsets] == ["ramp up changed", "response changed"]
    assert {s.state for s in view.states} == {"producing", "stopped", "set-up"}
    assert all(view.from_ns <= s.from_ns < s.to_ns <= view.to_ns for s in view.states)
    figure = window_figure(view, source.time, live=False)
    assert len(figure["layout"]["shapes"]) == 2
    assert window_view(source, "press-2.clamp", LIVE).onsets == []


def test_a_figure_is_plain_json_with_its_dates_as_numbers(source):
    figure = window_figure(window_view(source, "press-2.clamp", LIVE), source.time, live=True)
    assert json.loads(json.dumps(figure)) == figure
    assert figure["layout"]["xaxis"]["type"] == "date"
    assert len(figure["data"]) == len(RAW_TRACES)
    first = next(x for x in figure["data"][0]["x"] if x is not None)
    assert isinstance(first, float)
    now_ms = source.now_ns() / 1e6
    assert now_ms + 3600e3 - 61_000 <= first <= now_ms + 3600e3  # Madrid is an hour ahead of UTC in November


def test_pieces_of_the_live_minute_join_without_seam_or_repeat(plant, source):
    view, cursor = first_minute(source, "press-1.platen", LIVE)
    times = {name: [line.time_ns] for name, line in view.lines.items()}
    for _ in range(5):
        plant.now += 1_037_000_000
        piece, cursor = since(source, "press-1.platen", LIVE, cursor)
        for name, line in piece.lines.items():
            times[name].append(line.time_ns)
    for name, pieces in times.items():
        joined = np.concatenate(pieces)
        assert np.all(np.diff(joined) > 0), name
        assert np.diff(joined).max() < 0.3 * SECOND, name
    whole, _ = first_minute(source, "press-1.platen", LIVE)
    shared = np.concatenate(times["pressure"])
    shared = shared[shared >= whole.lines["pressure"].time_ns[4]]
    np.testing.assert_array_equal(shared, whole.lines["pressure"].time_ns[4:])


def test_a_live_second_is_small_on_the_wire(plant, source):
    _, cursor = first_minute(source, "press-1.platen", LIVE)
    plant.now += SECOND
    piece, _ = since(source, "press-1.platen", LIVE, cursor)
    points = extension(piece, source.time)
    assert len(points["x"]) == len(RAW_TRACES)
    assert len(json.dumps(points)) < 5000


def test_without_new_samples_the_cursor_stays(source):
    _, cursor = first_minute(source, "press-4.cushion", LIVE)
    piece, again = since(source, "press-4.cushion", LIVE, cursor)
    assert again.samples_ns == cursor.samples_ns
    assert piece.empty


def test_after_a_long_sleep_only_the_minute_is_sent_and_begins_with_a_break(plant, source):
    late = LiveCursor(plant.now - 3600 * SECOND, plant.now - 3600 * SECOND)
    piece, cursor = since(source, "press-1.platen", LIVE, late)
    assert piece.lines["command"].time_ns[0] >= plant.now - 60 * SECOND
    assert cursor.samples_ns > plant.now - 2 * SECOND
    gap = plant.now - 30 * SECOND
    plant.samples, whole = (lambda v, a, b: whole(v, max(a, gap), b)), plant.samples
    piece, _ = since(source, "press-1.platen", LIVE, LiveCursor(plant.now - 50 * SECOND, plant.now - 50 * SECOND))
    assert np.isnan(piece.lines["command"].values[0])
    assert np.isnan(piece.band_a[0])


def test_states_of_the_live_minute_overlap_a_little_and_do_not_repeat(plant, source):
    _, cursor = first_minute(source, "press-1.platen", LIVE)
    piece, same = since(source, "press-1.platen", LIVE, cursor)
    assert piece.states == []
    plant.now += 2 * SECOND
    piece, moved = since(source, "press-1.platen", LIVE, same)
    assert piece.states[0].from_ns < cursor.states_ns < piece.states[-1].to_ns == moved.states_ns


def test_the_plot_is_told_in_words_and_numbers(source):
    text = window_words(window_view(source, "press-2.clamp", Choice(SPANS["10min"])), source.time)
    assert "Europe/Madrid" in text
    assert "coil current, measured" in text
    assert "<table" in text
    nothing = window_words(window_view(source, "nope", LIVE), source.time)
    assert "nothing was recorded" in nothing


def test_short_states_and_lone_stretches_are_wide_enough_to_be_seen(plant, source, monkeypatch):
    at = plant.now - 5 * 86_400 * SECOND
    lone = Overview(np.array([at]), np.array([10.0]), np.array([50.0]), np.array([90.0]))
    monkeypatch.setattr(plant, "overview", lambda *_: lone)
    brief = [StateInterval(State.PRODUCING, at / 1e9, at / 1e9 + 600, "pump running")]
    monkeypatch.setattr(plant, "intervals", lambda *_: brief)
    figure = window_figure(window_view(source, "press-1.platen", Choice(SPANS["3w"])), source.time, live=False)
    width_ms = 21 * 86_400e3
    states = figure["data"][-1]
    assert states["x"][1] - states["x"][0] > width_ms / 310
    low, high = figure["data"][0], figure["data"][1]
    assert low["x"][-1] - low["x"][0] > width_ms / 1000
    assert low["y"] == [10.0, 10.0]
    assert high["y"] == [90.0, 90.0]


def test_axes_keep_to_the_ends_of_the_sheet_when_nothing_moves(source):
    layout = window_figure(window_view(source, "press-3.knock-out", LIVE), source.time, live=True)["layout"]
    assert layout["yaxis2"]["autorangeoptions"]["include"] == [0.0, 0.92]
    assert layout["yaxis"]["autorangeoptions"]["include"] == [4.0, 20.0]


def test_a_row_without_readings_says_so(source):
    view = replace(window_view(source, "press-4.cushion", Choice(SPANS["1d"])), scale={})
    layout = window_figure(view, source.time, live=False)["layout"]
    assert any("not recorded on this valve" in a["text"] for a in layout["annotations"])
    assert layout["yaxis2"]["range"] == [0, 1]


def test_the_expected_current_has_settled_before_the_stretch_begins(plant, source):
    """Wherever a piece begins, on a ramp too, it continues the curve that the whole picture shows."""
    whole = window_view(source, "press-1.platen", LIVE).lines["expected"]
    sheet = source.sheet("press-1.platen", plant.now)
    for back in range(10, 70):
        start = plant.now - back * SECOND // 2 - 2 * SECOND
        piece = raw_lines(plant, "press-1.platen", sheet, start, start + SECOND, bin_width(LIVE))[0]["expected"]
        at = np.interp(piece.time_ns, whole.time_ns, whole.values)
        assert np.abs(at - piece.values).max() < 0.03
