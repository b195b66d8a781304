from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import pytest
from asleft.store.accounts import Role
from asleft.web import ids, palette
from asleft.web.app import ASSETS, create_app
from asleft.web.pages import missing, parts, shell
from asleft.web.pages.valve_slow import draw_history, draw_slow
from asleft.web.pages.valve_window import draw_window, extend
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
    text = client.get("/").get_data(as_text=True)
    assert '<html lang="en">' in text
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', text)
    assert "plotly-basic.min.js" in text
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
    layout = client.get("/_dash-layout", headers=wanted)
    assert json.loads(gzip.decompress(layout.get_data()))


def test_a_changed_asset_is_not_served_from_before(client):
    wanted = {"Accept-Encoding": "gzip"}
    first = gzip.decompress(client.get("/assets/asleft.js", headers=wanted).get_data())
    assert first == (ASSETS / "asleft.js").read_bytes()


@pytest.mark.parametrize(
    ("path", "title"),
    [
        ("/", "Presses"),
        (None, "Presses"),
        ("/health", "Health"),
        ("/valve/press-2.clamp", "Press 2, clamp pressure"),
        ("/valve/nope", "Not found"),
        ("/nowhere", "Not found"),
        ("/audit", "Not for you"),
        ("/audit/12", "Not for you"),
        ("/valve/%3Cscript%3E", "Not found"),
    ],
)
def test_every_address_has_a_page_and_a_title(source, door, path, title):
    contents, found = shell.page(source, door.store.audit, "0.1.0", path, Role.VIEWER)
    assert found == title
    assert contents is not None


def test_an_unknown_valve_is_named_and_leads_back():
    text = json.dumps(
        missing.layout("There is no valve “x” here.").to_plotly_json(), default=lambda c: c.to_plotly_json()
    )
    assert "no valve" in text
    assert '"href": "/"' in text


def test_only_changed_parts_are_sent():
    first, tags = parts.changed({"a": "1", "b": "2"}, None)
    assert first == {"a": "1", "b": "2"}
    again, same = parts.changed({"a": "1", "b": "3"}, tags)
    assert again == {"b": "3"}
    assert same["a"] == tags["a"]


def test_the_framework_answers_for_every_page(client):
    def route(path: str, search: str = ""):
        body = {
            "output": f"..{ids.MAIN}.children...{ids.NAV}.children...{ids.TITLE}.data..",
            "outputs": [
                {"id": ids.MAIN, "property": "children"},
                {"id": ids.NAV, "property": "children"},
                {"id": ids.TITLE, "property": "data"},
            ],
            "inputs": [{"id": ids.URL, "property": "pathname", "value": path}],
            "state": [{"id": ids.URL, "property": "search", "value": search}],
            "changedPropIds": [f"{ids.URL}.pathname"],
        }
        return client.post("/_dash-update-component", json=body)

    for path, words in (
        ("/", "Three of eight valves"),
        ("/valve/press-2.clamp", "Ramp up takes 2.10 s"),
        ("/health", "48,231"),
    ):
        answer = route(path)
        assert answer.status_code == 200
        assert words in answer.get_data(as_text=True)
    chosen = route("/", "?press=Press+2").get_data(as_text=True)
    assert "row-press-2.clamp" in chosen
    assert "row-press-3.platen" not in chosen


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
    assert batch["range"][1] - batch["range"][0] == pytest.approx(60_000)
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


def test_colours_can_be_read_on_every_ground():
    for ground in (palette.GROUND, "#FFFFFF", palette.BAND):
        for ink in (palette.TEXT, palette.MUTED, palette.NOW, palette.SHIFT, palette.DIGEST, palette.MEASURED):
            assert contrast(ink, ground) >= 4.5, (ink, ground)
    assert contrast(palette.ACCENT, palette.GROUND) >= 4.5
    for ink in (palette.EXPECTED, palette.MEASURED):
        assert contrast(ink, palette.PLOT_BAND) >= 3


def test_style_sheet_and_palette_say_the_same():
    css = (ASSETS / "style.css").read_text().lower()
    pairs = {
        "ground": palette.GROUND,
        "text": palette.TEXT,
        "muted": palette.MUTED,
        "measured": palette.MEASURED,
        "band": palette.BAND,
        "rule": palette.RULE,
        "now": palette.NOW,
        "shift": palette.SHIFT,
        "digest": palette.DIGEST,
        "accent": palette.ACCENT,
    }
    for name, colour in pairs.items():
        assert f"--{name}: {colour.lower()};" in css


def test_own_assets_ask_for_nothing_outside():
    for path in (p for p in Path(ASSETS).iterdir() if p.suffix in {".css", ".js"} and "plotly" not in p.name):
        assert "http" not in path.read_text().replace("http://www.w3.org", ""), path
