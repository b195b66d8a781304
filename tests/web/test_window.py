from __future__ import annotations

import json
import sys
from dataclasses import replace

import numpy as np
import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.sheet.model import Tolerance
from asleft.store.protocols import Overview
from asleft.web.valve.window import LiveCursor, first_minute, since, window_words
from asleft.web.valve.window_figure import RAW_TRACES, extension, window_figure
from asleft.web.views.history import sheets_in
from asleft.web.views.spans import Choice
from asleft.web.views.window import (
    BINS,
    bin_width,
    current_tolerance_a,
    expected_in,
    lead_in_ns,
    moving_mean,
    raw_lines,
    window_view,
)

LIVE = Choice.of("1min")
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
    for key in ("1s", "10s", "1min", "10min"):
        view = window_view(source, "press-1.platen", Choice.of(key))
        for line in view.lines.values():
            assert line.values.size <= 2 * BINS + 4
        assert set(view.lines) == {"command", "current", "pressure", "expected"}


def test_long_spans_come_from_overviews_alone(plant, source, monkeypatch):
    def refuse(*_):
        raise AssertionError("raw readings asked for")

    monkeypatch.setattr(plant, "samples", refuse)
    for key in ("1h", "8h", "1d", "1w", "3w", "13w", "1y"):
        view = window_view(source, "press-1.platen", Choice.of(key))
        assert set(view.envelopes) == {"command", "current", "pressure"}
        figure = window_figure(view, source.time, live=False)
        assert len(json.dumps(figure)) < 400_000


def test_a_valve_without_current_has_no_such_line_but_is_told_what_is_expected(plant, source):
    view = window_view(source, "press-4.cushion", Choice.of("10min", plant.now - 3600 * SECOND))
    assert "current" not in view.lines
    assert "expected" in view.lines
    assert set(view.figures()) == {"command", "pressure", "expected"}


def test_the_tolerance_of_current_runs_from_zero_to_full_on_either_side(source):
    sheet = source.sheet("press-1.platen", source.now_ns())
    below, above = current_tolerance_a(sheet, np.array([0.0, 0.18, 0.92, 2.0, np.nan]))
    assert above[:4] == pytest.approx([0.0148] * 4, rel=0.02)
    assert np.isnan(above[4])
    uneven = {"current_at_zero": Tolerance(0.01, 0.02), "current_at_full": Tolerance(0.03, 0.06)}
    below, above = current_tolerance_a(replace(sheet, tolerance=uneven), np.array([0.18, 0.55, 0.92]))
    assert below == pytest.approx([0.01, 0.02, 0.03])
    assert above == pytest.approx([0.02, 0.04, 0.06])
    one_sided = {**uneven, "current_at_full": Tolerance(np.inf, 0.06)}
    below, above = current_tolerance_a(replace(sheet, tolerance=one_sided), np.array([0.18, 0.92]))
    assert np.isnan(below).all()
    assert above == pytest.approx([0.02, 0.06])


def test_the_band_hangs_unevenly_round_what_is_expected(plant, source):
    plant.revise("press-1.platen", plant.now - 3600 * SECOND, number=4)
    record = plant._revisions["press-1.platen"][0]
    text = record.toml + "[tolerance]\ncurrent_at_zero = [-0.01, 0.05]\ncurrent_at_full = [-0.01, 0.05]\n"
    plant._revisions["press-1.platen"][0] = replace(record, toml=text)
    view = window_view(source, "press-1.platen", LIVE)
    low, high = view.band_a
    expected = view.lines["expected"].values
    assert np.nanmax(np.abs(expected - low - 0.01)) < 1e-9
    assert np.nanmax(np.abs(high - expected - 0.05)) < 1e-9


