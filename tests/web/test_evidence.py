"""The picture of what moved: one description for each finding, drawn alike on screen and paper, in mail and text."""

from __future__ import annotations

import html
import io
import json
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.published import judgement_json
from asleft.judge.types import State, StateInterval
from asleft.store.protocols import StoredSamples
from asleft.web.evidence.image import SCALE, png_of
from asleft.web.evidence.of_history import history_picture
from asleft.web.evidence.picture import Axis, Curve, Level, Mark, NoPicture, Picture, Role, Row, Shape, Upright
from asleft.web.evidence.scene import MOST, Path, Text, line_of, paper_svg, scene_of, sparkline
from asleft.web.evidence.screen import on_paper, on_screen, screen_figure
from asleft.web.evidence.style import LINE_PX, WIDTH, height, side_labels, top_labels
from asleft.web.evidence.subject import SHAPES, Subject, of_finding
from asleft.web.evidence.view import _MAKERS, evidence
from asleft.web.units import Pressures
from asleft.web.when import PlantTime
from asleft.wire.block import Burst

S, HOUR = 10**9, 3600 * 10**9
DAY = 24 * HOUR
PALETTE_TEXT = re.compile(r">([^<>]+)</text>")


def found(source, valve: str, kind: str, onset_ns: int | None, until_ns: int | None = None) -> Picture | NoPicture:
    return evidence(source, Subject(valve, kind, onset_ns, until_ns), source.records.judgement(valve))


def drawn(source, *given) -> Picture:
    made = found(source, *given)
    assert isinstance(made, Picture), made
    return made


def rewrite(plant, change) -> None:
    """Have the plant's readings pass through `change(time_ns, channels)`."""
    real = plant.samples

    def samples(valve, from_ns, to_ns):
        stored = real(valve, from_ns, to_ns)
        channels = {name: values.copy() for name, values in stored.channels.items()}
        change(stored.time_ns, channels)
        return StoredSamples(valve, stored.time_ns, channels, {**stored.units, "supply": "V"})

    plant.samples = samples


# ---------------------------------------------------------------------------------- which picture shows what


def test_every_kind_of_finding_has_a_picture_and_every_picture_a_maker():
    assert set(SHAPES) == set(FINDING_KINDS)
    assert all(SHAPES.values())
    assert set(_MAKERS) == set(Shape)
    assert {shape for shapes in SHAPES.values() for shape in shapes} == set(Shape)


def test_of_a_kind_of_an_older_release_the_history_is_looked_for(source):
    made = found(source, "press-2.clamp", "knob-turned", source.now_ns() - DAY)
    assert made == NoPicture("No history of it is kept in this stretch.")


def test_a_ramp_is_shown_by_strokes_over_each_other_over_that_of_the_sheet(plants, plant, source):
    """The plant's ramp up takes 2.1 s; let it have taken 1.6 s until an hour ago."""
    onset = plant.now - HOUR

    def before(time_ns, channels):
        old = time_ns < onset
        was = plants.cycle(time_ns / 1e9, slow_up=False, seed=len("press-2.clamp"))
        channels["current"][old] = was["current"][old]

    rewrite(plant, before)
    made = drawn(source, "press-2.clamp", "ramp-up-changed", onset)
    assert made.shape is Shape.STROKES
    (row,) = made.rows
    now = [one for one in row.curves if one.role is Role.FOUND and one.x.size > 1]
    old = [one for one in row.curves if one.role is Role.BEFORE and one.x.size > 1]
    for strokes, ramp_s in ((now, 2.1), (old, 1.6)):
        assert len(strokes) >= 3
        for one in strokes:
            at = [float(one.x[np.argmax(one.y >= share)]) for share in (0.1, 0.9)]
            assert at[1] - at[0] == pytest.approx(0.8 * ramp_s, rel=0.08)
    assert "left at 1.60 s, now 2.10 ±0.019 s" in made.title
    left = next(one for one in row.curves if one.role is Role.LEFT)
    assert left.x.tolist()[:2] == [0.0, 1.6]


