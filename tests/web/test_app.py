from __future__ import annotations

import gzip
import json
import re
from datetime import datetime
from pathlib import Path

import pytest
from asleft.web import ids, palette
from asleft.web import live as parts
from asleft.web.app import create_app
from asleft.web.asset_files import FOLDER as ASSETS
from asleft.web.asset_files import STYLES
from asleft.web.valve.slow import draw_history, draw_slow
from asleft.web.valve.window import draw_window, extend
from dash import no_update
from plotly.offline import get_plotlyjs_version


@pytest.fixture
def client(plant, door):
    """Without accounts: whoever is on the machine."""
    app = create_app(plant, plant, door.access, clock_ns=lambda: plant.now)
    return app.server.test_client()


def test_the_bundle_is_of_exactly_the_installed_version_and_carries_its_licence():
    head = (ASSETS / "plotly-basic.min.js").read_text()[:400]
    assert f"v{get_plotlyjs_version()}" in head
    assert "MIT" in (ASSETS / "plotly-basic.LICENSE.txt").read_text()


def test_every_answer_forbids_what_comes_from_outside(client):
    for path in ("/", "/_dash-layout", "/assets/style.css", "/nowhere"):
        headers = client.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-eval" not in policy
        assert re.search(r"script-src 'self' 'sha256-[^']+'", policy)
        assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]
        assert headers["X-Content-Type-Options"] == "nosniff"


def test_the_page_names_its_language_and_links_nothing_outside(client):
    for path, plots in (("/", False), ("/valve/press-2.clamp", True)):
        text = client.get(path).get_data(as_text=True)
        assert '<html lang="en" ' in text
        assert not re.findall(r'(?:src|href)="(?:https?:)?//', text)
        assert hidden_parts(text)["plots"] is plots
        assert not re.findall(r'src="[^"]*/plotly[^"-]*\.min\.js', text)


def test_a_request_by_another_name_is_refused(client):
    assert client.get("/", headers={"Host": "plant.example:8050"}).status_code == 421
    for host in ("127.0.0.1:8050", "localhost", "[::1]:8050", "[::1]"):
        assert client.get("/", headers={"Host": host}).status_code == 200


def test_text_is_packed_once_and_right(client):
    wanted = {"Accept-Encoding": "gzip"}
    plain = client.get("/assets/plotly-basic.min.js").get_data()
    packed = [client.get("/assets/plotly-basic.min.js", headers=wanted) for _ in range(2)]
    for answer in packed:
        assert answer.headers["Content-Encoding"] == "gzip"
        assert gzip.decompress(answer.get_data()) == plain
        assert int(answer.headers["Content-Length"]) == len(answer.get_data()) < len(plain) / 2
    assert "Content-Encoding" not in client.get("/").headers
    layout = client.get("/_dash-dependencies", headers=wanted)
    assert json.loads(gzip.decompress(layout.get_data()))


def test_a_changed_asset_is_not_served_from_before(client):
    wanted = {"Accept-Encoding": "gzip"}
    first = gzip.decompress(client.get("/assets/asleft.js", headers=wanted).get_data())
    assert first == (ASSETS / "asleft.js").read_bytes()