def test_across_a_revision_each_part_is_expected_by_its_own_sheet(plant, source):
    cut = plant.now - 30 * SECOND
    plant.revise("press-1.platen", cut, current_at_zero=0.30, current_at_full=1.20)
    before = window_view(source, "press-1.platen", Choice.of("10s", cut)).lines["expected"]
    view = window_view(source, "press-1.platen", LIVE)
    line, measured = view.lines["expected"], view.lines["current"]
    at = np.interp(line.time_ns, measured.time_ns, measured.values)
    old = line.time_ns < cut
    assert np.abs(at - line.values)[old].max() < 0.02  # the valve is as the first of the two sheets says
    assert np.abs(at - line.values)[~old].min() > 0.1
    share = (at[~old] - 0.18) / 0.74
    assert line.values[~old] == pytest.approx(0.30 + share * 0.90, abs=0.03)
    assert np.all(before.values < 0.93)
    assert [mark.words for mark in view.revisions] == ["sheet 4"]
    assert view.scale["current"] == (0.0, 1.2)
    layout = window_figure(view, source.time, live=True)["layout"]
    assert sum(shape["line"]["dash"] == "solid" for shape in layout["shapes"]) == 1
    assert any(a["text"] == "sheet 4" for a in layout["annotations"])


def test_where_no_sheet_was_yet_nothing_is_expected(plant, source):
    pieces = sheets_in(source, "press-1.platen", plant.now - 10 * SECOND, plant.now)
    nobody = [replace(pieces[0], to_ns=plant.now - 5 * SECOND, sheet=None)]
    stored = plant.samples("press-1.platen", plant.now - 20 * SECOND, plant.now)
    assert expected_in(nobody, stored) is None
    both = expected_in([*nobody, replace(pieces[0], from_ns=plant.now - 5 * SECOND)], stored)
    assert both.time_ns[0] >= plant.now - 5 * SECOND
    assert lead_in_ns(nobody) == 0


def test_the_expected_current_does_not_depend_on_where_a_long_stretch_begins(plant, source, monkeypatch):
    monkeypatch.setattr(plants_module(plant), "RATE_HZ", 200)
    choice = Choice.of("10min", plant.now - 1000 * SECOND)
    one = window_view(source, "press-1.platen", choice).lines["expected"]
    for shift_ms in (5, 35, 1005):
        other = window_view(source, "press-1.platen", replace(choice, until_ns=choice.until_ns + shift_ms * 10**6))
        other = other.lines["expected"]
        shared = np.intersect1d(one.time_ns[2:-2], other.time_ns[2:-2])
        assert shared.size > 0.99 * one.time_ns.size - 10
        was, now = (line.values[np.isin(line.time_ns, shared)] for line in (one, other))
        assert np.abs(was - now).max() < 0.002


def test_a_ramp_of_minutes_is_followed_from_where_it_began(plant, source, monkeypatch):
    plant.revise("press-1.platen", plant.now - 86_400 * SECOND, ramp_up=600.0, ramp_down=600.0)
    whole = plant.samples

    def stepped(valve, from_ns, to_ns):
        stored = whole(valve, from_ns, to_ns)
        command = np.where(stored.time_ns < plant.now - 300 * SECOND, 4.0, 20.0)
        return replace(stored, channels={**stored.channels, "command": command})

    monkeypatch.setattr(plant, "samples", stepped)
    line = window_view(source, "press-1.platen", LIVE).lines["expected"]
    way = (line.time_ns - (plant.now - 300 * SECOND)) / 1e9 / 600
    # The judge's own allowance for a driver that is not enabled does not enter here: current flows throughout.
    assert line.values == pytest.approx(0.18 + way * 0.74, abs=0.003)


def plants_module(plant):
    return sys.modules[type(plant).__module__]


def test_in_long_stretches_judged_points_stand_before_a_pale_envelope(plant, source):
    plant.revise("press-2.clamp", plant.now - 7 * 86_400 * SECOND, current_at_full=1.0)
    view = window_view(source, "press-2.clamp", Choice.of("3w"))
    assert set(view.features) == {"current_at_zero", "current_at_full", "pressure_at_zero", "pressure_at_full"}
    full = view.features["current_at_full"]
    assert set(full.left.tolist()) == {0.92, 1.0}
    assert full.left_ns[0] == view.from_ns
    traces = window_figure(view, source.time, live=False)["data"]
    fills = {t["name"]: t["fillcolor"] for t in traces if t.get("fill")}
    assert set(fills.values()) == {"#E9EEF1"}  # never a block of colour
    assert [t["name"] for t in traces if t["mode"] == "markers"] == [
        "current at zero",
        "current at full",
        "pressure at zero",
        "pressure at full",
    ]
    means = [t["name"] for t in traces if t["line"]["width"] == 1.8]
    assert means == ["command"]  # where judged points stand in a row, it has no mean
    assert window_view(source, "press-2.clamp", Choice.of("10min")).features == {}


