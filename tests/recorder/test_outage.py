"""What is logged of something that fails again and again."""

from __future__ import annotations

import logging

import pytest
from asleft.recorder.outage import Outage, Repeats

log = logging.getLogger("under test")


class Clock:
    now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


def test_one_line_when_it_begins_one_a_minute_one_when_it_is_over(clock, caplog):
    outage, waits = Outage(log, "storing fails", clock, first_s=0.5, longest_s=10.0), []
    while clock.now_s < 100.0 + 600.0:
        waits.append(outage.failed("server closed the connection\n\tunexpectedly"))
        clock.now_s += waits[-1]
    outage.over()
    outage.over()
    assert waits[:6] == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0]
    assert set(waits[5:]) == {10.0}
    assert 10 <= len(caplog.records) <= 12
    assert all("\n" not in record.getMessage() for record in caplog.records)
    first, *_, last = [record.getMessage() for record in caplog.records]
    assert first.startswith("storing fails: server closed the connection unexpectedly; ")
    assert last.startswith("over after 60")
    assert outage.failed("again") == 0.5  # the wait begins anew


def test_only_the_first_line_of_an_unexpected_error_has_a_traceback(clock, caplog):
    outage = Outage(log, "the writer failed", clock)
    for _ in range(5):
        try:
            raise RuntimeError("no idea what this is")
        except RuntimeError as error:
            outage.failed(str(error), error)
        clock.now_s += 61.0
    assert [record.exc_info is not None for record in caplog.records] == [True, False, False, False, False]


def test_events_alike_are_a_line_a_minute_with_their_number(clock, caplog):
    repeats = Repeats(log, clock, most=3)
    for number in range(121):
        repeats.happened(("hall-1", "valve"), f"refused {number}")
        clock.now_s += 1.0
    said = [record.getMessage() for record in caplog.records]
    assert said == [
        "refused 0",
        "refused 60 (59 more like it since it was last said)",
        "refused 120 (59 more like it since it was last said)",
    ]
    for number in range(1_000):
        repeats.happened(("made up", str(number)), "x")
    assert len(repeats._said) == 3
