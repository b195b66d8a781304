from __future__ import annotations

import pytest
from asleft.edge.schedule import Schedule, period_ns
from hypothesis import given
from hypothesis import strategies as st

SCHEDULES = st.builds(Schedule, st.integers(0, 10**18), st.integers(5_000_000, 100_000_000))


@given(SCHEDULES, st.integers(-1, 10**9), st.integers(-(10**9), 10**12))
def test_the_next_tick_is_later_and_at_most_one_period_overdue(schedule: Schedule, last: int, late_ns: int) -> None:
    now_ns = schedule.due_ns(max(last, 0)) + late_ns
    tick = schedule.next_tick(last, now_ns)
    assert tick > last
    assert now_ns - schedule.due_ns(tick) < schedule.period_ns
    # Nothing is skipped that could still be taken in time.
    if tick > last + 1:
        assert now_ns - schedule.due_ns(tick - 1) >= schedule.period_ns


@given(SCHEDULES, st.lists(st.integers(0, 300_000_000), min_size=1, max_size=80))
def test_taken_and_missed_ticks_add_up_and_nothing_drifts(schedule: Schedule, busy_ns: list[int]) -> None:
    now_ns, last, taken, missed = schedule.start_ns, -1, 0, 0
    for busy in busy_ns:
        tick = schedule.next_tick(last, now_ns)
        missed += tick - last - 1
        now_ns = max(now_ns, schedule.due_ns(tick)) + busy
        taken, last = taken + 1, tick
    assert taken + missed == last + 1
    assert schedule.due_ns(last) == schedule.start_ns + last * schedule.period_ns
    if all(busy < schedule.period_ns for busy in busy_ns):
        assert missed == 0


@pytest.mark.parametrize(("rate_hz", "expected"), [(100.0, 10_000_000), (200.0, 5_000_000), (30.0, 33_333_333)])
def test_period(rate_hz: float, expected: int) -> None:
    assert period_ns(rate_hz) == expected