def test_a_wild_hour_of_a_year_stays_in_sight(plant, source, monkeypatch):
    hours = np.arange(365 * 24)
    points = [ChartPoint("current_at_full", plant.now / 1e9 - 3600 * float(h + 1), 0.92, 0.001) for h in hours[::-1]]
    points[4321] = replace(points[4321], value=1.4)
    monkeypatch.setattr(plant, "points", lambda _v, quantity, *_: points if quantity == "current_at_full" else [])
    feature = window_view(source, "press-1.platen", Choice.of("1y")).features["current_at_full"]
    assert feature.values.size <= 2 * 301
    assert feature.values.max() == 1.4


def raised(plant, kind, onset_ns, *, back_ns=None):
    event = AlarmEvent(
        f"press-1.platen/{kind}/{onset_ns}",
        1,
        EventKind.RAISED,
        onset_ns + 60 * SECOND,
        "judge",
        "",
        "press-1.platen",
        kind,
        2,
        "driver-setting",
        "It moved.",
        onset_ns,
    )
    plant._events.append(event)
    if back_ns is not None:
        plant._events.append(replace(event, seq=2, event=EventKind.RETURNED, at_ns=back_ns))


def test_a_stretch_of_the_past_shows_what_was_found_then_though_it_is_gone(plant, source):
    onset = plant.now - 5 * 86_400 * SECOND
    raised(plant, "ramp-up-changed", onset, back_ns=onset + 7200 * SECOND)
    view = window_view(source, "press-1.platen", Choice.of("8h", onset + 3600 * SECOND))
    assert [(o.words, o.until_ns) for o in view.onsets] == [("ramp up changed", onset + 7200 * SECOND)]
    figure = window_figure(view, source.time, live=False)
    assert any("ramp up changed, now gone" in a["text"] for a in figure["layout"]["annotations"])
    assert "ramp up changed" in window_words(view, "press-2.clamp", source.time)
    assert window_view(source, "press-1.platen", LIVE).onsets == []


def test_a_finding_and_its_alarm_are_one_onset_and_a_bunch_is_told_as_one(plant, source):
    onset = plant.now - 10 * 86_400 * SECOND - 11 * 3600 * SECOND
    plant._events.clear()
    raised(plant, "supply-low", plant.now - 40 * 3600 * SECOND)
    plant._events = [replace(e, valve="press-2.clamp") for e in plant._events]
    for back in (100, 200, 300):
        raised(plant, "current-clipped", onset + back * SECOND, back_ns=onset + (back + 50) * SECOND)
    plant._events = [replace(e, valve="press-2.clamp") for e in plant._events]
    raised(plant, "ramp-up-changed", onset)
    plant._events[-1] = replace(plant._events[-1], valve="press-2.clamp")
    said = [o.said for o in window_view(source, "press-2.clamp", Choice.of("3w")).onsets]
    assert said == [
        "ramp up changed",
        "current stops short of what is asked, 3 times",
        "response changed",
        "supply low",
    ]


def test_onsets_and_states_lie_in_the_window(source):
    view = window_view(source, "press-2.clamp", Choice.of("3w"))
    assert [o.words for o in view.onsets] == ["ramp up changed", "response changed"]
    assert {s.state for s in view.states} == {"producing", "stopped", "set-up"}
    assert all(view.from_ns <= s.from_ns < s.to_ns <= view.to_ns for s in view.states)
    figure = window_figure(view, source.time, live=False)
    assert len(figure["layout"]["shapes"]) == 2
    assert window_view(source, "press-2.clamp", LIVE).onsets == []


def wall(text: str) -> float:
    """A moment of a figure on the plant's wall clock, in ms."""
    return float(np.datetime64(text.replace(" ", "T"), "ms").astype(np.int64))