def test_a_drift_is_shown_with_its_trend_up_to_the_limit(plants, plant, source):
    judgement = plant._judgements["press-3.platen"]
    line = next(one for one in judgement["quantities"] if one["id"] == "pressure_at_full")
    reaches = plant.now + 4 * DAY
    line.update(
        trend_per_day=-0.3, trend_interval=[-0.35, -0.25], forecast=plants.iso(reaches),
        forecast_interval=[plants.iso(reaches - DAY), plants.iso(reaches + 2 * DAY)],
    )  # fmt: skip
    made = drawn(source, "press-3.platen", "pressure-changed", plant.now - 12 * DAY)
    assert made.shape is Shape.HISTORY
    (row,) = made.rows
    trend = next(one for one in row.curves if one.role is Role.TREND)
    limit = next(one for one in made.uprights if one.label.startswith("limit about"))
    at_limit = float(np.interp(limit.x, trend.x, trend.y))
    assert at_limit == pytest.approx(210.0 - 4.2, abs=0.1)  # where the tolerance of the sheet ends
    assert made.x.high > limit.x > source.time.plot_ms_one(plant.now)
    assert any(one.role is Role.TREND for one in row.bands)
    assert any(one.role is Role.TOLERANCE and one.low[0] == pytest.approx(205.8) for one in row.bands)


def test_readings_that_end_at_the_onset_are_said_to_end_and_not_to_be_none(plant, source):
    onset = plant.now - HOUR

    def stop(time_ns, channels):
        for name in ("command", "current", "pressure"):
            channels[name][time_ns > onset] = np.nan

    rewrite(plant, stop)
    title = drawn(source, "press-1.platen", "current-lost", onset).title
    assert re.search(r"coil current [\d.]+ A before, not read after", title), title
    assert "none" not in title


def test_before_and_now_stand_with_their_uncertainty(plant, source):
    onset = plant.now - 10 * DAY - 11 * HOUR
    stored = plant.samples
    plant.samples = lambda valve, *_: stored(valve, 0, 0)  # no reading is kept: the history tells
    made = drawn(source, "press-2.clamp", "ramp-up-changed", onset)
    assert made.shape is Shape.HISTORY
    assert re.match(
        r"Ramp up: left at 1\.60 s, before 1\.60 ±0\.00\d s, now 2\.10 ±0\.019 s, since 14 Nov", made.title
    )
    (row,) = made.rows
    spread = next(one for one in row.curves if one.role is Role.OUT and one.mark is Mark.DOTS).spread
    assert spread == pytest.approx(np.full(spread.size, 2 * 0.019 / 4), rel=0.05)
    mark = next(one for one in made.uprights if one.role is Role.ONSET)
    assert mark.x == source.time.plot_ms_one(onset)


@pytest.mark.parametrize(
    ("kind", "channel", "value"),
    [("current-lost", "current", 0.0), ("command-failed", "command", 0.0), ("supply-low", "supply", 18.0)],
)
def test_what_was_lost_is_shown_in_the_second_in_which_it_happened(plant, source, kind, channel, value):
    onset = plant.now - HOUR

    def lose(time_ns, channels):
        channels["supply"] = np.full(time_ns.size, 24.0)
        channels[channel][time_ns >= onset] = value

    rewrite(plant, lose)
    made = drawn(source, "press-1.platen", kind, onset + (20 * S if kind == "supply-low" else 0))
    assert made.shape is Shape.MOMENT
    mark = next(one for one in made.uprights if one.role is Role.ONSET)
    assert abs(mark.x - source.time.plot_ms_one(onset)) < 100.0
    names = {"current": "coil current", "command": "command", "supply": "supply"}
    row = next(one for one in made.rows if one.y.title == names[channel])
    line = next(one for one in row.curves if one.role is Role.FOUND)
    after = line.y[line.x > mark.x + 50.0]
    assert after == pytest.approx(np.full(after.size, value))
    assert line.y[line.x < mark.x - 50.0].min() > value + 0.1
    if kind == "current-lost":  # what flowed must not talk the picture out of what was asked
        expected = next(one for one in row.curves if one.role is Role.LEFT)
        assert np.nanmin(expected.y[expected.x > mark.x]) > 0.15


def test_a_clip_lies_where_the_headline_says(recordings):
    made = recordings.recorded("press-1.ejector", "driver-limited", 0.05, 300.0, 0.0)
    source = made.source(PlantTime.named("Europe/Madrid"))
    body = judgement_json(made.judgement)
    finding = next(one for one in body["findings"] if one["kind"] == "current-clipped")
    stops, wanted = (float(text) for text in re.findall(r"([\d.]+) A", finding["evidence"])[:2])
    picture = evidence(source, of_finding("press-1.ejector", finding), body)
    assert isinstance(picture, Picture)
    assert picture.shape is Shape.CLIP
    (row,) = picture.rows
    limit = next(one for one in row.levels if one.role is Role.LIMIT)
    assert limit.y == pytest.approx(stops, abs=0.003)
    cut = next(one for one in row.curves if one.role is Role.OUT)
    assert cut.y == pytest.approx(np.full(cut.y.size, stops), abs=0.01)
    assert cut.x.max() == pytest.approx(wanted, abs=0.005)


