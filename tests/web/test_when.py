from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from asleft.web.when import BadStretch, PlantTime, UnknownZoneError, age, parse_iso_ns, typed_ns
from hypothesis import given
from hypothesis import strategies as st

MADRID = PlantTime.named("Europe/Madrid")


def ns(*parts: int) -> int:
    return round(datetime(*parts, tzinfo=UTC).timestamp()) * 10**9


def test_moments_are_as_short_as_is_clear():
    now = ns(2026, 11, 24, 13, 22, 7)
    assert MADRID.full(now) == "Tue 24 Nov 2026 14:22:07"
    assert MADRID.moment(ns(2026, 11, 24, 2, 10), now) == "03:10"
    assert MADRID.moment(ns(2026, 11, 14, 2, 10), now) == "14 Nov 03:10"
    assert MADRID.moment(ns(2024, 11, 14, 2, 10), now) == "14 Nov 2024 03:10"
    assert [MADRID.date(ns(year, 11, 24, 2, 10), now) for year in (2026, 2024)] == ["24 Nov", "24 Nov 2024"]


def test_midnight_is_that_of_the_plant():
    now = ns(2026, 11, 24, 23, 30)  # already the 25th in Madrid
    assert MADRID.moment(ns(2026, 11, 24, 22, 30), now) == "24 Nov 23:30"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-3, "0.0 s"),
        (0.84, "0.8 s"),
        (42.4, "42 s"),
        (100, "2 min"),
        (3 * 60, "3 min"),
        (5 * 3600, "5 h"),
        (48 * 3600, "2 days"),
    ],
)
def test_ages_have_one_unit(seconds, words):
    assert age(seconds) == words


def test_plot_times_follow_the_change_of_the_clock_within_one_array():
    # In Madrid summer time ends on 25 October 2026 at 01:00 UTC.
    before, after = ns(2026, 10, 25, 0, 59), ns(2026, 10, 25, 1, 1)
    shifted = MADRID.plot_ms(np.array([before, after], dtype=np.int64))
    assert shifted[0] - before / 1e6 == 2 * 3600e3
    assert shifted[1] - after / 1e6 == 1 * 3600e3
    assert MADRID.plot_ms(np.empty(0, np.int64)).size == 0


@given(st.integers(min_value=946_684_800, max_value=4_000_000_000))
def test_one_instant_is_shifted_as_in_an_array(at_s):
    at_ns = at_s * 10**9
    assert MADRID.plot_ms(np.array([at_ns]))[0] == pytest.approx(MADRID.plot_ms_one(at_ns), abs=1e-3)


def test_an_unknown_zone_is_refused_by_name():
    for wrong in ("Madrid/Spain", "", "../etc/passwd"):
        with pytest.raises(UnknownZoneError, match="zone"):
            PlantTime.named(wrong)


def test_iso_times_are_utc_and_nonsense_is_nothing():
    assert parse_iso_ns("2026-11-14T02:10:00.500Z") == ns(2026, 11, 14, 2, 10) + 500_000_000
    assert parse_iso_ns("2026-11-14T02:10:00") == ns(2026, 11, 14, 2, 10)
    assert parse_iso_ns(None) is None
    assert parse_iso_ns("yesterday") is None


def test_places_of_a_plot_lead_back_to_moments_across_a_change_of_the_clock():
    time = PlantTime.named("Europe/Madrid")
    change = 1_792_890_000 * 10**9  # Sun 25 Oct 2026, 01:00 UTC
    pairs = time.offsets(change - 40 * 86_400 * 10**9, change + 40 * 86_400 * 10**9)
    assert [ahead for _, ahead in pairs] == [7_200_000.0, 3_600_000.0]
    assert pairs[1][0] == change / 1e6 + 3_600_000
    assert len(time.offsets(change - 300 * 86_400 * 10**9, change - 1)) == 3
    assert time.offsets(change, change + 10**9)[-1] == pairs[1]


def test_a_time_that_the_clock_skips_is_none_in_any_form():
    with pytest.raises(BadStretch, match="there is no 02:30 on that day in Europe/Madrid"):
        typed_ns(MADRID, "at", "2026-03-29T02:30:00")
    assert typed_ns(MADRID, "at", "2026-03-29 03:30") == typed_ns(MADRID, "at", "2026-03-29T01:30Z")
