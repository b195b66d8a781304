from __future__ import annotations

import pytest
from asleft.web.views.spans import SPANS, Choice, parse_choice
from asleft.web.when import PlantTime
from hypothesis import given
from hypothesis import strategies as st

MADRID = PlantTime.named("Europe/Madrid")
NOW = 1_795_532_527 * 10**9


@given(st.sampled_from(sorted(SPANS)), st.one_of(st.none(), st.integers(1_700_000_000, 1_790_000_000)))
def test_an_address_restores_what_was_shown(key, until_s):
    choice = Choice(SPANS[key], None if until_s is None else until_s * 10**9)
    again = parse_choice(choice.query(MADRID), MADRID)
    assert again.span is choice.span
    if until_s is None:
        assert again.until_ns is None
    else:  # in the hour that the clock repeats in October a local time says less than the instant
        assert again.until_ns is not None
        assert (again.until_ns - choice.until_ns) % (3600 * 10**9) == 0
        assert abs(again.until_ns - choice.until_ns) <= 3600 * 10**9


@pytest.mark.parametrize("query", [None, "", "?", "?span=2min", "?span=1min&until=soon", "?until=%00", "?span="])
def test_what_is_not_understood_is_one_minute_live(query):
    choice = parse_choice(query, MADRID)
    assert choice.span.key == "1min"
    assert choice.live


def test_windows_end_where_they_should():
    hour = Choice(SPANS["1h"], NOW - 10**12)
    assert hour.window(NOW) == (NOW - 10**12 - 3600 * 10**9, NOW - 10**12)
    assert not hour.live
    assert Choice(SPANS["1h"]).window(NOW)[1] == NOW


def test_going_earlier_and_later_ends_at_the_present():
    earlier = Choice(SPANS["1h"]).shifted(-1, NOW)
    assert earlier.until_ns == NOW - 1800 * 10**9
    assert earlier.shifted(1, NOW).until_ns is None
    assert earlier.shifted(-1, NOW).until_ns == NOW - 3600 * 10**9