def test_a_figure_is_plain_json_with_its_moments_in_words(source):
    """A number would be shown by the clock of the browser, in New York as in Madrid."""
    figure = window_figure(window_view(source, "press-2.clamp", LIVE), source.time, live=True)
    assert json.loads(json.dumps(figure)) == figure
    assert figure["layout"]["xaxis"]["type"] == "date"
    assert len(figure["data"]) == len(RAW_TRACES)
    first = next(x for x in figure["data"][0]["x"] if x is not None)
    now_ms = source.now_ns() / 1e6
    assert now_ms + 3600e3 - 61_000 <= wall(first) <= now_ms + 3600e3  # Madrid is an hour ahead of UTC in November
    places = [figure["layout"]["xaxis"]["range"], *(t["x"] for t in figure["data"])]
    assert all(at is None or isinstance(at, str) for row in places for at in row)


def test_marks_stand_in_words_too_and_over_no_title_and_not_over_each_other(plant, source):
    for hours in (1, 2, 3, 300, 301):
        plant.revise("press-2.clamp", plant.now - hours * 3600 * SECOND)
    layout = window_figure(window_view(source, "press-2.clamp", Choice.of("3w")), source.time, live=False)["layout"]
    titles = [one for one in layout["annotations"] if one["xref"] == "paper"]
    marks = [one for one in layout["annotations"] if one["xref"] == "x"]
    assert len(titles) == 4
    assert {"▲ ramp up changed", "▲ response changed", "sheet 4"} <= {one["text"] for one in marks}
    assert all(isinstance(one["x"], str) for one in marks)
    assert all(isinstance(shape["x0"], str) and shape["y1"] <= 0.9 for shape in layout["shapes"])
    highest = max(one["y"] for one in titles) + 16 / 586  # a title stands on its place, 16 of 586 px high
    assert min(one["y"] for one in marks) - 7 / 586 > highest
    assert len({one["y"] for one in marks}) > 1  # neighbours take another line


def test_an_hour_of_short_cycles_has_a_mean_that_can_be_read(plant, source, monkeypatch):
    def overview(_valve, _channel, from_ns, to_ns, points):
        step = (to_ns - from_ns) // points
        at = from_ns + step * np.arange(points, dtype=np.int64)
        part = np.where(np.arange(points) % 3 == 0, 0.9, 0.3)  # every third stretch holds the high part of a cycle
        return Overview(at, np.zeros(points), part, np.ones(points))

    monkeypatch.setattr(plant, "overview", overview)
    envelope = window_view(source, "press-4.cushion", Choice.of("1h")).envelopes["command"]
    inner = envelope.mean[10:-10]
    assert np.ptp(inner) < 0.08 < 0.6  # of a sawtooth of 0.6
    assert inner.mean() == pytest.approx(0.5, abs=0.02)
    assert envelope.low.max() == 0.0
    assert envelope.high.min() == 1.0


def test_a_mean_never_reaches_across_a_gap():
    at = np.array([0, 20, 40, 900, 920, 940], dtype=np.int64) * SECOND
    mean = moving_mean(at, np.array([1.0, 1.0, np.nan, 5.0, 5.0, 5.0]), 20 * SECOND, 60 * SECOND)
    assert mean[[0, 1, 3, 4, 5]] == pytest.approx([1.0, 1.0, 5.0, 5.0, 5.0])
    assert np.isnan(mean[2])
    assert moving_mean(at, np.arange(6.0), 600 * SECOND, 1800 * SECOND).tolist() == list(range(6))


