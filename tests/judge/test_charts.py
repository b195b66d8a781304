from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.drift import AS_LEFT_POINTS, Chart, OilThermalState, limits_for
from asleft.judge.judge import begin
from asleft.judge.onset import best_split, onset_of, step_within
from asleft.judge.state import copied, dumps
from hypothesis import given, settings
from hypothesis import strategies as st
from stored import stored
from synth import dwell, sheet

HOUR = 3600.0
LIMITS = limits_for(5.0, 8)


def chart_of(values, *, left: float = 0.0, d0: float = 0.0, se: float = 1.0) -> Chart:
    chart = Chart(left=(left, 0.0))
    for k, value in enumerate(values):
        chart.add(600.0 * k, float(value), se, d0, LIMITS)
    return chart


def noise(n: int, seed: int, size: float = 1.0) -> np.ndarray:
    return size * np.random.default_rng(seed).standard_normal(n)


def test_as_left_is_the_median_of_the_first_five_and_never_again() -> None:
    chart = Chart()
    for value in (10.0, 10.1, 99.0, 9.9, 10.0, 50.0, 50.0, 50.0, 50.0, 50.0):
        chart.settle(value, 0.1)
    assert chart.left is not None
    assert chart.left[0] == 10.0
    assert chart.left[1] == pytest.approx(1.2533 * 1.4826 * 0.1 / np.sqrt(AS_LEFT_POINTS), rel=1e-6)
    assert chart.first == []


def test_as_left_is_not_taken_from_a_machine_that_warms_up() -> None:
    """Pressure falls by 4 bar with a time constant of an hour: as left is where it comes to rest."""
    chart = Chart()
    waited = 0
    for k in range(60):
        chart.settle(160.0 + 4.0 * math.exp(-k / 6.0) + 0.02 * (-1) ** k, 0.02, d0=0.8)
        waited += chart.left is None
    assert chart.left is not None
    assert waited > 8
    assert chart.left[0] == pytest.approx(160.0, abs=0.3)


def test_as_left_takes_more_points_where_they_scatter() -> None:
    chart = Chart()
    taken = 0
    for value in noise(40, 3):
        chart.settle(float(value), 1.0, d0=1.5)
        taken += chart.left is None
    assert taken >= AS_LEFT_POINTS
    assert chart.left is not None
    assert chart.left[1] <= 0.25 * 1.5


def test_as_left_is_taken_in_the_end_whatever_the_scatter() -> None:
    chart = Chart()
    for value in 10.0 * np.arange(30.0):
        chart.settle(float(value), 1.0, d0=1.0)
    for value in noise(30, 4, 100.0):
        chart.settle(float(value), 100.0, d0=1.0)
    assert chart.left is not None
    assert len(chart.first) == 0


def test_nothing_is_charted_before_as_left_is_known() -> None:
    chart = Chart()
    for k in range(20):
        chart.add(600.0 * k, 100.0, 1.0, 0.0, LIMITS)
    assert chart.sums == (0.0, 0.0, 0.0, 0.0)
    assert chart.signal() is None
    assert len(chart.points) == 20
    assert chart.noise.hours_n == 2  # its scatter is learnt all the same


def test_changes_inside_the_dead_zone_never_signal() -> None:
    assert chart_of(0.9 + noise(600, 1, 0.1), d0=1.0, se=0.1).signal() is None


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("size", [1.2, 3.0, 40.0])
def test_a_lasting_change_signals_on_its_side_and_dates_its_beginning(side: int, size: float) -> None:
    values = noise(1200, 2)
    values[900:] += side * (0.5 + size)
    signal = chart_of(values, d0=0.5).signal()
    assert signal is not None
    assert signal[0] == side
    assert signal[1] == pytest.approx(600.0 * 900, abs=6 * HOUR)


def test_one_odd_hour_alone_does_not_signal() -> None:
    values = noise(600, 3)
    values[402:408] = 1e6
    chart = Chart(left=(0.0, 0.0))
    for k, value in enumerate(values):
        chart.add(600.0 * k, float(value), 1.0, 0.0, LIMITS)
        assert chart.signal() is None


def test_a_signal_ends_after_the_value_has_come_back() -> None:
    chart = chart_of(np.r_[noise(300, 5), 8.0 + noise(60, 6), noise(1500, 7)])
    assert chart.signal() is None
    assert chart_of(np.r_[noise(300, 5), 8.0 + noise(60, 6)]).signal() is not None


def test_a_smaller_budget_signals_sooner() -> None:
    def first(years: float) -> int:
        chart = Chart(left=(0.0, 0.0))
        for k, value in enumerate(np.r_[noise(600, 8), 0.5 + noise(6000, 9)]):
            chart.add(600.0 * k, float(value), 1.0, 0.0, limits_for(years, 1))
            if chart.signal() is not None:
                return k
        raise AssertionError("no signal")

    assert 600 < first(0.05) < first(500.0)


def test_points_of_a_gap_make_an_hour_of_their_own() -> None:
    """Windows of ten minutes, five hours apart: each is charted when the next comes, or when the gap is known."""
    chart = Chart(left=(0.0, 0.0))
    for k in range(5):
        chart.add(5.0 * HOUR * k, 0.1 * k, 1.0, 0.0, LIMITS)
    assert chart.noise.hours_n == 3
    chart.close_hour()
    assert (chart.noise.hours_n, chart.hour) == (4, [])
    chart.close_hour()
    assert chart.noise.hours_n == 4


