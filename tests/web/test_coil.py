from __future__ import annotations

import html

import numpy as np
import pytest
from asleft.web.valve.coil import HOURS, coil, coil_view

V = "press-1.platen"
HOUR = 3600 * 10**9

NOW_COIL = {
    "resistance": 14.1,
    "resistance_uncertainty": 0.2,
    "temperature": 91.3,
    "temperature_uncertainty": 3.4,
    "basis": "coil voltage",
    "headroom_now": 21.5,
    "headroom_corner": 6.0,
    "clipping": {"temperature": 141.0, "supply": 20.3, "from": "2026-12-05T10:00:00.000Z"},
}


@pytest.fixture
def hourly(plant, plants, monkeypatch):
    """A plant whose winding warms by a degree an hour; past judgements are of whole hours, as a store has them."""
    plant._judgements[V]["coil"] = NOW_COIL

    def at(valve, at_ns):
        end = at_ns // HOUR * HOUR
        back = (plant.now - end) / HOUR
        coil = {**NOW_COIL, "temperature": 91.3 - back, "headroom_now": None if back > 30 else 21.5 + back / 10}
        return {**plant._judgements[valve], "to": plants.iso(end), "coil": coil}

    monkeypatch.setattr(plant, "judgement_at", at)
    return plant


@pytest.mark.usefixtures("hourly")
def test_now_and_over_two_days(plant, source):
    view = coil_view(source, V)
    assert (view.temperature_degc, view.headroom_pct, view.clips_at_degc) == (91.3, 21.5, 141.0)
    assert view.least_pct == 12.0
    assert HOURS <= view.degc.size <= HOURS + 1
    assert np.all(np.diff(view.time_ns) > 0)
    assert np.diff(view.degc) == pytest.approx([1.0] * (view.degc.size - 2) + [(plant.now % HOUR) / HOUR], abs=0.01)
    assert np.isfinite(view.degc).all()
    assert 0 < np.isnan(view.pct).sum() < view.pct.size
    assert view.why_not == []


@pytest.mark.usefixtures("hourly")
def test_it_is_told_in_words_pictures_and_numbers(source):
    text = coil(coil_view(source, V), V, source.time)
    for words in (
        "The winding is at 91 ± 3.4 °C, told by coil voltage.",
        "Headroom is 21.5 % now; at least 12 % is to be left.",
        "as hot and the supply as low as the sheet allows, headroom is 6.0 %.",
        "would stop short from 141 °C on",
        "below 20.3 V",
        "about 5 Dec",
        "<table",
        f"/csv/{V}/history?from=",
    ):
        assert words in text
    assert text.count("<svg") == 2
    assert text.count('role="img"') == 2


def test_where_it_is_not_known_the_judges_reason_stands_and_no_picture(plant, source):
    for found in plant._judgements[V]["quantities"]:
        if found["id"] == "coil_resistance":
            found["reason"] = "neither coil voltage nor full saturation"
        if found["id"] == "headroom":
            found["reason"] = "no resistance known"
    view = coil_view(source, V)
    assert not view.known
    text = coil(view, V, source.time)
    assert "not observed: neither coil voltage nor full saturation. It takes the coil's voltage" in html.unescape(
        text
    )
    assert "Headroom as it is now not observed: no resistance known." in text
    assert "<svg" not in text


def test_without_a_sheet_or_a_judgement_it_says_so(plant, source):
    assert coil_view(source, "nope").why_not == ["Not known: this valve has no sheet."]
    plant._judgements.pop(V)
    assert coil_view(source, V).why_not == ["Not known yet: nothing has been judged."]


def test_headroom_alone_is_shown_alone(hourly, source):
    hourly._judgements[V]["coil"] = {"headroom_now": 20.0}
    view = coil_view(source, V)
    text = coil(view, V, source.time)
    assert "Headroom is 20.0 % now" in text
    assert "Winding temperature not observed" in text


def test_what_is_known_of_the_worst_corner_is_told_without_a_thermometer(hourly, source):
    hourly._judgements[V]["coil"] = {"headroom_corner": 47.0, "temperature": None, "headroom_now": None}
    hourly.judgement_at = lambda *_: None
    view = coil_view(source, V)
    text = coil(view, V, source.time)
    assert "headroom is 47.0 %, of at least 12 %." in text
    assert "not observed: it takes the winding's temperature" in html.unescape(text)
    assert "<svg" not in text