def test_a_cut_is_never_told_by_the_setting_that_it_left_where_it_was(plant, source):
    """The history of current at full says that nothing moved, beside a headline that speaks of a cut."""
    body = plant.judgement("press-1.ejector")
    finding = next(one for one in body["findings"] if one["kind"] == "current-clipped")
    subject = of_finding("press-1.ejector", finding)
    made = history_picture(source, subject, body)
    assert isinstance(made, Picture)
    assert made.title.startswith("Headroom")
    real = plant.points
    plant.points = lambda valve, quantity, *rest: [] if quantity == "headroom" else real(valve, quantity, *rest)
    assert real("press-1.ejector", "current_at_full", 0, plant.now)
    assert isinstance(history_picture(source, subject, body), NoPicture)


def test_dots_of_the_setting_are_left_out_of_the_plot_over_time_while_the_current_is_cut(plant, source):
    from asleft.web.views.history import CUT_WORDS, history_views, sheets_in
    from asleft.web.views.window import features_in

    pieces = sheets_in(source, "press-1.ejector", plant.now - 10 * DAY, plant.now)
    shown = features_in(source, "press-1.ejector", pieces)["current_at_full"]
    assert shown.time_ns.max() < plant.now - 4 * DAY  # since when it is cut
    assert features_in(source, "press-1.ejector", pieces)["current_at_zero"].time_ns.max() > plant.now - DAY
    chart = next(one for one in history_views(source, "press-1.ejector") if one.quantity == "current_at_full")
    assert chart.note == CUT_WORDS
    healthy = next(one for one in history_views(source, "press-1.platen") if one.quantity == "current_at_full")
    assert healthy.note == ""


def test_what_left_the_characteristic_is_told_from_what_the_load_makes(plant, source):
    onset = plant.now - HOUR

    def fallen(time_ns, channels):
        load = (channels["current"] > 0.44) & (channels["current"] < 0.52)  # there the load never pushes back
        channels["pressure"][load] = 15.0
        channels["pressure"][(time_ns >= onset) & ~load] -= 20.0

    rewrite(plant, fallen)
    made = drawn(source, "press-1.platen", "pressure-changed", onset)
    assert made.shape is Shape.CURVE
    (row,) = made.rows
    out = [one for one in row.curves if one.role is Role.OUT]
    assert out
    for one in out:
        assert not ((one.x > 0.45) & (one.x < 0.51)).any()
    told = next(one.text for one in side_labels(row, 1) if one.text.startswith("off by"))
    assert 14.0 < float(told.removeprefix("off by −").removesuffix(" bar")) < 22.0  # the sheet's curve is no line
    loaded = [one for one in row.curves if one.label == "the load's"]
    assert loaded
    assert all(one.y.max() < 20.0 for one in loaded)


def test_while_nothing_has_left_the_characteristic_the_history_is_shown(source, plant):
    made = drawn(source, "press-3.platen", "pressure-changed", plant.now - 12 * DAY)
    assert made.shape is Shape.HISTORY
    assert made.rows[0].y.title == "pressure at full"  # which has used more of its tolerance than that at zero


def test_hysteresis_is_shown_by_both_branches(plant, source):
    levels = {
        way: {"levels": [{"current": a, "pressure": p + off} for a, p in ((0.2, 20.0), (0.5, 95.0), (0.9, 200.0))]}
        for way, off in (("rising", -6.0), ("falling", 6.0))
    }
    plant._judgements["press-1.platen"]["characteristic"] = levels
    made = drawn(source, "press-1.platen", "hysteresis-changed", plant.now - DAY)
    assert made.shape is Shape.BRANCHES
    labels = {one.text for one in side_labels(made.rows[0], 1)}
    assert {"now, rising", "now, falling", "as left, rising", "as left, falling"} <= labels


