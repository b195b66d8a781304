"""Sizes of the last day: every half hour, over restarts."""

from __future__ import annotations

from itertools import pairwise

from asleft.recorder.growth import EVERY_NS, KEPT_NS, Growth

T0 = 1_795_532_527 * 10**9


def test_a_size_is_kept_every_half_hour_for_a_day():
    growth = Growth()
    kept = []
    for minute in range(0, 30 * 60, 10):
        kept = growth.seen(T0 + minute * 60 * 10**9, 1000 + minute)
    newest = T0 + (30 * 60 - 10) * 60 * 10**9
    assert 48 <= len(kept) <= 51
    assert kept[0][0] >= newest - KEPT_NS
    assert all(b[0] - a[0] == EVERY_NS for a, b in pairwise(kept))
    assert kept[0][1] - 1000 == (kept[0][0] - T0) // (60 * 10**9)


def test_a_restart_goes_on_and_what_is_no_size_is_left_out():
    before = [[T0 - EVERY_NS, 5], ["x", 1], [1], None, [T0, True], [T0 + 10**15, 9]]
    assert Growth(before).seen(T0, 7) == [[T0 - EVERY_NS, 5], [T0, 7]]
    assert Growth({"a": 1}).seen(T0, 7) == [[T0, 7]]


def test_a_clock_put_back_begins_anew():
    growth = Growth([[T0, 5]])
    assert growth.seen(T0 - 10**9, 6) == [[T0 - 10**9, 6]]