def test_memory_is_bounded() -> None:
    chart = chart_of(noise(8000, 10))
    assert len(chart.points) <= 100
    assert len(chart.history) <= 128
    state = begin(sheet())
    bare = len(dumps(state))
    state.charts = {"ramp_up": chart}
    assert len(dumps(state)) - bare < 8000


@settings(max_examples=10, deadline=None)
@given(st.integers(1, 800), st.integers(0, 99), st.sampled_from([600.0, 5 * HOUR]))
def test_a_chart_goes_through_text_exactly(n: int, seed: int, apart_s: float) -> None:
    values = noise(n, seed)
    whole, through = Chart(), Chart()
    for k, value in enumerate(values):
        for chart in (whole, through):
            chart.add(apart_s * k, float(value), 1.0, 0.3, LIMITS)
            chart.settle(float(value), 1.0, 0.3)
        if k % 97 == 0:
            through = stored("charts", {"ramp_up": through})["ramp_up"]
    assert whole == through


def test_a_copy_is_not_touched_by_its_original() -> None:
    chart = chart_of(noise(50, 11))
    before = repr(chart)
    twin = copied(chart)
    for k in range(50, 90):
        chart.add(600.0 * k, 5.0, 1.0, 0.0, LIMITS)
    assert repr(twin) == before


def test_history_keeps_the_whole_time_with_the_mean_of_its_values() -> None:
    values = noise(5000, 12) + 3.0
    chart = chart_of(values)
    counts = np.array([n for _, _, n in chart.history])
    assert counts.sum() == values.size
    assert sum(n * value for _, value, n in chart.history) / values.size == pytest.approx(values.mean(), rel=2.0**-20)
    assert all(a[0] < b[0] for a, b in zip(chart.history, chart.history[1:], strict=False))
    assert chart.history[0][0] < 24 * HOUR
    assert chart.history[-1][0] > 600.0 * 4900


# ------------------------------------------------------------------------------------------ which points are charted


def test_pressure_is_charted_only_at_the_oil_it_was_left_at() -> None:
    warmth = OilThermalState()
    assert warmth.fit_for_pressure(19.0, 0.0)  # until as left is known, that waits for standing still
    warmth.oil_left_degc = 45.0
    assert [warmth.fit_for_pressure(oil, 1e6) for oil in (19.0, 40.9, 41.0, 45.0, 49.0, 49.1)] == [
        False, False, True, True, True, False,
    ]  # fmt: skip


def with_oil(warmth: OilThermalState, oils: list[float]) -> None:
    for oil in oils:
        at_s = (warmth.last_s or 0.0) + 600.0
        warmth.see([dwell(0.5, 0.6, from_s=at_s, to_s=at_s + 3.0, oil_degc=oil)])


def test_the_oil_when_left_is_the_usual_one_though_a_cold_start_completes_it() -> None:
    warmth = OilThermalState()
    with_oil(warmth, [44.8, 45.4, math.nan, 45.9, 45.3, 34.6])
    assert warmth.oil_left_degc is None
    warmth.settle(5)
    assert warmth.oil_left_degc == 45.3
    with_oil(warmth, [20.0] * 9)
    warmth.settle(5)  # never again
    assert warmth.oil_left_degc == 45.3
    assert warmth.fit_for_pressure(46.4, 0.0)
    assert not warmth.fit_for_pressure(34.6, 0.0)


def test_the_oil_when_left_is_that_of_the_points_it_was_taken_from() -> None:
    """A cold Monday: the chart drops the points of the warming up, and the oil of them does not count."""
    warmth = OilThermalState()
    with_oil(warmth, [46.0 - 27.0 * math.exp(-k / 5.4) for k in range(20)])
    warmth.settle(5)
    assert warmth.oil_left_degc == pytest.approx(44.8, abs=0.5)


def test_without_oil_a_start_after_a_long_stop_is_waited_out() -> None:
    warmth = OilThermalState()
    warmth.see(
        [dwell(0.5, 0.6, from_s=0.0, to_s=3.0, clock_s=3.0), dwell(0.5, 0.6, from_s=9.0, to_s=12.0, clock_s=12.0)]
    )
    assert warmth.fit_for_pressure(math.nan, 12.0)
    warmth.see([dwell(0.5, 0.6, from_s=30_000.0, to_s=30_003.0, clock_s=15.0)])
    assert not warmth.fit_for_pressure(math.nan, 100.0)
    assert not warmth.fit_for_pressure(math.nan, 7000.0)
    assert warmth.fit_for_pressure(math.nan, 7300.0)
    warmth.last_s = None  # a gap in the record says nothing of the machine
    warmth.see([dwell(0.5, 0.6, from_s=90_000.0, to_s=90_003.0, clock_s=8000.0)])
    assert warmth.fit_for_pressure(math.nan, 8000.0)


# ------------------------------------------------------------------------------------------------- change points


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


def test_onset_is_of_the_last_time_it_left_its_place() -> None:
    values = [(float(k), 2.0 if 4 <= k < 9 or k >= 14 else 0.05) for k in range(24)]
    assert onset_of(values, 0.0, 1.0) == 14.0
    once = [(float(k), 2.0 if k >= 4 and k != 9 else 0.05) for k in range(24)]
    assert onset_of(once, 0.0, 1.0) == 4.0  # a single value at home is no return
