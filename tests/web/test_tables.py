"""Tables for spreadsheets: RFC 4180, harmless text, units in the names, times twice, faults in words."""

from __future__ import annotations

import csv
import html
import io
import re

import numpy as np
import pytest
from asleft.web import ids
from asleft.web.app import create_app
from asleft.web.csv_text import Csv, plant, plant_all, shown, text_of, utc, utc_all
from asleft.web.health import health_body, health_view
from asleft.web.presses import page as presses_page
from asleft.web.valve import page as valve_page
from asleft.web.valve.slow import draw_history
from asleft.web.valve.table import window
from asleft.web.valve.window import draw_window
from asleft.web.when import PlantTime, Stretch

V = "press-2.clamp"
S = 10**9
MADRID = PlantTime.named("Europe/Madrid")


@pytest.fixture
def client(plant, door):
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()


def rows_of(answer) -> list[dict[str, str]]:
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True), newline="")))


def read(table: Csv) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO("".join(text_of(table)), newline="")))


def test_the_text_is_as_the_standard_asks():
    text = "".join(text_of(Csv("x", ("a", "b"), [["1, 2", 'say "no"'], ["two\nlines", None], [1.5, float("nan")]])))
    assert text == 'a,b\r\n"1, 2","say ""no"""\r\n"two\nlines",\r\n1.5,\r\n'


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_text_that_would_calculate_is_made_harmless(text):
    assert shown(text) == f"'{text}"


def test_numbers_keep_their_sign_and_their_digits():
    assert [shown(value) for value in (-0.18234567, -3, 1e-7, float("inf"), None, "a=1")] == [
        "-0.182346",
        "-3",
        "1e-07",
        "",
        "",
        "a=1",
    ]


def test_a_long_table_comes_in_pieces():
    pieces = list(text_of(Csv("x", ("n",), ([n] for n in range(1200)))))
    assert len(pieces) == 3
    assert "".join(pieces).count("\r\n") == 1201


def test_a_moment_in_both_clocks():
    at = 1_795_532_527_123_456_789
    assert (utc(at), plant(at, MADRID)) == ("2026-11-24T15:02:07.123Z", "2026-11-24T16:02:07.123+01:00")
    assert (utc(None), plant(None, MADRID)) == ("", "")


@pytest.mark.parametrize("zone", ["Europe/Madrid", "America/St_Johns", "Asia/Kathmandu"])
def test_many_moments_are_told_like_single_ones_across_a_change_of_the_clock(zone):
    time = PlantTime.named(zone)
    change = 1_792_890_000 * S  # 25 October 2026, 01:00 UTC: summer time ends in Europe
    moments = change + np.arange(-2, 3, dtype=np.int64) * 1800 * S + 7_654_321
    assert utc_all(moments) == [utc(int(at)) for at in moments]
    assert plant_all(moments, time) == [plant(int(at), time) for at in moments]
    assert plant_all(np.empty(0, np.int64), time) == []


def test_presses_come_worst_first_with_the_share_of_each_tolerance(client):
    answer = client.get("/csv/presses")
    assert answer.headers["Content-Type"].startswith("text/csv; charset=utf-8")
    assert answer.headers["Content-Disposition"] == 'attachment; filename="asleft-presses-20261124T150207Z.csv"'
    rows = rows_of(answer)
    assert len(rows) == 8
    assert (rows[0]["valve"], rows[0]["status"]) == ("press-3.knock-out", "failure")
    clamp = next(row for row in rows if row["valve"] == V)
    assert (clamp["ramp_up_used_percent"], clamp["since_plant"]) == ("312", "2026-11-14T05:02:07.000+01:00")
    assert rows[0]["ramp_up_used_percent"] == ""


def test_settings_have_units_bounds_and_reasons(client):
    rows = {row["quantity"]: row for row in rows_of(client.get(f"/csv/{V}/quantities"))}
    up = rows["ramp_up"]
    assert (up["unit"], up["as_left"], up["as_found"], up["verdict"]) == ("s", "1.6", "2.0992", "out")
    assert (rows["pressure_at_full"]["unit"], rows["supply_voltage"]["tolerance_above"]) == ("bar", "")
    assert up["judged_until_utc"].endswith("Z")
    unseen = {row["quantity"]: row for row in rows_of(client.get("/csv/press-2.platen/quantities"))}["ramp_up"]
    assert (unseen["as_found"], unseen["verdict"], unseen["known_at_most"]) == ("", "not observed", "0.8")
    assert unseen["reason"] == "the controller makes its own ramps"


