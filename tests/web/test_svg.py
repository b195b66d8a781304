from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from asleft.catalogue.statuses import STATUS_ORDER
from asleft.web.markup import LARGE, SMALL, StripMark, deviation_strip, status_mark
from asleft.web.views.valves import mark_words, strip_marks
from hypothesis import given
from hypothesis import strategies as st

VERDICTS = ("in", "out", "undecided", "not-observed", "absent")


def mark(used: float | None, verdict: str = "in", spread: float | None = 12.0) -> StripMark:
    return StripMark("ramp_up", "ramp up", used, spread, verdict)


def paths(text: str) -> dict[str, str]:
    return {p.get("class", ""): p.get("d", "") for p in ET.fromstring(text).iter("path")}


def test_a_dot_stands_where_its_deviation_says():
    found = paths(deviation_strip([mark(0.0), mark(100.0), mark(-50.0)], SMALL, "x"))
    ys = [float(piece.split()[1].split("h")[0]) for piece in found["dot"].split("M")[1:]]
    band = found["band"]
    top, bottom = float(band.split("H")[0].split()[1]), float(band.split("V")[1].split("H")[0])
    assert ys[0] == pytest.approx((top + bottom) / 2, abs=0.06)
    assert ys[1] == pytest.approx(top, abs=0.06)
    assert ys[2] == pytest.approx((top + bottom) / 2 + (bottom - top) / 4, abs=0.06)


def test_beyond_the_scale_is_an_arrow_with_its_figure_and_no_dot():
    text = deviation_strip([mark(312.0, "out"), mark(-1500.0, "out")], SMALL, "x")
    found = paths(text)
    assert "dot" not in found
    assert found["beyond"].count("M") == 2
    assert [t.text for t in ET.fromstring(text).iter("text")] == ["+312", "<−999"]


def test_not_observed_is_an_open_dash_and_absent_is_nothing():
    found = paths(deviation_strip([mark(None, "not-observed"), mark(None, "absent"), mark(40.0)], SMALL, "x"))
    assert found["unseen"].count("M") == 1
    assert found["dot"].count("M") == 1


def test_undecided_and_out_have_shapes_of_their_own():
    found = paths(deviation_strip([mark(95.0, "undecided"), mark(120.0, "out"), mark(10.0)], SMALL, "x"))
    assert found["ring"].count("M") == 1
    assert found["beyond"].count("M") == 1
    assert found["dot"].count("M") == 1


def test_a_strip_is_a_handful_of_paths_and_small():
    text = deviation_strip([mark(i * 12.0 - 60) for i in range(12)], SMALL, "x")
    assert text.count("<path") <= 7
    assert len(text) < 1200


@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats(-1e6, 1e6)),
            st.sampled_from(VERDICTS),
            st.one_of(st.none(), st.floats(0, 1e5)),
        ),
        max_size=12,
    )
)
def test_whatever_comes_the_picture_is_well_formed_and_keeps_to_its_scale(marks):
    text = deviation_strip([mark(u, v, s) for u, v, s in marks], LARGE, 'a "name" & <more>')
    root = ET.fromstring(text)
    height = float(root.get("height"))
    for piece in paths(text).get("whisker", "").split("M")[1:]:
        start, end = piece.split()[1].split("V")
        assert float(end) >= 0
        assert float(start) <= height
        assert float(start) <= float(end)
    assert root.get("aria-label") == 'a "name" & <more>'


def test_every_status_has_its_own_shape():
    drawn = {status: status_mark(status).split('class="mark')[1].split(">", 1)[1] for status in STATUS_ORDER}
    assert len(set(drawn.values())) == len(STATUS_ORDER)
    assert "cross thin" in status_mark("something new")


def test_what_departs_to_the_side_without_a_limit_is_in_and_not_unseen():
    supply = {"id": "supply_voltage", "verdict": "in", "tolerance_used": None, "tolerance": [-2.4, None],
              "as_found": 25.1, "uncertainty": 0.1}  # fmt: skip
    (mark,) = strip_marks({"quantities": [supply]}, all_columns=False)
    assert (mark.verdict, mark.used_pct) == ("in", 0.0)
    assert mark_words(mark) == "in (25.1 V), no limit on that side"
