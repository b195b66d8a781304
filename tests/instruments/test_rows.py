from __future__ import annotations

import itertools

from asleft.instruments.feed import FeedCounts, TimedReading
from asleft.instruments.rows import RowJoiner
from asleft.wire.block import Reason
from hypothesis import given
from hypothesis import strategies as st

MS = 1_000_000
T0 = 1_800_000_000_000_000_000


def joiner(channels: int = 2, *, every_ms: int = 0, hold_ms: int | None = None) -> RowJoiner:
    return RowJoiner(
        channels,
        FeedCounts(),
        join_ns=5 * MS,
        settle_ns=100 * MS,
        every_ns=every_ms * MS,
        hold_ns=() if hold_ms is None else (hold_ms * MS,) * channels,
    )


def at_ms(rows: list[TimedReading]) -> list[float]:
    return [(row.wall_ns - T0) / MS for row in rows]


def test_values_near_each_other_are_one_row_and_the_others_keep_what_they_had() -> None:
    made = joiner()
    made.add(0, T0, 1.0, 0)
    made.add(1, T0 + 2 * MS, 5.0, 0)
    made.add(0, T0 + 20 * MS, 2.0, 20 * MS)
    assert made.take(99 * MS) == []
    rows = made.take(200 * MS)
    assert at_ms(rows) == [0, 20]
    assert [list(row.reading.numbers) for row in rows] == [[1.0, 5.0], [2.0, 5.0]]


def test_a_channel_that_said_nothing_yet_has_not_answered() -> None:
    made = joiner()
    made.add(0, T0, 1.0, 0)
    (row,) = made.take(200 * MS)
    assert row.reading.failed == {1: Reason.NO_ANSWER}


def test_values_that_come_in_another_order_find_their_place() -> None:
    made = joiner(1)
    for at in (40, 0, 20):
        made.add(0, T0 + at * MS, float(at), 0)
    assert at_ms(made.take(200 * MS)) == [0, 20, 40]
    assert made._counts.late == 0


def test_the_same_time_again_is_no_new_reading_and_an_older_one_is_late() -> None:
    made = joiner(1)
    made.add(0, T0, 1.0, 0)
    made.add(0, T0, 1.0, 0)
    assert len(made.take(200 * MS)) == 1
    made.add(0, T0 - MS, 7.0, 0)
    assert made.take(400 * MS) == []
    assert (made._counts.repeated, made._counts.late) == (1, 1)


def test_between_rows_what_held_is_written_out_at_the_pace() -> None:
    made = joiner(1, every_ms=20)
    made.begin(T0)
    made.add(0, T0 - 3_600_000 * MS, 4.0, 0)  # it has stood so for an hour
    rows = made.take(0, T0 + 60 * MS)
    assert [list(row.reading.numbers) for row in rows] == [[4.0]] * 3
    made.add(0, T0 + 205 * MS, 5.0, 0)
    rows += made.take(200 * MS, T0 + 220 * MS)
    assert [row.reading.numbers[0] for row in rows].count(5.0) == 1
    steps = [b - a for a, b in itertools.pairwise(at_ms(rows))]
    assert all(10 < step <= 30.001 for step in steps), steps
    assert made._counts.late == 0


def test_a_hole_is_marked_at_both_ends_and_counted() -> None:
    made = joiner(1, every_ms=20)
    made.begin(T0)
    made.add(0, T0 + 5 * MS, 1.0, 0)
    made.take(200 * MS, T0 + 20 * MS)
    made.begin(T0 + 30_000 * MS)
    rows = made.take(300 * MS)
    assert [row.reading.failed for row in rows] == [{0: Reason.NO_ANSWER}] * 2
    assert at_ms(rows)[0] < 60
    assert at_ms(rows)[1] > 29_900
    assert made._counts.lost == 1


def test_a_stretch_that_was_marked_row_by_row_is_counted_as_one_hole() -> None:
    """However near to its last mark the source is back."""
    for back_ms in (1980, 2010, 2500):
        made = joiner(1, every_ms=20)
        made.begin(T0)
        made.add(0, T0, 1.0, 0)
        made.take(200 * MS)
        for silent_ms in (1000, 2000):
            made.mark(T0 + silent_ms * MS, Reason.NOT_CONNECTED)
        made.begin(T0 + back_ms * MS)
        made.add(0, T0 + 3000 * MS, 2.0, 3000 * MS)
        rows = made.take(3200 * MS)
        assert made._counts.lost == 1, back_ms
        assert not rows[-1].reading.failed
        made.mark(T0 + 9000 * MS, Reason.NO_ANSWER)
        assert made._counts.lost == 2


def test_a_value_that_is_too_old_no_longer_holds() -> None:
    made = joiner(hold_ms=100)
    made.add(0, T0, 1.0, 0)
    made.add(1, T0, 1.0, 0)
    made.add(0, T0 + 150 * MS, 2.0, 0)
    rows = made.take(200 * MS)
    assert rows[1].reading.failed == {1: Reason.NO_ANSWER}


@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 3000), st.integers(0, 300)), max_size=80),
    st.sampled_from([0, 20]),
)
def test_times_rise_and_no_value_is_lost_or_told_twice(events: list[tuple[int, int, int]], every_ms: int) -> None:
    made = joiner(3, every_ms=every_ms)
    rows: list[TimedReading] = []
    now = 0
    for number, (channel, at, wait) in enumerate(events):
        now += wait
        made.add(channel, T0 + at * MS, float(number), now * MS)
        rows += made.take(now * MS)
    rows += made.take(now * MS + 1_000 * MS)
    times = [row.wall_ns for row in rows]
    assert all(b - a >= 1000 for a, b in itertools.pairwise(times))
    seen = {number for row in rows for number in row.reading.numbers}
    # Zero stands also where a channel has no value yet. A late value is no row, but may say what holds now.
    unseen = {float(number) for number in range(1, len(events))} - seen
    assert len(unseen) <= made._counts.repeated + made._counts.late


def test_what_was_forgotten_holds_again_when_it_is_told_again() -> None:
    """A new subscription begins with what each variable is; one that stands still has the time that it had before."""
    counts = FeedCounts()
    joiner = RowJoiner(1, counts, join_ns=MS, settle_ns=0, every_ns=20 * MS)
    joiner.begin(1000 * MS)
    joiner.add(0, 1000 * MS, 3.0, 0)
    assert joiner.take(0, 1100 * MS)[-1].reading.failed == {}
    joiner.begin(2000 * MS)
    joiner.forget()
    joiner.add(0, 1000 * MS, 3.0, 0)
    rows = joiner.take(0, 2100 * MS)
    assert (rows[-1].reading.numbers, rows[-1].reading.failed) == ([3.0], {})