def test_lost_dither_is_shown_by_the_spectrum_before_and_now(plant, source):
    onset = plant.now - HOUR
    rate, n = 2000.0, 1024
    wave = 0.03 * np.sin(2 * np.pi * 115.0 * np.arange(n) / rate)

    def bursts(_valve, from_ns, to_ns):
        times = range(-(-from_ns // (600 * S)) * 600 * S, to_ns, 600 * S)
        return [Burst("current", "A", at, rate, (wave if at < onset else 0.0 * wave) + 0.5) for at in times]

    plant.bursts = bursts
    made = drawn(source, "press-1.platen", "dither-lost", onset)
    assert made.shape is Shape.SPECTRUM
    (row,) = made.rows
    before = next(one for one in row.curves if one.role is Role.BEFORE)
    now = next(one for one in row.curves if one.role is Role.FOUND)
    assert before.x[np.argmax(before.y)] == pytest.approx(115.0, abs=3.0)
    assert before.y.max() == pytest.approx(0.06, rel=0.1)  # peak to peak
    assert now.y.max() < 0.001


def test_missing_readings_are_counted_over_the_minutes(plant, source):
    onset = plant.now - HOUR

    def fail(time_ns, channels):
        channels["current"][(time_ns >= onset) & (time_ns // S % 5 < 2)] = np.nan

    rewrite(plant, fail)
    made = drawn(source, "press-1.platen", "data-missing", onset)
    assert made.shape is Shape.READINGS
    current = next(one for one in made.rows[0].curves if one.label == "current")
    mark = made.uprights[0].x
    assert current.y[current.x < mark - 5000].mean() == pytest.approx(50.0)
    assert current.y[current.x > mark + 5000].mean() == pytest.approx(30.0, rel=0.02)


def test_what_is_not_kept_any_more_is_said(plant, source):
    stored = plant.samples
    plant.samples = lambda valve, *_: stored(valve, 0, 0)
    made = found(source, "press-3.knock-out", "current-lost", plant.now - HOUR)
    assert isinstance(made, NoPicture)
    assert "are not kept any more" in made.why
    assert "No picture of it: The readings of" in on_screen(made)
    assert isinstance(found(source, "press-3.knock-out", "current-lost", None), NoPicture)


def test_of_what_is_gone_the_picture_ends_there(plant, source):
    onset, gone = plant.now - 5 * DAY, plant.now - 3 * DAY
    made = drawn(source, "press-1.platen", "current-zero-changed", onset, gone)
    assert made.x.high <= source.time.plot_ms_one(gone + DAY)
    assert "then 0.18" in made.title
    assert "now" not in made.title


def test_strokes_of_before_a_stop_are_those_of_before(plant, source):
    """Production is looked for backwards from the onset, over a stop."""
    onset = plant.now - HOUR
    made_in = [
        StateInterval(State.PRODUCING, (onset - 3 * HOUR) / 1e9, (onset - 2 * HOUR) / 1e9, ""),
        StateInterval(State.STOPPED, (onset - 2 * HOUR) / 1e9, onset / 1e9, ""),
        StateInterval(State.PRODUCING, onset / 1e9, plant.now / 1e9, ""),
    ]
    plant.intervals = lambda _, a, b: [one for one in made_in if one.to_s * 1e9 > a and one.from_s * 1e9 < b]
    asked: list[tuple[int, int]] = []
    real = plant.samples
    plant.samples = lambda valve, a, b: asked.append((a, b)) or real(valve, a, b)
    drawn(source, "press-2.clamp", "ramp-up-changed", onset)
    assert any(b == onset - 2 * HOUR + 1 for _, b in asked)
    assert not any(onset - 2 * HOUR < a < onset for a, _ in asked)


def test_a_picture_is_kept_for_a_minute_and_by_unit(plant, source, monkeypatch):
    subject = Subject("press-2.clamp", "ramp-up-changed", plant.now - DAY)
    judgement = plant.judgement("press-2.clamp")
    first = evidence(source, subject, judgement)
    assert evidence(source, subject, judgement) is first
    monkeypatch.setattr("asleft.web.units.current", lambda: Pressures("psi"))
    assert evidence(source, subject, judgement) is not first
    monkeypatch.undo()
    plant.now += 61 * S
    assert evidence(source, subject, judgement) is not first


def test_pressures_are_in_the_readers_unit(plant, source, monkeypatch):
    monkeypatch.setattr("asleft.web.units.current", lambda: Pressures("MPa"))
    made = drawn(source, "press-3.platen", "pressure-changed", plant.now - 12 * DAY)
    assert made.rows[0].y.unit == "MPa"
    assert 20.0 < made.rows[0].y.low < made.rows[0].y.high < 22.0
    assert "21.00 MPa" in made.title


# ---------------------------------------------------------------------------------- one description, drawn alike


ONSETS = {
    "press-2.clamp": "ramp-up-changed",
    "press-3.platen": "pressure-changed",
    "press-3.knock-out": "current-lost",
}


def pictures(plant, source) -> list[Picture]:
    return [drawn(source, valve, kind, plant.now - 42 * 60 * S) for valve, kind in ONSETS.items()]


def test_screen_and_paper_cannot_differ(plant, source):
    for made in pictures(plant, source):
        figure, svg = screen_figure(made), paper_svg(made)
        on_page = [one["text"].replace("<b>", "").replace("</b>", "") for one in figure["layout"]["annotations"]]
        assert on_page
        printed = [html.unescape(text) for text in PALETTE_TEXT.findall(svg)]
        assert set(on_page) <= set(printed)
        ticks = [
            words
            for name, axis in figure["layout"].items()
            if re.match("[xy]axis", name)
            for words in axis["ticktext"]
        ]
        assert sorted([*set(on_page), *set(ticks), made.x.words]) == sorted(set(printed))
        assert figure["layout"]["height"] == round(height(made))
        lines = [one for one in figure["data"] if one["hoverinfo" if "hoverinfo" in one else "mode"] != "skip"]
        assert len(lines) == sum(len(row.curves) for row in made.rows)
        colours = {one["line"]["color"] for one in figure["data"] if "line" in one and "color" in one["line"]}
        assert all(colour in svg for colour in colours)


def test_a_plot_says_unit_and_plant_time_and_never_a_number_for_a_moment(plant, source):
    for made in pictures(plant, source):
        figure = screen_figure(made)
        for trace in figure["data"]:
            if trace.get("hoverinfo") == "skip":
                continue
            unit = next(
                row.y.unit
                for place, row in enumerate(made.rows)
                if trace["yaxis"] == f"y{place + 1 if place else ''}"
            )
            assert f"%{{y:.4g}} {unit}" in trace["hovertemplate"]
            if made.x.clock:
                assert "%H:%M:%S" in trace["hovertemplate"]
                assert all(
                    at is None or re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d(\.\d{3})?", at) for at in trace["x"]
                )
        assert figure["layout"]["hoverlabel"]["namelength"] == -1


def test_no_label_lies_over_another_or_beyond_the_picture():
    rng = np.random.default_rng(4)
    for _ in range(200):
        levels = [
            Level(Role.LEFT, float(y), f"label {k}") for k, y in enumerate(rng.uniform(-1, 1, rng.integers(1, 9)))
        ]
        row = Row(Axis("y", "", -1.0, 1.0), (), (), levels)
        uprights = [
            Upright(Role.ONSET, float(x), "since 14 Nov 03:10") for x in rng.uniform(0, 1, rng.integers(1, 7))
        ]
        made = Picture(Shape.HISTORY, "", "", Axis("x", "", 0.0, 1.0), [row], uprights)
        texts = [one for one in scene_of(made).pieces if isinstance(one, Text)]
        beside = sorted(one.at[1] for one in texts if one.text.startswith("label"))
        assert len(beside) == len(levels)
        assert all(b - a >= LINE_PX - 0.11 for a, b in pairwise(beside))
        above = [one for one in texts if one.text.startswith("since")]
        for line in {one.at[1] for one in above}:
            spans = sorted(_span(one) for one in above if one.at[1] == line)
            assert all(b[0] > a[1] for a, b in pairwise(spans))
            assert all(a >= 0.0 and b <= WIDTH for a, b in spans)
        title = next(one for one in texts if one.bold)
        assert all(one.at[1] < title.at[1] - 8.0 for one in above)
        assert len(top_labels(made)) >= 1


def _span(text: Text) -> tuple[float, float]:
    width = 6.0 * len(text.text)
    start = text.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[text.anchor]
    return start, start + width


def test_lines_end_at_the_axes():
    x = np.linspace(-1.0, 3.0, 41)
    made = Picture(
        Shape.CLIP, "", "", Axis("x", "", 0.0, 2.0), [Row(Axis("y", "", 0.0, 1.0), [Curve(Role.FOUND, x, x / 4)])]
    )
    line = next(one for one in scene_of(made).pieces if isinstance(one, Path) and len(one.points) > 5)
    xs = [point[0] for point in line.points]
    plot = next(one for one in scene_of(made).pieces if isinstance(one, Path))
    assert min(xs) >= plot.points[0][0] - 0.1
    assert max(xs) <= plot.points[-1][0] + 0.1


def test_the_image_of_a_mail_is_the_same_picture(plant, source):
    from PIL import Image

    (made, *_) = pictures(plant, source)
    image = Image.open(io.BytesIO(png_of(scene_of(made))))
    assert image.size == (round(WIDTH * SCALE), round(height(made) * SCALE))
    assert len(image.convert("RGB").getcolors(1 << 20)) > 5


def test_names_in_any_language_can_be_read_in_an_image_without_a_large_font(monkeypatch):
    from asleft.web.evidence import image
    from PIL import ImageFont

    told = image.plain_words("Preßstößel, vérin à 11 Ω – −3 °C, 12 µm, ±0.1, プレス")
    assert told == "Pressstossel, verin a 11 ohm - -3  deg C, 12 um, ±0.1, ???"
    font = ImageFont.load_default(24)
    missing = bytes(font.getmask("\uffff"))
    assert all(bytes(font.getmask(sign)) != missing for sign in set(told) - {" "})
    monkeypatch.setattr(image, "_USUAL", "no-such-font.ttf")
    made = Picture(Shape.CLIP, "", "", Axis("x", "", 0.0, 1.0), [Row(Axis("Größe", "°C", 0.0, 1.0))])
    assert png_of(scene_of(made)).startswith(b"\x89PNG")


def test_the_line_is_a_title_and_a_row_of_heights(plant, source):
    made = drawn(source, "press-2.clamp", "ramp-up-changed", plant.now - DAY)
    line = line_of(made)
    assert line.startswith(made.title)
    assert set(line[len(made.title) + 1 :]) <= set("▁▂▃▄▅▆▇█")
    plain = line_of(replace(made, title="Hysteresis: 3.1 ±0.2 %, −1 °C, 11 Ω."), blocks=False)
    assert plain.isascii()
    assert "?" not in plain
    assert sparkline([0, 1, 2, 3, 4, 5, 6, 7]) == "▁▂▃▄▅▆▇█"
    assert sparkline([1.0] * 100) == "▅" * MOST
    assert sparkline([1.0, 1.001], (0.0, 10.0)) == "▁▁"  # noise within the tolerance is no drama
    assert sparkline([1.0, np.nan, 2.0]) == "▁ █"
    assert sparkline([]) == ""


# ---------------------------------------------------------------------------------- where it stands


def test_an_alarms_page_has_it_in_its_first_answer(client, desked, plant):
    alarm = desked.raise_alarm(
        "press-2.clamp", "ramp-up-changed", "driver-setting", 2, "Ramp up takes 2.10 s.", plant.now - DAY
    )
    text = client.get(f"/alarms/{alarm}").get_data(as_text=True)
    head = text[: text.index("Which part, and what to check first")]
    assert "Ramp up: left at 1.60 s, now 2.10" in head
    assert '<svg viewBox="0 0 560' in head
    figure = json.loads(re.search(r'<script type="application/json">(.*?)</script>', head, re.DOTALL).group(1))
    assert any(trace["name"].startswith("as left") for trace in figure["data"])
    assert "/assets/evidence.js" in text


def test_a_valves_page_has_it_at_the_head_of_each_finding(source):
    from asleft.web.valve.page import page

    first = str(page(source, "press-2.clamp", None).contents)
    article = first[first.index("<h3>Ramp up changed") :]
    assert article.index("evidence") < article.index("The slope of rising current fell")


def test_the_report_has_it_without_a_script(source):
    from asleft.web.report.state import state_report
    from asleft.web.when import Stretch

    now = source.now_ns()
    text = state_report(source, "press-2.clamp", Stretch(now - DAY, now), "9.9")
    findings = text[
        text.index("<h2>Findings") : text.index("<h2>Not observed") if "<h2>Not observed" in text else None
    ]
    assert 'class="picture"' in findings
    assert "application/json" not in text
    assert "<script" not in on_paper(found(source, "press-2.clamp", "ramp-up-changed", now - DAY))


def test_titles_from_outside_are_escaped(plant, source):
    made = replace(
        drawn(source, "press-2.clamp", "ramp-up-changed", plant.now - DAY), title="<b>&</b>", words='"><x>'
    )
    text = on_screen(made)
    assert "<b>&</b>" not in text
    assert "&lt;b&gt;&amp;&lt;/b&gt;" in text
    assert '"><x>' not in text