def test_files_may_be_kept_for_good_under_an_address_that_changes_with_them(client):
    text = client.get("/valve/press-2.clamp").get_data(as_text=True)
    files = set(re.findall(r"/(?:assets/|styles)[^\"]+", text))
    names = {path.split("?")[0].split("/")[-1] for path in files}
    assert names >= {"styles.css", "asleft.js", "live.js", "mark.svg"}
    for path in files:
        answer = client.get(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["Cache-Control"], path
        assert "immutable" not in client.get(path.split("?")[0]).headers.get("Cache-Control", ""), path
    styles = client.get("/styles.css").get_data(as_text=True)
    assert all((ASSETS / name).read_text() in styles for name in STYLES)


@pytest.mark.parametrize(
    ("path", "status", "title"),
    [
        ("/", 200, "Presses"),
        ("/health", 200, "Health"),
        ("/health/", 200, "Health"),
        ("/valve/press-2.clamp", 200, "Press 2, clamp pressure"),
        ("/valve/nope", 404, "Not found"),
        ("/nowhere", 404, "Not found"),
        ("/audit", 403, "Not for you"),
        ("/audit/12", 403, "Not for you"),
        ("/valve/%3Cscript%3E", 404, "Not found"),
    ],
)
def test_every_address_has_a_page_a_status_and_a_title(client, path, status, title):
    answer = client.get(path)
    assert answer.status_code == status
    assert f"<title>{title} – Asleft</title>" in answer.get_data(as_text=True)


def test_an_unknown_valve_is_named_and_leads_back(client):
    text = client.get("/valve/%3Cscript%3Ex").get_data(as_text=True)
    assert "There is no valve “&lt;script&gt;x” here." in text
    assert '<a href="/" class="go">' in text


def test_only_changed_parts_are_sent():
    first, tags = parts.changed({"a": "1", "b": "2"}, None)
    assert first == {"a": "1", "b": "2"}
    again, same = parts.changed({"a": "1", "b": "3"}, tags)
    assert again == {"b": "3"}
    assert same["a"] == tags["a"]


def hidden_parts(text: str) -> dict:
    return json.loads(re.search(r'<script type="application/json" id="hidden-parts">(.*?)</script>', text).group(1))


def test_the_sentence_is_in_the_first_answer_of_every_live_page(client):
    for path, words in (
        ("/", "Three of eight valves"),
        ("/valve/press-2.clamp", "Ramp up takes 2.10 s"),
        ("/health", "48,231"),
    ):
        text = client.get(path).get_data(as_text=True)
        contents = re.sub("</?span[^>]*>", "", text[text.index("<main") : text.index("</main>")])
        assert words in contents
        assert contents.count("<h1") == 1
        assert "Loading" not in contents
        assert hidden_parts(text)["parts"]
    chosen = client.get("/?press=Press+2").get_data(as_text=True)
    assert "row-press-2.clamp" in chosen
    assert "row-press-3.platen" not in chosen


def test_only_what_changed_since_the_first_answer_is_sent(client):
    """The page's own components bring along the tags of what stands in it."""
    parts_of = {
        part["props"]["id"]: part["props"] for part in hidden_parts(client.get("/").get_data(as_text=True))["parts"]
    }
    body = {
        "output": f"..{ids.PRESSES_PARTS}.data...{ids.PRESSES_TAGS}.data..",
        "outputs": [{"id": name, "property": "data"} for name in (ids.PRESSES_PARTS, ids.PRESSES_TAGS)],
        "inputs": [
            {"id": ids.PRESSES_TIMER, "property": "n_intervals", "value": 1},
            {"id": ids.URL, "property": "search", "value": ""},
        ],
        "state": [{"id": ids.PRESSES_TAGS, "property": "data", "value": parts_of[ids.PRESSES_TAGS]["data"]}],
        "changedPropIds": [f"{ids.PRESSES_TIMER}.n_intervals"],
    }
    sent = client.post("/_dash-update-component", json=body).get_json()["response"][ids.PRESSES_PARTS]["data"]
    assert ids.PRESSES_OPENING not in sent
    assert ids.PRESSES_FLEET not in sent


def test_what_stands_in_a_script_of_the_page_cannot_end_it(client):
    text = client.get("/?press=%3C/script%3E%3Cscript%3Ealert(1)").get_data(as_text=True)
    assert "<script>alert" not in text
    assert hidden_parts(text)["parts"]


def test_a_live_plot_is_extended_and_no_other(plant, source):
    figure, words, cursor, resting, _ = draw_window(source, "press-2.clamp", "")
    meta = figure["layout"]["meta"]
    assert (meta["span"], meta["live"]) == ("1min", True)
    assert meta["ends"] == [plant.now / 1e6 - 60_000, plant.now / 1e6]
    assert [ahead for _, ahead in meta["ahead"]] == [3_600_000.0]
    assert resting is False
    assert ids.WINDOW_SPANS in words
    plant.now += 10**9
    batch, moved = extend(source, "press-2.clamp", "", cursor)
    ends = [datetime.fromisoformat(text) for text in batch["range"]]
    assert (ends[1] - ends[0]).total_seconds() == pytest.approx(60.0)
    assert int(moved[1]) > int(cursor[1])
    assert extend(source, "press-2.clamp", "?span=1h", cursor) == (no_update, no_update)
    assert extend(source, "press-2.clamp", "", None) == (no_update, no_update)


def test_the_clock_redraws_what_moves_slowly_and_leaves_the_past_alone(source):
    query = "?span=1h&until=2026-11-20T10:00:00"
    past = draw_window(source, "press-2.clamp", query, query)
    assert all(part is no_update for part in past)
    figure, _, cursor, resting, _ = draw_window(source, "press-2.clamp", "?span=1w", "?span=1w")
    assert figure is not no_update
    assert cursor is None
    assert resting is True
    live = draw_window(source, "press-2.clamp", "", "")
    assert live[0] is no_update
    assert live[2] is no_update


def test_another_address_is_drawn_also_where_the_clock_asks_first(source):
    """A question of the clock takes the place of one that still waits for its answer: it must bring the same."""
    for query, drawn in (("?span=1h&until=2026-11-20T10:00:00", "?span=1h"), ("", "?span=1h"), ("", None)):
        figure, _, _, _, now = draw_window(source, "press-2.clamp", query, drawn)
        assert figure is not no_update
        assert now == query


def test_curve_and_history_come_together(source):
    figure, style, ramps, _, words = draw_slow(source, "press-2.clamp")
    assert style == {}
    assert len(figure["data"]) == 6
    assert len(ramps["data"]) > 4
    assert set(words) == {ids.CURVE_WORDS, ids.RAMPS_WORDS}
    figure, style, ramps, ramps_style, words = draw_slow(source, "press-4.cushion")
    assert style["visibility"] == "hidden"
    assert figure is no_update
    assert ramps is no_update
    assert ramps_style["visibility"] == "hidden"
    assert "no current reading" in words[ids.RAMPS_WORDS]


def test_the_history_follows_a_longer_stretch_and_no_shorter_one(source):
    for query, words in (("", "3 Nov to 24 Nov"), ("?span=1h", "3 Nov to 24 Nov"), ("?span=13w", "25 Aug to 24 Nov")):
        text = draw_history(source, "press-2.clamp", query)[ids.HISTORY]
        assert words in text
        assert 'href="/csv/press-2.clamp/history?from=2026-' in text


def contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["day", "night"])
def test_colours_can_be_read_on_every_ground(theme):
    ink = {one.name: getattr(one, theme) for one in palette.INKS}
    for ground in (ink["ground"], ink["sheet"], ink["band"]):
        for name in ("text", "muted", "now", "shift", "digest", "measured"):
            assert contrast(ink[name], ground) >= 4.5, (theme, name, ground)
    for ground in (ink["ground"], ink["sheet"]):
        assert contrast(ink["accent"], ground) >= 4.5
        assert contrast(ink["expected"], ground) >= 3
    for name in ("expected", "measured"):
        assert contrast(ink[name], ink["plot-band"]) >= 3


def test_the_palettes_style_sheet_is_made_from_it():
    assert palette.STYLE.read_text() == palette.style_sheet(), "run: python -m asleft.web.palette"


def test_style_sheets_name_colours_by_the_palette_alone():
    for path in ASSETS.glob("*.css"):
        if path != palette.STYLE:
            assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(", path.read_text()), path.name


def test_own_assets_ask_for_nothing_outside():
    for path in (p for p in Path(ASSETS).iterdir() if p.suffix in {".css", ".js"} and "plotly" not in p.name):
        assert "http" not in path.read_text().replace("http://www.w3.org", ""), path