def test_before_the_first_judgement_the_sheet_is_given(client, plant):
    plant.judgement = lambda _valve: None
    rows = {row["quantity"]: row for row in rows_of(client.get(f"/csv/{V}/quantities"))}
    assert (rows["ramp_up"]["as_left"], rows["ramp_up"]["as_found"]) == ("1.6", "")
    assert (rows["ramp_up"]["tolerance_below"], rows["ramp_up"]["reason"]) == ("0.16", "not judged yet")
    plant.effective_sheet = lambda *_: None
    assert rows_of(client.get(f"/csv/{V}/quantities")) == []


def test_readings_are_all_there_with_the_current_expected_of_them(source, plant):
    stretch = Stretch(plant.now - 300 * S, plant.now - 10 * S)  # three pieces
    table = window(source, V, stretch)
    rows = read(table)
    stored = plant.samples(V, stretch.from_ns, stretch.to_ns)
    assert table.columns[:3] == ("time_utc", "time_plant", "command_ma")
    assert [row["time_utc"] for row in rows] == [utc(int(at)) for at in stored.time_ns]
    np.testing.assert_allclose([float(r["current_a"]) for r in rows], stored.channels["current"], rtol=1e-5)
    expected = np.array([float(row["expected_current_a"] or "nan") for row in rows])
    assert np.isfinite(expected).mean() > 0.99
    assert np.nanmax(expected) == pytest.approx(0.18 + 0.92 * 0.74, abs=0.01)
    assert {row["machine_state"] for row in rows} <= {"producing", "set-up", "stopped", ""}
    assert rows[0]["machine_state"] == "producing"


def test_pieces_join_without_a_seam(source, plant):
    whole = read(window(source, V, Stretch(plant.now - 260 * S, plant.now - 10 * S)))
    part = read(window(source, V, Stretch(plant.now - 200 * S, plant.now - 190 * S)))
    inside = [row for row in whole if part[0]["time_utc"] <= row["time_utc"] <= part[-1]["time_utc"]]
    assert inside == part


def test_longer_stretches_come_as_the_overview(client):
    answer = client.get(f"/csv/{V}/window?from=2026-11-24T05:00:00Z&to=2026-11-24T15:00:00Z")
    assert "asleft-press-2.clamp-overview-" in answer.headers["Content-Disposition"]
    rows = rows_of(answer)
    assert 100 < len(rows) <= 901
    first = rows[0]
    assert first["from_utc"].startswith("2026-11-24T05:00")
    assert first["from_plant"].startswith("2026-11-24T06:00")
    low, mean, high = (float(first[f"pressure_bar_{what}"]) for what in ("min", "mean", "max"))
    assert low <= mean <= high
    raw = client.get(f"/csv/{V}/window?from=2026-11-24T14:30:00Z&to=2026-11-24T15:00:00Z&kind=readings")
    assert len(rows_of(raw)) == 1800 * 50


def test_states_have_their_ends_and_length(client):
    rows = rows_of(client.get(f"/csv/{V}/states?from=2026-11-24T00:00:00Z&to=2026-11-24T12:00:00Z"))
    assert [row["machine_state"] for row in rows] == ["stopped", "set-up", "producing"]
    assert (rows[0]["duration_s"], rows[0]["to_plant"]) == ("18000", "2026-11-24T06:00:00.000+01:00")


def test_the_history_leaves_no_point_out(client, plant):
    rows = [row for row in rows_of(client.get(f"/csv/{V}/history")) if row["quantity"] == "ramp_up"]
    points = plant.points(V, "ramp_up", plant.now - 21 * 86_400 * S, plant.now)
    assert len(rows) == len(points)
    assert float(rows[-1]["value"]) == pytest.approx(points[-1].value, rel=1e-5)
    assert (rows[0]["unit"], rows[0]["as_left"]) == ("s", "1.6")
    few = rows_of(client.get(f"/csv/{V}/history?from=2026-11-23T00:00:00Z&to=2026-11-24T00:00:00Z"))
    assert {row["time_utc"][:10] for row in few} == {"2026-11-23"}


def test_the_curve_has_what_was_found_and_what_was_left(client):
    rows = rows_of(client.get(f"/csv/{V}/curve"))
    assert {row["branch"] for row in rows} == {
        "found, rising",
        "found, falling",
        "as left, rising",
        "as left, falling",
    }
    left = [row for row in rows if row["branch"] == "as left, falling"]
    assert [(row["current_a"], row["pressure_bar"]) for row in left][1] == ("0.4", "73")


def test_alarms_come_with_their_times_and_what_was_found(plant, door, desks, tmp_path):
    records = desks.Desked(plant, door, tmp_path)
    records.raise_usual(plant.now)
    client = create_app(plant, records, door.access, clock_ns=lambda: plant.now).server.test_client()
    rows = rows_of(client.get("/csv/alarms"))
    assert (rows[0]["list"], rows[0]["valve"], rows[0]["class"]) == ("waiting", "press-3.knock-out", "now")
    assert rows[0]["onset_utc"] == "2026-11-24T14:20:07.000Z"
    gone = next(row for row in rows if row["kind"] == "current stops short of what is asked")
    assert gone["returned_plant"] == "2026-11-23T12:02:07.000+01:00"
    records.close()


