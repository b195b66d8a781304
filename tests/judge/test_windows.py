"""Two stretches of history compared: what pairs is paired, what is too little is said."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.compare import compare_points
from asleft.judge.types import ChartPoint

HOUR, DAY = 3600.0, 86_400.0
START_S = 20_000 * DAY


def hour_of(at_s: float) -> int:
    return int(at_s % DAY // HOUR)


def points(day: int, hours, value, *, per_hour: int = 6, swing: float = 0.0, noise: float = 0.0, seed: int = 0):
    rng = np.random.default_rng(seed)
    return [
        ChartPoint(
            "ramp_up",
            START_S + day * DAY + hour * HOUR + k * 600.0,
            value + swing * np.sin(2 * np.pi * hour / 24.0) + noise * rng.normal(),
            0.01,
        )
        for hour in hours
        for k in range(per_hour)
    ]


def test_hours_of_the_day_pair_and_the_days_swing_cancels():
    """A swing of 0.3 with the hour of the day, a change of 0.05: seen in pairs, not by two samples."""
    hours = range(6, 18)
    found = compare_points(
        points(0, hours, 1.6, swing=0.3, noise=0.01), points(3, hours, 1.65, swing=0.3, noise=0.01, seed=1), 0.04,
        hour_of,
    )  # fmt: skip
    assert found.change.test == "paired t"
    assert found.basis == "12 hours of the day seen before and after, in pairs"
    assert found.change.n_before == 12
    assert found.change.different
    assert found.change.change == pytest.approx(0.05, abs=0.01)
    assert found.after_u > 0.05  # the mean itself swings with the day


def test_other_hours_of_the_day_do_not_pair():
    found = compare_points(points(0, range(6, 12), 1.6, noise=0.01), points(1, range(14, 22), 1.6, noise=0.01), 0.1,
                           hour_of)  # fmt: skip
    assert found.change.test == "Welch's t"
    assert found.basis == "6 producing hours before, 8 after"
    assert (found.change.n_before, found.change.n_after) == (6, 8)
    assert found.change.same


def test_points_of_one_hour_are_one_value():
    """Sixty points of one hour are not sixty independent ones."""
    found = compare_points(points(0, range(6), 1.0, per_hour=6), points(1, range(6), 2.0, per_hour=6), 0.1, hour_of)
    assert found.change.n_before == 6


def test_short_stretches_are_compared_by_their_points_and_shorter_ones_not():
    few = compare_points(points(0, [6], 1.0, noise=0.01), points(0, [9], 1.2, noise=0.01, seed=2), 0.1, hour_of)
    assert few.change.test == "Welch's t"
    assert "taken as independent" in few.basis
    assert few.change.different
    none = compare_points(points(0, [6], 1.0, per_hour=2), points(0, [9], 1.2), 0.1, hour_of)
    assert none.change is None
    assert none.basis == "measured too rarely: 2 points before, 6 after; 3 are needed"


def test_the_uncertainty_of_the_mean_after_is_students():
    values = [1.0, 1.1, 1.3, 0.9, 1.2, 1.0]
    after = [ChartPoint("x", START_S + DAY + k * HOUR, v, 0.0) for k, v in enumerate(values)]
    found = compare_points(points(0, range(12, 18), 1.0, per_hour=1, noise=0.1), after, 0.1, hour_of)
    # t(0.975, 5) = 2.570582 (any table of Student's distribution)
    assert found.after_u == pytest.approx(2.570582 * np.std(values, ddof=1) / np.sqrt(6), rel=1e-6)
