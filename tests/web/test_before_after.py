"""Before and after on paper: digits."""

from __future__ import annotations

import pytest
from asleft.web.report.from_files import Difference, row


@pytest.mark.parametrize(
    ("before", "after", "unsure", "shown"),
    [
        (0.18002, 0.17969, 0.00021, ["0.1800 A", "0.1797 A", "−0.00033 A", "0.00021", "changed"]),
        (0.18002, 0.17995, 0.00021, ["0.180 A", "0.180 A", "−0.00007 A", "0.00021", "no change seen"]),
        (0.180, 0.240, 0.0, ["0.180 A", "0.240 A", "+0.060 A", "0", "changed"]),
        (0.180, 0.180, 0.0021, ["0.180 A", "0.180 A", "0.0000 A", "0.0021", "no change seen"]),
        (0.180, 0.240, float("inf"), ["0.180 A", "0.240 A", "+0.060 A", "–", "no change seen"]),
    ],
)
def test_a_change_that_is_spoken_of_can_be_read_off_the_figures_beside_it(before, after, unsure, shown):
    line = Difference("current_at_zero", before, after, after - before, unsure, "")
    assert row(line) == ["current\N{NO-BREAK SPACE}at\N{NO-BREAK SPACE}zero", *shown]


def test_what_one_side_lacks_has_no_change():
    line = Difference("ramp_up", None, 1.2, None, None, "not compared (before: no stroke)")
    assert row(line)[1:] == ["–", "1.20 s", "–", "–", "not compared (before: no stroke)"]