def test_the_health_is_one_figure_a_row(client):
    rows = rows_of(client.get("/csv/health"))
    told = {(row["about"], row["name"], row["figure"]): row["value"] for row in rows}
    assert told["delivery", "hall-1", "blocks stored"] == "48230"
    assert told["delivery", "hall-2", "blocks declared lost"] == "14"
    assert told["judging", V, "judged"] == "2.0 s behind the newest sample"
    assert told["page", "", "in a sentence"].startswith("14 blocks were declared lost")


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/csv/no-such/quantities", 404, "There is no valve “no-such” here."),
        (f"/csv/{V}/window?from=2026-11-24T12:00:00Z&to=2026-11-24T11:00:00Z", 400, "from must lie before to."),
        (f"/csv/{V}/window?from=monday", 400, "from = 'monday': wanted is a time"),
        (f"/csv/{V}/window?from=9000-01-01&to=9000-01-02", 400, "wanted is a time from 1970 to 2100"),
        (f"/csv/{V}/window?from=2026-11-24T11:00:00Z&kind=readings", 400, "4.0 h of readings; at most 1 h"),
        (f"/csv/{V}/window?from=2024-01-01&to=2026-11-01", 400, "1035 days; at most 366 days"),
        (f"/csv/{V}/window?kind=all", 400, "kind = 'all': wanted is readings or overview."),
        (f"/csv/{V}/states?from=2020-01-01&to=2026-11-01", 400, "at most 366 are given"),
        (f"/csv/{V}/history?from=2000-01-01", 400, "at most 1098 are given"),
        (f"/csv/{V}/curve?from=2026-11-24", 400, "from: no such choice here; it takes none."),
        ("/csv/presses?press=4", 400, "press: no such choice here; it takes none."),
    ],
)
def test_faults_are_told_in_words(client, path, status, words):
    answer = client.get(path)
    assert answer.status_code == status
    assert words in html.unescape(answer.get_data(as_text=True))
    assert answer.mimetype == "text/html"


def test_readings_are_sent_as_they_are_made(client):
    path = f"/csv/{V}/window?from=2026-11-24T14:00:00Z&to=2026-11-24T15:00:00Z&kind=readings"
    answer = client.get(path, headers={"Accept-Encoding": "gzip"}, buffered=False)
    assert answer.is_streamed
    assert "Content-Encoding" not in answer.headers
    assert answer.headers["Cache-Control"] == "no-store"


def test_pressures_are_in_the_unit_that_the_reader_has_chosen(client):
    client.set_cookie("asleft_pressure", "psi")
    rows = {row["quantity"]: row for row in rows_of(client.get(f"/csv/{V}/quantities"))}
    assert (rows["pressure_at_full"]["unit"], rows["pressure_at_full"]["as_left"]) == ("psi", "3045.79")
    assert rows["ramp_up"]["as_left"] == "1.6"
    assert "pressure_psi" in rows_of(client.get(f"/csv/{V}/window"))[0]
    assert "pressure_psi_mean" in rows_of(client.get(f"/csv/{V}/window?kind=overview&from=2026-11-24T12:00:00Z"))[0]
    assert rows_of(client.get(f"/csv/{V}/curve"))[-1]["pressure_psi"] == "3045.79"
    history = [row for row in rows_of(client.get(f"/csv/{V}/history")) if row["quantity"] == "pressure_at_full"]
    assert (history[0]["unit"], history[0]["as_left"]) == ("psi", "3045.79")


def test_every_table_of_a_page_has_its_link(client, source):
    contents = str(valve_page.page(source, V, None).contents)
    words = draw_window(source, V, "?span=1h&until=2026-11-24T10:00:00")[1]
    shown = (
        contents
        + words[ids.WINDOW_WORDS]
        + str(draw_history(source, V, "")[ids.HISTORY])
        + client.get("/alarms").get_data(as_text=True)
    )
    shown += str(health_body(health_view(source, "0.1.0")))
    shown += str(presses_page.page(source).contents)
    found = set(re.findall(r"/csv/[^\"\\ ]+", html.unescape(shown)))
    assert {path.split("?")[0] for path in found} == {
        *(f"/csv/{V}/{what}" for what in ("quantities", "window", "states", "history", "curve")),
        *(f"/csv/{what}" for what in ("presses", "alarms", "health")),
    }
    for path in found:
        assert client.get(path).mimetype == "text/csv", path