def test_the_band_of_what_is_expected_is_shut_where_nothing_was_read(plant, source, monkeypatch):
    """Filled areas go on across a missing value: the band was a wedge from before a gap to after it."""
    whole, now = plant.samples, plant.now

    def lossy(valve, from_ns, to_ns):
        read = whole(valve, from_ns, to_ns)
        kept = (read.time_ns < now - 40 * SECOND) | (read.time_ns > now - 20 * SECOND)
        return replace(read, time_ns=read.time_ns[kept], channels={k: v[kept] for k, v in read.channels.items()})

    monkeypatch.setattr(plant, "samples", lossy)
    view = window_view(source, "press-1.platen", Choice.of("1min"))
    assert np.isnan(view.lines["expected"].values).sum() == 1
    low, high = (window_figure(view, source.time, live=False)["data"][RAW_TRACES.index(f"band-{e}")]
                 for e in ("low", "high"))  # fmt: skip
    assert low["x"] == high["x"]
    assert None not in (*low["y"], *high["y"])
    (shut,) = [
        k for k in range(1, len(low["y"])) if (low["y"][k - 1], low["y"][k]) == (high["y"][k - 1], high["y"][k])
    ]
    assert sum(a == b for a, b in zip(low["y"], high["y"], strict=True)) == 2
    assert low["x"][shut - 1] < low["x"][shut]


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
    assert np.isnan([end[0] for end in piece.band_a]).all()


def test_states_of_the_live_minute_overlap_a_little_and_do_not_repeat(plant, source):
    _, cursor = first_minute(source, "press-1.platen", LIVE)
    piece, same = since(source, "press-1.platen", LIVE, cursor)
    assert piece.states == []
    plant.now += 2 * SECOND
    piece, moved = since(source, "press-1.platen", LIVE, same)
    assert piece.states[0].from_ns < cursor.states_ns < piece.states[-1].to_ns == moved.states_ns


def test_the_plot_is_told_in_words_and_numbers(source):
    text = window_words(window_view(source, "press-2.clamp", Choice.of("10min")), "press-2.clamp", source.time)
    assert "Europe/Madrid" in text
    assert "coil current, measured" in text
    assert "<table" in text
    nothing = window_words(window_view(source, "nope", LIVE), "nope", source.time)
    assert "nothing was recorded" in nothing


def test_short_states_and_lone_stretches_are_wide_enough_to_be_seen(plant, source, monkeypatch):
    at = plant.now - 5 * 86_400 * SECOND
    lone = Overview(np.array([at]), np.array([10.0]), np.array([50.0]), np.array([90.0]))
    monkeypatch.setattr(plant, "overview", lambda *_: lone)
    brief = [StateInterval(State.PRODUCING, at / 1e9, at / 1e9 + 600, "pump running")]
    monkeypatch.setattr(plant, "intervals", lambda *_: brief)
    figure = window_figure(window_view(source, "press-1.platen", Choice.of("3w")), source.time, live=False)
    width_ms = 21 * 86_400e3
    states = figure["data"][-1]
    assert wall(states["x"][1]) - wall(states["x"][0]) > width_ms / 310
    low, high = figure["data"][0], figure["data"][1]
    assert wall(low["x"][-1]) - wall(low["x"][0]) > width_ms / 1000
    assert low["y"] == [10.0, 10.0]
    assert high["y"] == [90.0, 90.0]


def test_axes_keep_to_the_ends_of_the_sheet_when_nothing_moves(source):
    layout = window_figure(window_view(source, "press-3.knock-out", LIVE), source.time, live=True)["layout"]
    assert layout["yaxis2"]["autorangeoptions"]["include"] == [0.0, 0.92]
    assert layout["yaxis"]["autorangeoptions"]["include"] == [4.0, 20.0]


def test_a_row_without_readings_says_so(source):
    view = replace(window_view(source, "press-4.cushion", Choice.of("1d")), scale={})
    layout = window_figure(view, source.time, live=False)["layout"]
    assert any("not recorded on this valve" in a["text"] for a in layout["annotations"])
    assert layout["yaxis2"]["range"] == [0, 1]


def test_the_expected_current_has_settled_before_the_stretch_begins(plant, source):
    """Wherever a piece begins, on a ramp too, it continues the curve that the whole picture shows."""
    whole = window_view(source, "press-1.platen", LIVE).lines["expected"]
    for back in range(10, 70):
        start = plant.now - back * SECOND // 2 - 2 * SECOND
        pieces = sheets_in(source, "press-1.platen", start, start + SECOND)
        piece = raw_lines(plant, "press-1.platen", pieces, bin_width(LIVE))[0]["expected"]
        at = np.interp(piece.time_ns, whole.time_ns, whole.values)
        assert np.abs(at - piece.values).max() < 0.03
