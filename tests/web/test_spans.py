from __future__ import annotations

import pytest
from asleft.web.valve.window import span_selector
from asleft.web.views.spans import MOST_NS, SPANS, Choice, parse_choice
from asleft.web.when import PlantTime
from hypothesis import given
from hypothesis import strategies as st

MADRID = PlantTime.named("Europe/Madrid")
NOW = 1_795_532_527 * 10**9
SECOND = 10**9
HOUR = 3600 * SECOND


def parsed(query):
    return parse_choice(query, MADRID, NOW)


@given(st.integers(1000, 366 * 86_400_000), st.integers(1_700_000_000_000, NOW // 10**6))
def test_an_address_restores_any_stretch_to_the_millisecond(length_ms, until_ms):
    choice = Choice(length_ms * 10**6, until_ms * 10**6)
    assert parsed(choice.query()) == choice


@pytest.mark.parametrize("key", SPANS)
def test_what_ends_at_the_present_is_named_by_its_length(key):
    choice = Choice.of(key)
    assert choice.query() == f"?span={key}"
    assert parsed(choice.query()) == choice


def test_times_of_an_address_are_utc_and_whoever_leaves_out_the_zone_means_the_plants():
    choice = parsed("?from=2026-11-20T13:00:00Z&to=2026-11-20T14:00:00Z")
    assert parsed("?from=2026-11-20T14:00:00&to=2026-11-20T15:00:00") == choice
    assert parsed("?from=2026-11-20T14:00:00+01:00&to=2026-11-20T15:00:00%2B01:00") == choice
    assert parsed("?span=1h&until=2026-11-20T15:00:00") == choice
    assert choice.key == "1h"


@pytest.mark.parametrize(
    "query",
    [
        None,
        "",
        "?",
        "?span=2min",
        "?span=1min&until=soon",
        "?until=%00",
        "?span=",
        "?from=2026-11-20T14:00:00Z",
        "?from=2026-11-20T14:00:00Z&to=2026-11-20T14:00:00Z",
        "?from=2026-11-20T14:00:00Z&to=9999-11-20T14:00:00Z",
        "?from=0001-01-01T00:00:00Z&to=now",
    ],
)
def test_what_is_not_understood_is_one_minute_live(query):
    choice = parsed(query)
    assert choice.key == "1min"
    assert choice.live


def test_a_stretch_is_no_shorter_than_a_second_no_longer_than_a_year_and_never_of_the_future():
    short = parsed("?from=2026-11-20T14:00:00.000Z&to=2026-11-20T14:00:00.010Z")
    assert short.seconds == 1.0
    assert short.window(NOW)[0] == short.until_ns - SECOND
    assert parsed("?from=1990-01-01&to=2026-01-01").length_ns == MOST_NS
    assert parsed("?from=2026-11-20T14:00:00Z&to=2027-02-20T14:00:00Z").until_ns == NOW


def test_windows_end_where_they_should():
    hour = Choice.of("1h", NOW - 10**12)
    assert hour.window(NOW) == (NOW - 10**12 - HOUR, NOW - 10**12)
    assert not hour.live
    assert Choice.of("1h").window(NOW)[1] == NOW
    assert Choice.of("1min").live
    assert not Choice.of("1min", NOW).live


def test_going_earlier_and_later_ends_at_the_present():
    earlier = Choice.of("1h").shifted(-1, NOW)
    assert earlier.until_ns == NOW - HOUR // 2
    assert earlier.shifted(1, NOW).until_ns is None
    assert earlier.shifted(-1, NOW).until_ns == NOW - HOUR
    odd = Choice(50 * 60 * SECOND, NOW - 60 * SECOND)
    assert odd.shifted(1, NOW).until_ns == NOW  # a length without a name cannot move with the clock


def test_closer_and_wider_keep_the_middle_and_stop_at_either_end():
    hour = Choice.of("1h", NOW - HOUR * 10)
    closer, wider = hour.scaled(-1, NOW), hour.scaled(1, NOW)
    assert (closer.key, wider.key) == ("10min", "8h")
    middle = sum(hour.window(NOW)) // 2
    assert sum(closer.window(NOW)) // 2 == sum(wider.window(NOW)) // 2 == middle
    assert Choice.of("1h").scaled(1, NOW) == Choice.of("8h")
    assert Choice(50 * 60 * SECOND, NOW - HOUR).scaled(1, NOW).key == "1h"
    assert Choice.of("1s", NOW).scaled(-1, NOW) == Choice.of("1s", NOW)
    assert Choice.of("1y").scaled(1, NOW) == Choice.of("1y")


def test_every_way_to_another_stretch_is_a_plain_link():
    text = span_selector(Choice(50 * 60 * SECOND, NOW - HOUR), "/valve/p", MADRID, NOW)
    for name in ("earlier", "later", "closer", "wider", "now", *SPANS):
        assert f'id="span-{name}"' in text
    assert "50 min, until Tue 24 Nov 2026 15:02:07" in text
    assert "aria-current" not in text
    live = span_selector(Choice.of("1min"), "/valve/p", MADRID, NOW)
    assert "1 minute, live" in live
    assert 'id="span-now"' not in live
    assert 'id="span-wider"' not in span_selector(Choice.of("1y"), "/valve/p", MADRID, NOW)
