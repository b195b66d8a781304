from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.charts import AS_LEFT_POINTS, Chart, K, limit, trend_per_day
from asleft.judge.onset import best_split, onset_of, step_within
from hypothesis import given, settings
from hypothesis import strategies as st

DAY = 86_400.0


def chart_of(values, *, left: float = 0.0, d0: float = 0.0, se: float = 1.0) -> Chart:
    chart = Chart(left=(left, 0.0))
    for k, value in enumerate(values):
        chart.add(600.0 * k, float(value), se, d0)
    return chart


def test_as_left_is_the_median_of_the_first_five_and_never_again() -> None:
    chart = Chart()
    for value in (10.0, 10.1, 99.0, 9.9, 10.0, 50.0, 50.0, 50.0, 50.0, 50.0):
        chart.settle(value, 0.1)
    assert chart.left is not None
    assert chart.left[0] == 10.0
    assert chart.left[1] == pytest.approx(1.2533 * 1.4826 * 0.1 / np.sqrt(AS_LEFT_POINTS), rel=1e-6)
    assert chart.first == []


def test_nothing_is_charted_before_as_left_is_known() -> None:
    chart = Chart()
    for k in range(20):
        chart.add(600.0 * k, 100.0, 1.0, 0.0)
    assert (chart.high, chart.low, chart.signal()) == (0.0, 0.0, None)
    assert len(chart.points) == 20


def test_changes_inside_the_dead_zone_never_signal() -> None:
    rng = np.random.default_rng(1)
    chart = chart_of(0.9 + 0.1 * rng.standard_normal(90), d0=1.0, se=0.1)
    assert chart.signal() is None


@pytest.mark.parametrize("side", [1, -1])
def test_a_lasting_change_signals_on_its_side_and_dates_its_beginning(side) -> None:
    rng = np.random.default_rng(2)
    values = rng.standard_normal(60)
    values[30:] += side * 4.0
    chart = chart_of(values, d0=0.5)
    signal = chart.signal()
    assert signal is not None
    assert signal[0] == side
    assert signal[1] == pytest.approx(600.0 * 30, abs=600.0 * 3)


def test_one_odd_point_alone_does_not_signal() -> None:
    values = np.zeros(30)
    values[15] = 1e6
    chart = Chart(left=(0.0, 0.0))
    for k, value in enumerate(values):
        chart.add(600.0 * k, float(value), 1.0, 0.0)
        assert chart.signal() is None


def test_a_signal_ends_after_the_value_has_come_back() -> None:
    chart = chart_of([0.0] * 5 + [6.0] * 10 + [0.0] * 200)
    assert chart.signal() is None
    assert chart.high_since_s is None


def test_sigma_is_what_points_really_do_when_that_is_more() -> None:
    rng = np.random.default_rng(3)
    wild = chart_of(5.0 * rng.standard_normal(60), se=1.0)
    calm = chart_of(np.zeros(60), se=1.0)
    assert wild.sigma() == pytest.approx(5.0, rel=0.25)
    assert calm.sigma() == pytest.approx(1.0)
    drifting = chart_of(np.arange(60) * 0.5, se=1.0)
    assert drifting.sigma() < 1.2


def test_memory_is_bounded() -> None:
    assert len(chart_of(np.zeros(500)).points) <= 100


def test_limit_meets_its_own_design_equation() -> None:
    b = limit() + 1.166
    arl = (np.exp(2 * K * b) - 2 * K * b - 1) / (2 * K * K)
    assert arl == pytest.approx(5.0 * 6.0 * 16.0 * 250.0 * 20.0, rel=1e-6)


def series(values, step_days: float = 0.25) -> list[tuple[float, float, float]]:
    return [(k * step_days * DAY, float(v), 0.1) for k, v in enumerate(values)]


@settings(max_examples=40, deadline=None)
@given(st.floats(-3.0, 3.0).filter(lambda s: abs(s) > 0.3), st.integers(0, 1000))
def test_a_steady_drift_has_its_slope_as_trend(slope, seed) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(40) * 0.25
    found = trend_per_day(series(5.0 + slope * t + 0.1 * rng.standard_normal(40)))
    assert found == pytest.approx(slope, abs=0.06)


def test_outliers_hardly_move_a_trend() -> None:
    y = np.arange(40) * 0.25
    y[[5, 17, 30]] += 50.0
    assert trend_per_day(series(y)) == pytest.approx(1.0, rel=0.05)


def test_no_trend_in_noise_in_a_step_or_in_too_little() -> None:
    rng = np.random.default_rng(4)
    assert sum(trend_per_day(series(rng.standard_normal(40))) is not None for _ in range(40)) <= 5
    step = np.concatenate((np.zeros(20), np.full(20, 3.0))) + 0.1 * rng.standard_normal(40)
    assert trend_per_day(series(step)) is None
    assert trend_per_day(series(np.arange(7.0))) is None
    assert trend_per_day(series(np.arange(40.0), step_days=0.01)) is None


def test_the_best_split_is_where_the_mean_changes() -> None:
    best, before, after, gain = best_split(np.array([0.0, 0.0, 0.0, 2.0, 2.0]))
    assert (best, before, after) == (2, 0.0, 2.0)
    assert gain == pytest.approx(4.8)  # the whole scatter


def test_a_step_is_dated_to_the_first_value_after_it() -> None:
    values = [(float(k), 0.0 if k < 7 else 5.0) for k in range(14)]
    assert onset_of(values, 0.0, 1.0) == 7.0
    assert step_within(values, 1.0) == 7.0


def test_a_value_never_in_place_dates_from_the_first_sight() -> None:
    assert onset_of([(float(k), 5.0) for k in range(9)], 0.0, 1.0) == 0.0
    assert onset_of([(3.0, 5.0), (4.0, 5.0)], 0.0, 1.0) == 3.0


def test_a_drift_dates_from_where_it_leaves_the_quarter() -> None:
    values = [(float(k), 0.1 * k) for k in range(40)]
    assert onset_of(values, 0.0, 1.0) == 3.0


def test_no_step_in_a_drift_in_noise_or_in_too_few() -> None:
    rng = np.random.default_rng(5)
    assert step_within([(float(k), 0.5 * k) for k in range(30)], 1.0) is None
    assert step_within([(float(k), float(rng.normal())) for k in range(30)], 1.0) is None
    assert step_within([(float(k), float(k > 4)) for k in range(7)], 1.0) is None
    assert step_within([(float(k), 0.3 * (k > 15)) for k in range(30)], 1.0) is None  # under half a tolerance
